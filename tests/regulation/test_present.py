"""The clock as it was last read, from documents, readings and rates."""

from __future__ import annotations

import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.regulation.present import from_document, from_rate


def document(**changes):
    return {
        "schema": 1,
        "recording": {"name": "shelf.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
        "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.87},
        "clock": {"nominal_period_s": 15.0, "lift_deg": 20.0},
        "period_s": {"value": 14.99, "standard_uncertainty": 1e-4},
        "rate_s_per_day": {"value": 57.64, "standard_uncertainty": 2.6},
        "beat_error_ms": {"value": 20.0, "standard_uncertainty": 0.3},
        "arc_deg": {"value": 280.0, "standard_uncertainty": 0.5},
        "beats": {"expected": 480, "heard": 480},
        "swings": [],
    } | changes


def test_a_document_gives_its_figures():
    present = from_document(document())
    assert present.rate_s_per_day.nominal_value == 57.64
    # 28.87 ppm is 2.49 s/day, and leaves the rest of 2.6 as the reading's own.
    assert present.timebase_s_per_day == pytest.approx(28.87 * 0.0864)
    assert present.own_s_per_day == pytest.approx((2.6**2 - 2.494**2) ** 0.5, rel=0.01)
    assert present.clock.lift_deg == 20
    assert present.beat_time_s is None


def test_another_nominal_period_gives_another_rate():
    present = from_document(document(), nominal_period_s=14.99)
    assert present.rate_s_per_day.nominal_value == pytest.approx(0, abs=1e-9)


def test_a_missed_contact_does_not_move_its_beat():
    """Of thirty beats one has no contact: its time in the document is its drop's, half a passage later."""
    rows = [
        {"time_s": 7.5 * i, "side": "ab"[i % 2], "period_s": None, "arc_deg": 280, "lift_passage_s": 0.3}
        for i in range(30)
    ]
    rows[12] |= {"time_s": 7.5 * 12 + 0.15, "lift_passage_s": None, "arc_deg": None}
    present = from_document(document(swings=rows))
    assert present.beat_time_s == pytest.approx(7.5 * present.beat_number)


def test_swings_are_numbered():
    rows = [
        {"time_s": 7.495 * i, "side": "ab"[i % 2], "period_s": None, "arc_deg": 280} for i in (0, 1, 3, 4)
    ]
    present = from_document(document(swings=rows))
    assert [number - present.beat_number[0] for number in present.beat_number] == [0, 1, 3, 4]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ([1, 2], "no reading but a list"),
        ({"schema": 2}, "its schema is 2"),
        (document(rate_s_per_day=None, period_s=None), "no rate and no period"),
        (document(rate_s_per_day=None, clock={}), "nominal period is not known"),
        (document(rate_s_per_day={"value": 90_000, "standard_uncertainty": 1}), "14400 s/day"),
    ],
)
def test_what_is_no_reading_is_refused(given, says):
    with pytest.raises(InputError, match=says):
        from_document(given)


def test_what_is_known_of_the_clock_fills_in():
    present = from_rate(ufloat(12, 1)).with_clock(nominal_period_s=60.0, knock_arc_deg=600.0, lift_deg=None)
    assert present.clock.nominal_period_s == 60
    assert present.clock.knock_arc_deg == 600
