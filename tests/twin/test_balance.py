"""The balance left to itself: closed forms of the free, damped and Duffing swing."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from torsionbeat.twin import (
    Balance,
    Drive,
    Escapement,
)
from torsionbeat.twin.swing import swing_beats


def free(balance: Balance, arc_deg: float, duration_s: float):
    """The swings of a balance with no drive at all."""
    return list(
        swing_beats(
            balance,
            Escapement(lift_deg=10.0),
            Drive(arc_deg=None, push_deg=0.0),
            turning_deg=arc_deg / 2,
            push_deg=0.0,
            duration_s=duration_s,
            rng=np.random.default_rng(0),
        )
    )


def mean_period_s(beats) -> float:
    """From the first to the last middle of the lift of one side."""
    mine = [beat.middle_s for beat in beats if beat.side == beats[0].side]
    return (mine[-1] - mine[0]) / (len(mine) - 1)


def test_a_free_undamped_balance_keeps_its_period_and_arc():
    beats = free(Balance(60.0, q=1e15), 400.0, 3000.0)
    assert mean_period_s(beats) == pytest.approx(60.0, rel=1e-13)
    assert beats[-1].arc_deg == pytest.approx(400.0, rel=1e-12)


def test_drag_lengthens_the_period_and_shrinks_the_arc_as_the_exact_solution_says():
    q = 50.0
    beats = free(Balance(12.0, q=q), 500.0, 240.0)
    root = math.sqrt(1 - 1 / (4 * q * q))
    turns = [b.turn_s for b in beats]
    assert (turns[-1] - turns[0]) / (len(turns) - 1) == pytest.approx(6.0 / root, rel=1e-12)
    shrink = math.exp(-math.pi / (2 * q * root))
    for before, after in pairwise(beats):
        assert after.arc_deg / before.arc_deg == pytest.approx(shrink, rel=1e-11)


def test_dry_rubbing_takes_the_same_angle_from_every_swing_until_the_balance_sticks():
    beats = free(Balance(15.0, q=1e12, dry_friction_deg=2.0), 200.0, 600.0)
    steps = [before.arc_deg - after.arc_deg for before, after in pairwise(beats)]
    # Each turning point lies 2 x 2 deg nearer to rest than the one before, so the arc loses twice that.
    np.testing.assert_allclose(steps, 8.0, atol=1e-9)
    assert beats[-1].arc_deg < 20.0  # and then no more beats come


def test_the_cubic_term_gives_the_duffing_period():
    c, half = 5e-3, math.radians(200.0)

    def slowness(x):  # quarter period of theta'' + theta (1 + c theta^2) = 0 by energy, theta = half sin x
        return 1 / math.sqrt(1 + 0.5 * c * half**2 * (1 + math.sin(x) ** 2))

    exact = 4 * quad(slowness, 0, math.pi / 2, epsabs=1e-13)[0] / (2 * math.pi) * 15.0
    beats = free(Balance(15.0, q=1e14, cubic_per_rad2=c), 400.0, 300.0)
    assert mean_period_s(beats) == pytest.approx(exact, rel=1e-10)


def test_published_amplitude_effect_of_a_strip():
    # Worked strip: k3 / kappa = 1.1111e-9 / 7.0966e-5 per rad^2, 270 deg from rest: dT/T = -1.30356e-4 by
    # quadrature of the Duffing period (O. Belluzzi, Scienza delle costruzioni, par. 161, for the cubic term).
    c = 1.1111e-9 / (7.035300e-5 + 6.129156e-07)
    beats = free(Balance(15.0, q=1e14, cubic_per_rad2=c), 540.0, 300.0)
    assert mean_period_s(beats) / 15.0 - 1 == pytest.approx(-1.30356e-4, rel=1e-4)  # c is known to 5 digits
