"""Nights: readings out of their documents, and sides exchanged."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.history.nights import Group, Night, reading_from_document, with_sides_swapped


def figure(value):
    return None if value is None else {"value": value.nominal_value, "standard_uncertainty": value.std_dev}


def document(reading):
    """Write a reading as the contract says (schema 1)."""
    names = ("period_s", "rate_s_per_day", "beat_error_ms", "offset_deg", "arc_deg", "arc_trend_deg_per_hour")
    s = reading.swings
    return {
        "schema": 1,
        "recording": {"name": reading.recording.name, "duration_s": reading.recording.duration_s},
        "timebase": {
            "source": reading.timebase.source,
            "offset_ppm": reading.timebase.offset_ppm,
            "standard_uncertainty_ppm": reading.timebase.standard_uncertainty_ppm,
        },
        "clock": {
            "nominal_period_s": 60.0,
            "lift_deg": 20.0,
            "lift_tolerance_deg": 0.5,
            "name": "Harbour lamp",
        },
        **{name: figure(getattr(reading, name)) for name in names},
        "beats": {"expected": reading.beats_expected, "heard": reading.beats_heard},
        "swings": [
            {"time_s": t, "side": str(side), "period_s": None if np.isnan(p) else p, "arc_deg": a}
            for t, side, p, a in zip(s.time_s, s.side, s.period_s, s.arc_deg, strict=True)
        ],
        "remarks": list(reading.remarks),
    }


def test_a_reading_comes_back_out_of_its_document(make_night):
    reading = make_night(3, hours=1, missed=0.1, remarks=("Two people talked.",))
    back = reading_from_document(document(reading))
    assert back.rate_s_per_day.nominal_value == reading.rate_s_per_day.nominal_value
    assert back.timebase == reading.timebase
    assert back.clock == reading.clock
    assert back.remarks == reading.remarks
    kept, found = reading.swings, back.swings
    assert np.ptp(found.number - kept.number) == 0  # the same holes, whatever the first number
    np.testing.assert_array_equal(found.number % 2 == 1, kept.side == "b")
    np.testing.assert_allclose(found.lift_passage_s, kept.lift_passage_s, rtol=1e-6)
    assert len(back.events) == 0


def test_a_night_that_wanders_by_more_than_a_swing_is_counted_right(make_night):
    """The period grows all through the night: in the middle the beats lie a whole swing off the mean's line."""
    reading = make_night(3, hours=9, missed=0.1)
    number = reading.swings.number
    period_s = float(reading.period_s.nominal_value)
    drift = (number - number.mean()) ** 2 / np.ptp(number) ** 2  # 0 to 0.25
    off_s = 1.5 * period_s * drift * 4
    assert np.ptp(off_s) > period_s
    swings = replace(reading.swings, time_s=reading.swings.time_s + off_s - off_s[0])
    back = reading_from_document(document(replace(reading, swings=swings)))
    assert np.ptp(back.swings.number - number) == 0


def test_levels_of_the_sounds_come_back_out_of_a_document(make_night):
    from torsionbeat.reading.document import reading_document

    reading = make_night(3, hours=1, missed=0.1)
    levels = reading.events.level_db.copy()
    back = reading_from_document(json.loads(json.dumps(reading_document(reading))))
    assert len(back.events) == len(reading.events)
    np.testing.assert_allclose(back.events.time_s, reading.events.time_s, atol=1e-6)
    np.testing.assert_array_equal(back.events.kind, reading.events.kind)
    np.testing.assert_array_equal(back.events.side, reading.events.side)
    np.testing.assert_allclose(back.events.level_db, levels, atol=0.051)  # kept to a tenth of a decibel


def test_numbers_and_passages_of_the_document_are_taken_as_they_are(make_night):
    reading = make_night(3, hours=1, missed=0.1)
    from torsionbeat.reading.document import reading_document

    back = reading_from_document(json.loads(json.dumps(reading_document(reading))))
    for name in ("number", "time_s", "side", "period_s", "lift_passage_s", "arc_deg"):
        np.testing.assert_array_equal(getattr(back.swings, name), getattr(reading.swings, name))
    assert back.arc_deg.std_dev == reading.arc_deg.std_dev


def test_numbers_are_right_where_side_b_was_heard_first_and_the_beat_is_far_out(make_night):
    reading = make_night(3, hours=1)
    whole = document(reading)
    rows = whole["swings"][1:]
    for row in rows:
        row["time_s"] += 8.0 if row["side"] == "b" else 0.0  # 16 s of 60 between the two intervals
    whole["swings"] = rows
    numbers = reading_from_document(whole).swings.number
    assert list(numbers[:4]) == [1, 2, 3, 4]
    assert np.all(np.diff(numbers) == 1)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema": 2}, "its schema is 2, not 1"),
        ({"period_s": {"value": 3}}, "cannot be understood .*standard_uncertainty"),
        ({"swings": [{"side": "a"}, 3]}, "cannot be understood"),
        ({"timebase": "unknown"}, "cannot be understood"),
    ],
)
def test_what_is_no_reading_is_refused_in_words(make_night, change, words):
    with pytest.raises(InputError, match=words):
        reading_from_document(document(make_night(3, hours=1)) | change)


def test_sides_exchanged_turn_the_beat_error_and_nothing_else(make_night):
    night = Night(make_night(3, hours=1))
    turned = with_sides_swapped(night).reading
    assert turned.beat_error_ms.nominal_value == -night.reading.beat_error_ms.nominal_value
    assert turned.offset_deg.nominal_value == -night.reading.offset_deg.nominal_value
    assert turned.swings.side[0] != night.reading.swings.side[0]
    np.testing.assert_array_equal(turned.swings.number % 2 == 1, turned.swings.side == "b")
    assert turned.rate_s_per_day is night.reading.rate_s_per_day


def test_a_group_without_nights_is_refused():
    with pytest.raises(InputError, match="without any recording"):
        Group(())
