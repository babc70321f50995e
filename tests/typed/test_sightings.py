"""The minute hand and the balance as they were seen."""

from __future__ import annotations

from datetime import datetime

import pytest

from torsionbeat.errors import InputError
from torsionbeat.typed.sightings import arcs_seen, sighting_of


def test_arcs_are_minutes_and_degrees_unless_they_say_other_units():
    seen = arcs_seen(["0 400", "90s 380.5", "0.5h 330 deg", "45min   300"], None, 3.0)
    assert seen.time_s == (0.0, 90.0, 1800.0, 2700.0)
    assert seen.arc_deg == (400.0, 380.5, 330.0, 300.0)
    assert seen.within_deg == 3.0


def test_ornaments_are_counted_in_their_spacing_and_half_of_it_is_the_doubt():
    seen = arcs_seen(["0 13x", "30 11 ornaments", "60 300"], 30.0, None)
    assert seen.arc_deg == (390.0, 330.0, 300.0)
    assert seen.within_deg == 15.0
    assert arcs_seen(["0 13x"], 30.0, 4.0).within_deg == 4.0
    assert arcs_seen(["0 400"], None, None).within_deg is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0 13x", "give the angle between them with --spacing"),
        ("night.flac", "is a file, not a reading"),
        ("400", "cannot be read; write time and arc"),
        ("-1 400", "cannot be read"),
    ],
)
def test_an_arc_that_cannot_be_read_is_refused(text, said):
    with pytest.raises(InputError, match=said):
        arcs_seen([text], None, None)


def test_a_sighting_by_hours_gone_by():
    seen = sighting_of("168h +18", 5.0)
    assert (seen.elapsed_h, seen.ahead_s, seen.within_s) == (168.0, 18.0, 5.0)
    assert sighting_of("7d -1.5min within 2 s", 5.0) == sighting_of("168h -90 within 2", 9.0)
    assert sighting_of("0h 0", 5.0).ahead_s == 0.0


def test_a_sighting_by_the_calendar():
    seen = sighting_of("2026-03-01 20:00:00 +5", 5.0)
    assert seen.ahead_s == 5.0
    assert f"{seen.when:%Y-%m-%d %H:%M:%S}" == "2026-03-01 20:00:00"
    told = sighting_of("2026-03-01T20:00:00+02:00 -3", 5.0)
    assert told.when == datetime.fromisoformat("2026-03-01T20:00:00+02:00")


@pytest.mark.parametrize(
    ("true", "shown", "ahead_s"),
    [
        ("20:00:00", "20:00:05", 5),
        ("20:00:00", "8:00:05", 5),  # a dial of twelve hours
        ("20:00:00", "19:59:50", -10),
        ("23:59:58", "0:00:03", 5),  # over midnight
        ("00:00:02", "11:59:59", -3),
        ("12:00:30.5", "12:01", 29.5),
        ("20:00:00", "24:00", 4 * 3600),
    ],
)
def test_what_the_dial_showed_is_set_against_the_true_time(true, shown, ahead_s):
    assert sighting_of(f"2026-03-01 {true} {shown}", 5.0).ahead_s == pytest.approx(ahead_s, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2026-03-01 20:00:00", "cannot be read; write it as"),
        ("168h 20:00:05", "has hours gone by and a time on the dial"),
        ("2026-03-01 20:00:00 25:00", "no dial shows that"),
        ("2026-03-01 20:00:00 20:60", "no dial shows that"),
        ("2999-03-01 20:00:00 +5", "not in the future"),
    ],
)
def test_a_sighting_that_cannot_be_is_refused(text, said):
    with pytest.raises(InputError, match=said):
        sighting_of(text, 5.0)
