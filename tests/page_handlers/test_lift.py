"""The lift from an arc counted by eye: the lift that makes the heard passage that arc, kept in the clock's record."""

from __future__ import annotations

import math

import pytest

from torsionbeat.benchlog import open_log


@pytest.fixture
def heard(read):
    """A reading of 40 beats whose passage is that of a lift of 20 degrees at an arc of 430."""
    passage = 60 / math.pi * math.asin(20 / 430)
    swings = [
        {
            "time_s": 30.0 * n,
            "side": "ab"[n % 2],
            "period_s": 60.0,
            "lift_passage_s": passage,
            "arc_deg": 430.0,
        }
        for n in range(40)
    ]
    return read(0.0, swings=swings, beat_error_ms={"value": 0.0, "standard_uncertainty": 1.0})


def test_an_arc_counted_as_heard_gives_the_lift_it_was_heard_with(page, heard):
    """What is counted a tenth higher takes a lift a tenth larger, for small lifts."""
    for counted, lift in (("430", 20.0), ("473", 22.0)):
        assert page.post("/byhand/lift", of="c-1", counted=counted, clock="Lamp").status == 303
        with open_log(page.log) as log:
            assert log.clock("Lamp").lift_deg == pytest.approx(lift, rel=0.01)


def test_what_gives_no_lift_is_a_sentence(page, heard):
    assert (
        "choose the clock whose lift it is"
        in page.post("/byhand/lift", of="c-1", counted="430").words.lower()
    )
    assert "the arc as counted is not filled in" in page.get("/byhand/lift?of=c-1").words.lower()
    assert page.get("/byhand/lift?of=r-nothing&counted=430").status in (200, 422)


def test_a_clock_that_was_never_read_has_nothing_to_count_with(page):
    assert "has not been read yet" in page.get("/byhand/lift?of=c-1&counted=430").words
