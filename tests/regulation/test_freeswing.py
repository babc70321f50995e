"""The free swing: trade facts, laws told apart, coverage, published decays, and passages that sound."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.freeswing import (
    arcs_from_counts,
    arcs_from_mark,
    arcs_from_passages,
    free_swing,
)
from torsionbeat.theory import decay
from torsionbeat.theory.decay import arc_at_deg
from torsionbeat.theory.rate import student_factor
from torsionbeat.twin import Balance, Drive, TwinClock


def swing(air=0.0, dry=0.0, *, noise=1.0, n=40, span_s=7200.0, start=400.0, seed=1):
    time = np.linspace(0, span_s, n)
    arc = arc_at_deg(time, start, air, dry)
    return time, arc + np.random.default_rng(seed).normal(0, noise, n)


def test_twenty_ornaments_thirty_degrees_apart_are_six_hundred():
    assert arcs_from_counts([20], 30)[0] == 600  # common practice, no source


def test_four_hundred_to_three_hundred_thirty_in_half_an_hour():
    # Common practice, no source: at a period of 60 s that is a Q of about 490.
    result = free_swing([0, 1800], [400, 330], period_s=60)
    assert result.q.nominal_value == pytest.approx(490, abs=1)
    assert result.law == "open"
    assert "two arcs fit any law" in result.sentences[0]
    # Q T / pi, and ln 2 of it.
    assert result.settling_time_s.nominal_value == pytest.approx(
        900 / math.log(400 / 330)
    )  # half of the fall
    assert result.half_life_s.nominal_value == pytest.approx(1800 * math.log(2) / math.log(400 / 330))


def test_published_decay_of_a_quarter_in_three_hundred_oscillations():
    # -25 % over 300 oscillations: decrement 9.59e-4 (a solved textbook problem), Q = pi / decrement.
    result = free_swing([0, 300], [100, 75], period_s=1.0, reading_error_deg=0.1)
    assert math.pi / result.q.nominal_value == pytest.approx(9.59e-4, abs=1e-6)


def test_half_the_arc_in_forty_minutes():
    # T 15 s, 270 to 135 deg in 40 min: Q 725.2 (recomputed: pi 160 / ln 2).
    time, arc = swing(math.log(2) / 2400, noise=0.3, span_s=3600, start=270)
    result = free_swing(time, arc, 15.0)
    assert result.law == "air"
    assert abs(result.q.nominal_value - 725.2) < 3 * result.q.std_dev
    assert result.q.std_dev < 2


def test_dry_rubbing_is_told_from_air_drag():
    time, arc = swing(0, 0.02, noise=0.5)
    result = free_swing(time, arc, 60.0)
    assert result.law == "dry"
    assert "Something touches" in result.sentences[0]
    assert result.loss_deg_per_swing.nominal_value == pytest.approx(0.02 * 30, rel=0.01)
    assert result.half_life_s.nominal_value == pytest.approx(200 / 0.02, rel=0.01)


def test_both_together_are_told_with_their_shares():
    time, arc = swing(1e-4, 0.02, noise=0.2, n=200, span_s=9000)
    result = free_swing(time, arc, 60.0, at_arc_deg=200)
    assert result.law == "both"
    # 0.02 of 0.02 + 1e-4 * 200 deg/s.
    assert abs(result.dry_share.nominal_value - 0.5) < 3 * result.dry_share.std_dev
    assert result.dry_share.std_dev < 0.05


def test_a_short_swing_does_not_tell():
    time, arc = swing(1e-4, noise=1.0, n=8, span_s=1200)
    result = free_swing(time, arc, 60.0)
    assert result.law == "open"
    assert "cannot be told" in result.sentences[0]


def test_intervals_hold_the_truth_and_the_law_is_right():
    truth = math.pi / (1.3e-4 * 60)
    held = wrong = 0
    for seed in range(200):
        time, arc = swing(1.3e-4, noise=2.0, n=12, seed=seed)
        result = free_swing(time, arc, 60.0)
        held += abs(result.q.nominal_value - truth) <= 1.96 * result.q.std_dev
        wrong += result.law in ("dry", "both")
    # 95 of 100; choosing the law by the same data costs a little.
    assert 90 <= held / 2 <= 99
    assert wrong <= 10  # odds of 20 to 1


def test_a_twin_let_go_without_a_drive():
    clock = TwinClock(
        Balance(60.0, q=490), drive=Drive(arc_deg=None, push_deg=0.0), start_arc_deg=400, jitter_ms=0.5
    )
    beats, events = _run_free(clock, 5400)
    contact, drop = (events.time_s[events.kind == kind] for kind in ("contact", "drop"))
    time, arc = arcs_from_passages(contact, drop, 60.0, 20.0)
    # An arc is that of its envelope at the passage; 0.5 ms of jitter in 1 s of passage is 0.3 deg.
    true = np.array([beat.arc_deg for beat in beats])
    assert np.abs(arc - true).max() < 2
    result = free_swing(time, arc, 60.0)
    assert result.law == "air"
    assert abs(result.q.nominal_value - 490) < 3 * result.q.std_dev


def _run_free(clock, duration_s):
    """The twin's beats without a drive: it has no steady swing, so the beats are taken from its motion."""
    from torsionbeat.twin.swing import swing_beats
    from torsionbeat.twin.truth import Events

    beats = [
        beat
        for beat in swing_beats(
            clock.balance,
            clock.escapement,
            clock.drive,
            turning_deg=clock.start_arc_deg / 2,
            push_deg=0.0,
            duration_s=duration_s,
            rng=np.random.default_rng(0),
        )
        if math.isfinite(beat.drop_s) and beat.drop_s < duration_s
    ]
    rng = np.random.default_rng(1)
    rows = sorted(
        (at, beat.side, kind)
        for beat in beats
        for at, kind in ((beat.contact_s, "contact"), (beat.drop_s, "drop"))
    )
    clean = np.array([row[0] for row in rows])
    heard = clean + 5e-4 * rng.standard_normal(len(rows))
    return beats, Events(
        heard, clean, np.array([r[1] for r in rows]), np.array([r[2] for r in rows]), np.zeros(len(rows))
    )


