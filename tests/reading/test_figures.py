"""The values a reading is made of: how they print, and that they cannot be changed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from torsionbeat.history.nights import reading_from_document
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Events, OwnSides, Swings


def test_a_reading_prints_as_one_line_of_figures(make_night):
    said = repr(make_night(61, hours=1.0))
    assert len(said) < 240
    for part in ("night.flac", "period 59.990", "rate 14.", "beat error", "arc 43", "120 of 120 beats heard"):
        assert part in said
    assert "array" not in said


def test_tables_print_their_length(make_night):
    reading = make_night(61, hours=1.0)
    assert repr(reading.swings).startswith("<Swings: 120 beats, ")
    assert repr(reading.events).startswith("<Events: 240 sounds, ")
    assert repr(Events([], [], [], [])) == "<Events: no sounds>"
    assert repr(Swings([], [], [], [], [], [])) == "<Swings: no beats>"


def test_arrays_cannot_be_written_to(make_night):
    with pytest.raises(ValueError, match="read-only"):
        make_night(61, hours=1.0).swings.time_s[0] = 0.0


def test_whose_letters_they_are_is_in_the_document(make_night):
    reading = make_night(61, hours=1.0)
    assert reading_document(reading)["sides"] is None
    own = OwnSides(0.998, "towards the window", "away from the window")
    document = reading_document(replace(reading, sides=own))
    assert document["sides"] == {"probability": 0.998, "a": "towards the window", "b": "away from the window"}
    assert reading_from_document(document).sides == own
