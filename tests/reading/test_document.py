"""A reading as JSON and CSV: complete, plain, and readable again."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.history.nights import reading_from_document
from torsionbeat.reading.document import reading_document, write_events
from torsionbeat.reading.figures import Events, Timebase

FIGURES = ("period_s", "rate_s_per_day", "beat_error_ms", "offset_deg", "arc_deg", "arc_trend_deg_per_hour")


@pytest.fixture(scope="module")
def plain(make_night):
    return make_night(1, hours=0.5, remarks=("A doubt.", "Another."))


def test_document_comes_back_as_the_same_reading(plain):
    text = json.dumps(reading_document(plain), allow_nan=False)
    back = reading_from_document(json.loads(text))
    for name in FIGURES:
        mine, other = getattr(plain, name), getattr(back, name)
        assert (mine.nominal_value, mine.std_dev) == (other.nominal_value, other.std_dev), name
    for name in ("recording", "clock", "remarks", "beats_expected", "beats_heard"):
        assert getattr(back, name) == getattr(plain, name)
    for name, column in plain.swings.columns().items():
        np.testing.assert_array_equal(column, back.swings.columns()[name], name)


def test_document_has_the_names_that_other_programs_read(plain):
    import torsionbeat

    document = reading_document(plain)
    assert document["schema"] == 1
    assert document["torsionbeat"] == torsionbeat.__version__
    assert set(document["recording"]) == {
        "name",
        "duration_s",
        "sample_rate_hz",
        "channels",
        "gaps",
        "recorder",
    }
    assert set(document["timebase"]) >= {"source", "offset_ppm", "standard_uncertainty_ppm"}
    assert set(document["clock"]) >= {"nominal_period_s", "lift_deg"}
    assert set(document["beats"]) == {"expected", "heard"}
    for name in FIGURES:
        assert set(document[name]) == {"value", "standard_uncertainty"}
    assert set(document["swings"][0]) >= {"time_s", "side", "period_s", "arc_deg"}
    assert document["remarks"] == ["A doubt.", "Another."]


def test_gaps_are_pairs_of_seconds(plain):
    holed = replace(plain, recording=replace(plain.recording, gaps=((10.0, 12.5), (60.0, 61.0))))
    document = json.loads(json.dumps(reading_document(holed)))
    assert document["recording"]["gaps"] == [[10.0, 12.5], [60.0, 61.0]]
    assert reading_from_document(document).recording.gaps == holed.recording.gaps


def test_figures_not_measured_are_null(make_night):
    silent = make_night(2, hours=0.5, contact=False)
    document = reading_document(silent)
    for name in ("offset_deg", "arc_deg", "arc_trend_deg_per_hour"):
        assert document[name] is None
    assert all(row["arc_deg"] is None for row in document["swings"])
    assert document["swings"][0]["period_s"] is None
    json.dumps(document, allow_nan=False)


def test_events_as_csv(plain):
    file = io.StringIO()
    write_events(plain.events, file)
    rows = list(csv.DictReader(io.StringIO(file.getvalue())))
    assert list(rows[0]) == ["time_s", "side", "kind", "level_db"]
    assert len(rows) == len(plain.events) > 0
    assert {row["kind"] for row in rows} == {"contact", "drop"}
    assert {row["side"] for row in rows} == {"a", "b"}
    np.testing.assert_allclose([float(row["time_s"]) for row in rows], plain.events.time_s, atol=1e-6)
    np.testing.assert_allclose([float(row["level_db"]) for row in rows], plain.events.level_db, atol=0.051)


@pytest.mark.parametrize("synchronised", [True, False, None])
def test_host_clock_says_whether_it_was_kept_by_network_time(plain, synchronised):
    reading = replace(plain, timebase=Timebase("host clock", 1.5, 0.2, synchronised))
    document = json.loads(json.dumps(reading_document(reading)))
    assert document["timebase"]["synchronised"] is synchronised
    assert reading_from_document(document).timebase == reading.timebase


def test_other_timebases_have_nothing_to_say_of_the_computers_clock(plain):
    timebase = reading_document(replace(plain, timebase=Timebase("stated", 1.5, 0.2)))["timebase"]
    assert timebase == {"source": "stated", "offset_ppm": 1.5, "standard_uncertainty_ppm": 0.2}


def test_a_level_is_given_only_where_that_sound_was_heard(plain):
    """The drop of the fifth beat is missing from the sounds: no other beat's drop stands in for it."""
    swings, events = plain.swings, plain.events
    missing = swings.time_s[4] + swings.lift_passage_s[4] / 2
    keep = ~((events.kind == "drop") & (np.abs(events.time_s - missing) < 0.1))
    assert np.count_nonzero(~keep) == 1
    fewer = Events(*(column[keep] for column in (events.time_s, events.side, events.kind, events.level_db)))
    rows = reading_document(replace(plain, events=fewer))["swings"]
    assert rows[4]["drop_db"] is None
    assert rows[4]["contact_db"] is not None
    assert rows[5]["drop_db"] == pytest.approx(float(events.level_db[events.kind == "drop"][5]), abs=0.06)
