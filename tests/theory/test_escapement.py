"""The drive's effect on the period against a simulated balance."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import brentq

from torsionbeat.errors import InputError
from torsionbeat.theory import escapement
from torsionbeat.theory.decay import arc_at_deg, damping_lengthening

PERIOD_S = 15.0
OMEGA = 2 * math.pi / PERIOD_S


def test_airy_integral_against_the_integrated_balance():
    """A push from -20 to +60 deg whichever way the balance goes: energy is kept, the time is an integral."""
    push, half = 1e-3 * OMEGA**2 * 135, 135.0

    # Time between turning points from the energy integral, split where the push begins and ends.
    def speed2(angle: float, start: float) -> float:
        potential = 0.5 * OMEGA**2 * (start**2 - angle**2)
        return 2 * (potential + push * (min(max(angle, -20), 60) + 20))

    end = brentq(lambda a: speed2(a, -half), 60, 200, xtol=1e-13)
    edges = [-half, -20.0, 60.0, end]
    swing = 0.0
    node, weight = np.polynomial.legendre.leggauss(400)
    for low, high in pairwise(edges):
        # x = middle + reach sin(u) takes the square-root singularities of the turning points out.
        u = np.pi / 2 * node
        angle = (low + high) / 2 + (high - low) / 2 * np.sin(u)
        step = (high - low) / 2 * np.cos(u) * np.pi / 2 * weight
        swing += float(np.sum(step / np.sqrt([speed2(a, -half) for a in angle])))
    exact = swing / (PERIOD_S / 2) - 1

    phases = [math.degrees(math.asin(-20 / half)), math.degrees(math.asin(60 / half))]
    # Here the drive acts on the way out alone; on the way back the same push does the same again.
    found = 2 * escapement.drive_lengthening(
        lambda p: push * ((p < phases[1]) | (p > 360 + phases[0])),
        270,
        PERIOD_S,
        [phases[1], 360 + phases[0]],
    )
    # First order in push / (omega^2 A) = 1e-3; the second order is as large as the arc's growth.
    assert found == pytest.approx(exact, rel=5e-3)


def test_driven_and_damped_balance_keeps_the_period_of_the_law():
    """Limit cycle with viscous loss and a kick after the middle of each swing, from kick to kick."""
    q, after = 100.0, 10.0
    half = 135.0
    damping = OMEGA / (2 * q)
    ring = math.sqrt(OMEGA**2 - damping**2)

    def state(t, angle, speed):
        c, s, left = math.cos(ring * t), math.sin(ring * t), math.exp(-damping * t)
        later = left * (angle * (c + damping / ring * s) + speed * s / ring)
        return later, left * (speed * (c - damping / ring * s) - angle * OMEGA**2 * s / ring)

    def swing(speed_before):
        """From just before a kick at +after to the same place mirrored; (time, speed there)."""
        start = kick(speed_before)
        time = brentq(lambda t: state(t, after, start)[0] + after, 0.3 * PERIOD_S, 0.6 * PERIOD_S, xtol=1e-14)
        return time, -state(time, after, start)[1]

    # Energy of the kick, chosen so that the amplitude settles at about 135 deg.
    lost = 0.5 * OMEGA**2 * half**2 * (1 - math.exp(-math.pi / q))

    def kick(speed):
        return math.sqrt(speed**2 + 2 * lost)

    speed = OMEGA * half
    for _ in range(4000):
        time, speed = swing(speed)
    # Amplitude half way between what it is before and after the kick, as the law knows only one.
    arc = 2 * math.sqrt(after**2 + (speed**2 + kick(speed) ** 2) / 2 / OMEGA**2)
    found = 2 * time / PERIOD_S - 1 - damping_lengthening(q)
    law = escapement.short_impulse_rate_s_per_day(q, after, arc) / -86400
    # Third order in 1 / Q, relative 1 / Q^2 and cross terms of the loss of one swing squared (3e-2)^2.
    assert found == pytest.approx(law, rel=2e-3)


def test_integrated_push_agrees_with_the_closed_form():
    push = 0.05
    for before, after in ((10, 30), (30, 10), (-5, 25)):
        start, end = (math.degrees(math.asin(x / 135)) for x in (-before, after))

        def drive(phase, start=start, end=end):
            out = ((phase >= start) & (phase <= end)) | (phase >= 360 + start)
            back = (phase >= 180 + start) & (phase <= 180 + end)
            return push * (1.0 * out - 1.0 * back)

        steps = [s % 360 for s in (start, end, 180 + start, 180 + end)]
        closed = escapement.steady_push_lengthening(push, before, after, 270, PERIOD_S)
        # Gauss's rule on smooth pieces is exact to rounding.
        assert escapement.drive_lengthening(drive, 270, PERIOD_S, steps) == pytest.approx(closed, rel=1e-10)


def test_push_that_replaces_the_loss_is_the_same_formula():
    q, before, after, half = 300.0, 3.0, 12.0, 135.0
    push = math.pi * OMEGA**2 * half**2 / (2 * q * (before + after))
    assert escapement.impulse_lengthening(q, before, after, 270) == pytest.approx(
        escapement.steady_push_lengthening(push, before, after, 270, PERIOD_S), rel=1e-12
    )


def test_short_impulse_is_the_limit_and_symmetric_impulse_costs_nothing():
    short = escapement.impulse_rate_s_per_day(500, -4.999, 5.001, 270)
    # Curvature over 0.002 deg is 1e-10 of it.
    assert short == pytest.approx(escapement.short_impulse_rate_s_per_day(500, 5, 270), rel=1e-8)
    assert escapement.impulse_rate_s_per_day(500, 8, 8, 270) == 0
    assert escapement.short_impulse_rate_s_per_day(500, 0, 270) == 0


def test_late_impulse_loses_and_early_gains():
    assert escapement.impulse_rate_s_per_day(500, 2, 8, 270) < 0
    assert escapement.impulse_rate_s_per_day(500, 8, 2, 270) > 0
    assert escapement.short_impulse_rate_s_per_day(500, -5, 270) > 0


def test_restoring_drive_is_a_stiffer_spring():
    """A drive of -e w^2 theta is a spring stiffer by e: the period is shorter by e / 2."""
    drive = 1e-6 * OMEGA**2 * 135

    def spring(phase):
        return -drive * np.sin(np.radians(phase))

    # Second order in e is 1e-12.
    assert escapement.drive_lengthening(spring, 270, PERIOD_S) == pytest.approx(-0.5e-6, rel=1e-10)


def test_drag_alone_leaves_the_period_to_first_order():
    drag = escapement.drive_lengthening(lambda phase: -np.cos(np.radians(phase)), 270, PERIOD_S)
    assert drag == pytest.approx(0, abs=1e-15)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: escapement.impulse_lengthening(100, 5, -5, 270),
            r"impulse from -5 to -5 deg; it must end after",
        ),
        (lambda: escapement.impulse_lengthening(100, 5, 140, 270), r"impulse from -5 to 140 deg; .*135 deg"),
        (
            lambda: escapement.impulse_lengthening(0, 5, 6, 270),
            r"Q is 0; it must be a finite number above 0.5",
        ),
        (lambda: escapement.short_impulse_rate_s_per_day(100, 135, 270), r"within half the arc, 135 deg"),
        (
            lambda: escapement.drive_lengthening(lambda p: np.full_like(p, np.inf), 270, 15),
            r"drive is not finite",
        ),
        (lambda: escapement.drive_lengthening(np.sin, 270, 15, [400]), r"phase of a step is 400 deg"),
        (lambda: escapement.steady_push_lengthening(np.nan, 1, 2, 270, 15), r"push is nan deg/s2"),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_energy_and_power():
    """Half kappa A^2 is the same energy; a loss of 2 pi / Q of it in each period is the power."""
    inertia, arc, q = 404_457.0, 270.0, 725.0
    kappa = inertia * 1e-9 * (2 * math.pi / PERIOD_S) ** 2
    energy = escapement.swing_energy_uj(inertia, arc, PERIOD_S)
    assert energy == pytest.approx(0.5e6 * kappa * math.radians(135) ** 2, rel=1e-12)
    after_one = escapement.swing_energy_uj(
        inertia, arc_at_deg(PERIOD_S, arc, math.pi / (q * PERIOD_S)), PERIOD_S
    )
    # First order in the loss of a period, 2 pi / Q = 0.9 %.
    assert escapement.drive_power_uw(inertia, arc, PERIOD_S, q) == pytest.approx(
        (energy - after_one) / PERIOD_S, rel=0.01
    )
    assert escapement.energy_per_day_mj(inertia, arc, PERIOD_S, q) == pytest.approx(
        86.4 * escapement.drive_power_uw(inertia, arc, PERIOD_S, q), rel=1e-12
    )


def test_inertia_below_nothing_is_refused():
    with pytest.raises(InputError, match=r"inertia is -1 g mm2"):
        escapement.swing_energy_uj(-1, 270, 15)
