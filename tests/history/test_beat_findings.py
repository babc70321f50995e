"""Signs in the beat at their thresholds, and what the rate is said to follow."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.beat_findings import follow_signs, side_signs, slip_signs
from torsionbeat.reading.figures import Swings

PERIOD_S = 60.0


def swings(count=480, *, error_ms=None, arc=None, longer=1.0, period_s=PERIOD_S, scatter_ms=0.2, seed=1):
    """Beats of a clock whose beat error (ms) and arc (deg) may change from beat to beat."""
    rng = np.random.default_rng(seed)
    number = np.arange(count)
    side = np.where(number % 2 == 0, "a", "b")
    error = np.zeros(count) if error_ms is None else np.asarray(error_ms, float)
    middle = number * period_s / 2 + np.where(side == "b", 0.5, -0.5) * error / 1e3
    middle = middle + rng.normal(0, scatter_ms / 1e3, count)
    passage = np.where(side == "b", longer, 1.0) * 0.30 + rng.normal(0, 1e-3, count)
    arcs = np.full(count, 430.0) if arc is None else np.asarray(arc, float)
    return Swings(number, middle, list(side), np.full(count, np.nan), passage, arcs)


def reading(table, *, arc=430.0, offset=None, louder=None):
    return SimpleNamespace(
        swings=table,
        arc_deg=None if arc is None else ufloat(arc, 1.0),
        offset_deg=None if offset is None else ufloat(offset, 0.05),
        rate_s_per_day=ufloat(10.0, 0.1),
        louder=louder,
    )


def night(one, temperature_c=None):
    return SimpleNamespace(reading=one, temperature_c=temperature_c)


@pytest.fixture
def between(monkeypatch):
    """Let a reading say itself how much louder side b is."""
    monkeypatch.setattr("torsionbeat.history.beat_findings.between_sides_db", lambda one, _: one.louder)


@pytest.mark.parametrize(
    ("louder", "said"),
    [
        (ufloat(8.1, 0.5), "The drop of side b is louder than that of side a."),
        (ufloat(-8.1, 0.5), "The drop of side a is louder than that of side b."),
        (ufloat(7.9, 0.5), None),
        (ufloat(8.1, 2.5), None),  # 3.24 standard uncertainties are not sure enough
        (None, None),
    ],
)
@pytest.mark.usefixtures("between")
def test_one_side_louder(louder, said):
    found = [one for one in side_signs(reading(swings(), louder=louder)) if one.sign == "one side louder"]
    assert [one.what for one in found] == ([] if said is None else [said])
    if said:
        assert "by 8.1 ± 1.0 dB" in found[0].evidence[0]


@pytest.mark.parametrize(
    ("longer", "said"),
    [
        (1.06, "The lift passage of side b is longer than that of side a."),
        (0.94, "The lift passage of side a is longer than that of side b."),
        (1.03, None),
    ],
)
@pytest.mark.usefixtures("between")
def test_one_side_longer(longer, said):
    found = list(side_signs(reading(swings(longer=longer))))
    assert [one.what for one in found] == ([] if said is None else [said])
    if said:
        assert found[0].evidence[0].startswith("by 6.")  # 0.28 over 0.30 is 6.4 % of the shorter, 6.0 of a
        assert f"side a 300 ms, side b {300 * longer:.0f} ms" in found[0].evidence[1]


def test_a_beat_that_slips_within_the_night_says_from_where_to_where():
    """Half of the night at 0, then 60 ms: with 430 deg and 60 s that is 215 sin(pi 0.06 / 60) = 0.68 deg."""
    step = np.where(np.arange(480) < 240, 0.0, 60.0)
    (found,) = slip_signs([night(reading(swings(error_ms=step)))])
    assert found.sign == "beat slips"
    assert "the offset went from 0.00 to 0.68 deg within the night" in found.evidence[0]
    (in_ms,) = slip_signs([night(reading(swings(error_ms=step * 1.05), arc=None))])
    assert "the beat error went from 0.0 to 63.0 ms within the night" in in_ms.evidence[0]
    assert not list(slip_signs([night(reading(swings(error_ms=step / 2)))]))  # 0.34 deg
    assert not list(slip_signs([night(reading(swings(error_ms=step * 0.95), arc=None))]))  # 57 of 60 ms


def test_a_beat_that_slips_from_night_to_night():
    still = swings()
    first, last = reading(still, offset=0.5), reading(still, offset=1.6)
    (found,) = slip_signs([night(first), night(reading(still)), night(last)])
    assert "the offset went from 0.50 ± 0.10 to 1.60 ± 0.10 deg over 2 readings" in found.evidence[0]
    assert "a change of 1.10 ± 0.14 deg" in found.evidence[1]
    assert not list(slip_signs([night(first), night(reading(still, offset=1.4))]))
    assert not list(slip_signs([night(last)]))
    assert not list(slip_signs([]))


def many(rates, arcs=None, kelvin=None):
    few = swings(6)
    return [
        SimpleNamespace(
            reading=SimpleNamespace(
                swings=few,
                arc_deg=None if arcs is None else ufloat(arcs[i], 1.0),
                rate_s_per_day=ufloat(rate, 0.1),
            ),
            temperature_c=None if kelvin is None else kelvin[i],
        )
        for i, rate in enumerate(rates)
    ]


ARCS = np.array([420.0, 432.0, 424.0, 438.0, 427.0, 441.0, 423.0, 436.0])


def test_a_rate_that_follows_the_arc_is_found_with_its_slope():
    rng = np.random.default_rng(5)
    rates = 10 - 0.25 * (ARCS - 430) + rng.normal(0, 0.1, 8)
    (found,) = follow_signs(many(rates, ARCS))
    assert found.sign == "rate follows arc"
    assert found.evidence[0].startswith("-0.2")
    assert "over 8 nights, correlation -1.00" in found.evidence[0]
    assert "the 21 deg between the smallest and the largest arc make 5." in found.evidence[1]
    assert not list(follow_signs(many(rates[:5], ARCS[:5])))  # five nights are too few
    assert not list(follow_signs(many(10 - 0.06 * (ARCS - 430), ARCS)))  # less than a sound strip may make


def test_a_rate_that_follows_the_temperature_is_clear_from_ten_nights_on():
    kelvin = 20 + np.array([0.0, 2.0, 0.5, 3.0, 1.0, 2.5, 0.2, 2.8, 0.9, 3.1])
    rng = np.random.default_rng(6)
    rates = 10 + 1.5 * kelvin + rng.normal(0, 0.1, 10)
    (found,) = follow_signs(many(rates, None, kelvin))
    assert (found.sign, found.sure) == ("rate follows temperature", "clear")
    assert found.evidence[0].startswith("1.5")
    assert "the 3.1 K between them make 4." in found.evidence[1]
    (fewer,) = follow_signs(many(rates[:9], None, kelvin[:9]))
    assert fewer.sure == "likely"
    assert not list(follow_signs(many(10 + 0.4 * kelvin, None, kelvin)))  # 1.2 s a day are too little