def test_passages_of_a_mark_give_the_arc():
    # theta = A sin(2 pi t / T) passes the mark at asin(mark / A) and at T/2 less that.
    half, mark, period = 180.0, 90.0, 15.0
    first = period / (2 * math.pi) * math.asin(mark / half)
    passages = [k * period + at for k in range(4) for at in (first, period / 2 - first)]
    _, arc = arcs_from_mark(passages, period, mark)
    np.testing.assert_allclose(arc, 360, rtol=1e-9)


def test_power_and_energy():
    # Worked strip A: 404 457 g mm2, 270 deg, 15 s, Q 725: 197 uJ in the swing, 9.8 mJ a day (recomputed).
    time, arc = swing(math.pi / (725 * 15), noise=0.01, span_s=3600, start=290)
    result = free_swing(time, arc, 15.0, at_arc_deg=270, inertia_g_mm2=404_457)
    assert result.energy_per_day_mj.nominal_value == pytest.approx(9.8, abs=0.1)
    assert result.power_nw.nominal_value == pytest.approx(9.8e6 / 86400, rel=0.01)


def test_until_an_arc():
    time, arc = swing(1e-4, noise=0.2)
    result = free_swing(time, arc, 60.0, until_arc_deg=100)
    assert result.until_s.nominal_value == pytest.approx(math.log(4) / 1e-4, rel=0.01)


@pytest.mark.parametrize(
    ("time", "arc", "says"),
    [
        ([0], [400], "1 arc was read; at least 2"),
        ([0, 60], [330, 400], "a free swing dies away"),
        ([0, 60], [330, 330], "a free swing dies away"),
        ([0, 60, 120], [400, 330], "3 times and 2 arcs"),
        ([0, 60], [400, 399.5], "no more than these readings can show"),
        ([0, 60], [4000, 300], "arc is 4000 deg"),
    ],
)
def test_refusals(time, arc, says):
    with pytest.raises(InputError, match=says):
        free_swing(time, arc, 60.0)


def test_missing_passages_of_a_mark_are_refused():
    with pytest.raises(InputError, match="a passage is missing or too much"):
        arcs_from_mark([0, 5, 15, 30, 35], 15.0, 90)


def test_q_is_over_the_laws_and_widened_by_student():
    """Eight arcs of unknown error: every law counts by its weight, and the scatter is known from these eight alone."""
    time = np.arange(8) * 600.0
    arc = np.array([400.0, 372.0, 345.5, 321.0, 298.0, 277.5, 257.0, 239.5])
    result = free_swing(time, arc, 60.0, at_arc_deg=330.0)
    fits = decay.compare_laws(time, arc)
    columns = 3 if fits[0].law == "both" and result.law == "both" else 2
    factor = student_factor(8 - columns)
    expected = decay.q_over_laws(fits, 330.0, 60.0, factor)
    assert factor > 1.2
    assert result.q.nominal_value == pytest.approx(expected.nominal_value, rel=1e-9)
    assert result.q.std_dev == pytest.approx(expected.std_dev, rel=1e-9)
    assert expected.std_dev > 1.05 * decay.q_over_laws(fits, 330.0, 60.0).std_dev
