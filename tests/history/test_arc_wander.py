"""How far an arc wanders: pinned against the balance's memory, and against many recordings of one clock."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.arc_wander import MEMORY_PERIODS, MOVE_FREEDOM, arc_spread, arc_wander_deg
from torsionbeat.reading.figures import Swings
from torsionbeat.theory.rate import student_factor

PERIOD_S = 60.0


@pytest.fixture(scope="module")
def recording(make_night):
    base = make_night(1, hours=0.2)

    def of(arcs):
        number = np.arange(len(arcs))
        blank = np.full(len(arcs), np.nan)
        swings = Swings(number, PERIOD_S / 2 * number, np.where(number % 2, "b", "a"), blank, blank, arcs)
        return replace(base, swings=swings, period_s=ufloat(PERIOD_S, 1e-4))

    return of


def remembering(rng, beats, sigma, memory_beats):
    kept = math.exp(-1 / memory_beats)
    out = np.empty(beats)
    out[0] = sigma * rng.standard_normal()
    for row in range(1, beats):
        out[row] = kept * out[row - 1] + sigma * math.sqrt(1 - kept * kept) * rng.standard_normal()
    return out


def test_a_short_recording_s_movement_is_carried_to_the_memory(recording):
    """S^2 = 3 m s^2 / T: twelve blocks of a straight rise by 11 deg have a standard deviation of sqrt(13) deg."""
    arcs = np.repeat(np.arange(12.0), 10) + 300
    found = arc_wander_deg(recording(arcs))
    span = 119 * PERIOD_S / 2
    carried = math.sqrt(13) * math.sqrt(3 * MEMORY_PERIODS * PERIOD_S / span)
    assert found == pytest.approx(
        student_factor(MOVE_FREEDOM) * carried, rel=0.02
    )  # a beat falls to its neighbour's block


def test_the_interval_holds_the_usual_arc(recording):
    """An arc that remembers 240 beats, heard for 60 of them: how far its mean lies from the usual one."""
    held = 0
    for seed in range(200):
        rng = np.random.default_rng([seed, 5])
        arcs = 300 + remembering(rng, 60, 2.0, 2 * MEMORY_PERIODS) + 0.1 * rng.standard_normal(60)
        held += abs(arcs.mean() - 300) <= 1.96 * arc_wander_deg(recording(arcs))
    assert held >= 180  # 90 of 100
    few = recording(np.full(8, 300.0))
    assert arc_wander_deg(few) == 0.0


def test_spread_of_the_means_and_the_share_of_single_sounds(recording):
    """White arcs of 3 deg: means of six have 3/sqrt(6), and all of that is the sounds'."""
    rng = np.random.default_rng(3)
    night = recording(300 + 3.0 * rng.standard_normal(1152))
    spread, share = arc_spread([night])
    assert spread.value == pytest.approx(3 / math.sqrt(12), rel=0.25)  # 96 means of twelve
    assert share > 0.7
    calm = recording(300 + remembering(rng, 1152, 3.0, 240.0))
    assert arc_spread([calm])[1] < 0.1


def test_freedom_is_that_of_the_memory(recording):
    """1152 beats of half a minute are 4.8 memories of two hours: so many degrees of freedom, and two."""
    rng = np.random.default_rng(4)
    night = recording(300 + remembering(rng, 1152, 3.0, 30.0) + 0.2 * rng.standard_normal(1152))
    spread, _ = arc_spread([night])
    assert spread.freedom == pytest.approx(2 + 1151 * 30 / (MEMORY_PERIODS * PERIOD_S), rel=1e-6)
    assert arc_spread([recording(np.full(30, 300.0))])[0] is None
