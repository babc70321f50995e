"""The free swing against an integrated balance and against chance."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.stats import norm

from torsionbeat.errors import InputError
from torsionbeat.theory import decay

PERIOD_S = 15.0


def integrated_arcs(air_per_s: float, dry_share: float, turns: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """Arcs of a balance with viscous drag 2 * air and constant friction, from its turning points.

    ``dry_share`` is the angle (deg) at which spring and friction balance: each swing then loses 4 of it of
    arc (2 of amplitude at either end), the exact Coulomb result.
    """
    omega = 2 * math.pi / PERIOD_S
    angle, time, turning = 135.0, 0.0, [(0.0, 135.0)]
    for turn in range(turns):
        direction = -1 if turn % 2 == 0 else 1

        def stop(t: float, s: np.ndarray) -> float:
            return float(s[1])

        stop.terminal, stop.direction = True, -direction
        friction = -direction * omega**2 * dry_share
        run = solve_ivp(
            lambda t, s, f=friction: [s[1], -(omega**2) * s[0] - 2 * air_per_s * s[1] + f],
            (0, PERIOD_S),
            [angle, direction * 1e-12],
            events=stop,
            rtol=1e-10,
            atol=1e-10,
        )
        angle, time = float(run.y[0, -1]), time + float(run.t[-1])
        turning.append((time, angle))
    times, angles = np.array(turning).T
    return (times[1:] + times[:-1]) / 2, np.abs(np.diff(angles))


@pytest.mark.parametrize(("air", "dry_share"), [(3e-4, 0.0), (0.0, 0.05), (2e-4, 0.03)])
def test_integrated_balance_gives_back_both_losses(air, dry_share):
    time, arc = integrated_arcs(air, dry_share)
    law = "air" if dry_share == 0 else "dry" if air == 0 else "both"
    fit = decay.fit_free_swing(time, arc, law)
    # Friction takes 4 * share of arc from every swing of T/2.
    dry = 4 * dry_share / (PERIOD_S / 2)
    start = decay.arc_at_deg(time - time[0], float(arc[0]), air, dry)
    # Averaging the loss over a swing leaves errors of the square of the loss of one swing, (2e-3)^2 of the
    # arc.
    np.testing.assert_allclose(arc, start, rtol=2e-5)
    found = [getattr(loss, "nominal_value", loss) for loss in (fit.air_per_s, fit.dry_deg_per_s)]
    assert found == pytest.approx([air, dry], rel=2e-3)


def test_air_drag_takes_the_same_share_and_rubbing_the_same_angle():
    times = np.arange(0, 100, 7.5)
    air, dry = decay.arc_at_deg(times, 270, 1e-3), decay.arc_at_deg(times, 270, 0, 0.1)
    np.testing.assert_allclose(air[1:] / air[:-1], math.exp(-7.5e-3), rtol=1e-12)
    np.testing.assert_allclose(np.diff(dry), -0.75, rtol=1e-12)
    assert decay.arc_at_deg(1e6, 270, 0, 0.1) == 0  # at rest, not negative


def test_weak_air_drag_goes_over_into_the_straight_line():
    assert decay.arc_at_deg(1000, 270, 1e-14, 0.1) == pytest.approx(170, rel=1e-10)
    assert decay.time_to_arc_s(270, 170, 1e-9, 0.1) == pytest.approx(
        1000 * (1 - 1e-9 * 220 / 0.1), rel=1e-10
    )  # the mean arc is 220; the next order is the square of this


@pytest.mark.parametrize(("air", "dry"), [(1e-3, 0.0), (0.0, 0.05), (1e-3, 0.05)])
def test_time_to_an_arc_inverts_the_arc_at_a_time(air, dry):
    time = decay.time_to_arc_s(270, [269.0, 200, 20], air, dry)
    np.testing.assert_allclose(decay.arc_at_deg(time, 270, air, dry), [269, 200, 20], rtol=1e-12)


def test_time_to_an_arc_at_its_limits():
    assert decay.time_to_arc_s(270, 270, 1e-3) == 0
    assert math.isinf(decay.time_to_arc_s(270, 100))
    assert math.isinf(decay.time_to_arc_s(270, 0, 1e-3))  # air drag alone never stops it
    assert math.isnan(decay.time_to_arc_s(270, 271, 1e-3))


def test_best_law_is_the_one_that_made_the_arcs():
    rng = np.random.default_rng(11)
    time = np.arange(0, 3000, 7.5)
    noise = rng.normal(0, 1.0, time.size)
    for law, air, dry in (("air", 4e-4, 0.0), ("dry", 0.0, 0.06), ("both", 4e-4, 0.03)):
        fits = decay.compare_laws(time, decay.arc_at_deg(time, 270, air, dry) + noise)
        assert fits[0].law == law
        weights = decay.akaike_weights(fits)
        assert weights[0] == max(weights)
        assert weights.sum() == pytest.approx(1, rel=1e-12)


def test_uncertainties_hold_over_many_swings():
    rng = np.random.default_rng(12)
    time = np.arange(0, 2400, 15.0)
    truth = decay.arc_at_deg(time, 270, 3e-4, 0.02)
    runs, inside = 400, np.zeros(3)
    for _ in range(runs):
        fit = decay.fit_free_swing(time, truth + rng.normal(0, 0.7, time.size), "both")
        found = (fit.arc_start_deg, fit.air_per_s, fit.dry_deg_per_s)
        inside += [
            abs(f.nominal_value - t) < 1.96 * f.std_dev for f, t in zip(found, (270, 3e-4, 0.02), strict=True)
        ]
    # Binomial: standard deviation 1.1 % for 400 runs, three of them.
    assert inside / runs == pytest.approx([0.95] * 3, abs=0.033)


def test_known_noise_sets_the_uncertainty():
    time = np.arange(0, 1500, 15.0)
    arc = decay.arc_at_deg(time, 270, 3e-4)
    fits = [decay.fit_free_swing(time, arc, "air", sigma_deg=s) for s in (0.5, 1.0)]
    assert fits[1].air_per_s.std_dev == pytest.approx(2 * fits[0].air_per_s.std_dev, rel=1e-6)
    assert fits[0].aicc < decay.fit_free_swing(time, arc, "dry", sigma_deg=0.5).aicc


def test_missed_arcs_are_left_out():
    time = np.arange(0, 600, 15.0)
    arc = np.asarray(decay.arc_at_deg(time, 270, 3e-4))
    arc[3] = np.nan
    assert decay.fit_free_swing(time, arc, "air").q_at(270, PERIOD_S).nominal_value == pytest.approx(
        decay.q_from_air(3e-4, PERIOD_S), rel=1e-9
    )


def test_q_at_an_arc_and_loss_per_swing_agree():
    """Q = pi * arc / (2 * loss of one swing), for either law and any arc."""
    time = np.arange(0, 1500, 15.0)
    noisy = np.asarray(decay.arc_at_deg(time, 270, 3e-4, 0.02)) + np.random.default_rng(13).normal(
        0, 0.1, time.size
    )
    fit = decay.fit_free_swing(time, noisy, "both")
    for arc in (100.0, 270.0):
        q, loss = fit.q_at(arc, PERIOD_S), fit.loss_deg_per_swing(arc, PERIOD_S)
        assert (q * loss).nominal_value == pytest.approx(math.pi * arc / 2, rel=1e-12)


def test_identities_between_q_decrement_ratio_and_times():
    q = np.array([0.6, 5.0, 725.2])
    np.testing.assert_allclose(decay.q_from_damping_ratio(decay.damping_ratio(q)), q, rtol=1e-15)
    air = math.pi / (725.2 * PERIOD_S)
    assert decay.q_from_air(air, PERIOD_S) == pytest.approx(725.2, rel=1e-12)
    # Energy goes with the square of the arc: a driven arc settles twice as fast as a free one falls.
    assert decay.settling_time_s(725.2, PERIOD_S) == pytest.approx(1 / (2 * air), rel=1e-12)
    assert decay.half_life_s(725.2, PERIOD_S) == pytest.approx(decay.time_to_arc_s(270, 135, air), rel=1e-12)
    decrement = decay.log_decrement(270, decay.arc_at_deg(PERIOD_S, 270, air), 1)
    # Q here is defined by the envelope over the damped period: it differs from 2 pi energy / loss by 1 / (8
    # Q^2).
    assert decay.q_from_log_decrement(decrement) == pytest.approx(725.2, rel=1e-6)
    assert decay.damping_lengthening(1e9) == pytest.approx(1 / 8e18, rel=1e-9)  # no digits lost


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: decay.arc_at_deg(-1, 270), r"time is -1 s; .*count from the first reading"),
        (lambda: decay.arc_at_deg(1, 270, -1e-3), r"air drag is -0.001 1/s; it must lie between 0 and"),
        (lambda: decay.time_to_arc_s(0, 10, 1e-3), r"arc is 0 deg"),
        (lambda: decay.q_from_air(0, 15), r"air drag is 0 1/s; .*swing down for longer"),
        (lambda: decay.settling_time_s(0.2, 15), r"Q is 0.2; .*more than 0.5"),
        (lambda: decay.log_decrement(270, 135, 0), r"number of periods is 0"),
        (
            lambda: decay.q_from_log_decrement(-0.1),
            r"logarithmic decrement is -0.1; .*second arc must be the smaller",
        ),
        (lambda: decay.q_from_damping_ratio(1.5), r"damping ratio is 1.5; it must lie above 0 and at most 1"),
        (lambda: decay.fit_free_swing([0, 1, 2], [3, 2, 1], "air"), r"3 arcs of a free swing; at least 6"),
        (lambda: decay.fit_free_swing([0, 1], [3, 2, 1], "air"), r"2 times and 3 arcs"),
        (lambda: decay.fit_free_swing([0] * 6, [1] * 6, "air"), r"all arcs have the same time"),
        (
            lambda: decay.fit_free_swing(range(6), range(6, 0, -1), "water"),
            r"law is 'water'; it must be 'air'",
        ),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


@pytest.mark.parametrize(("law", "free"), [("air", 2), ("dry", 2), ("both", 3)])
@pytest.mark.parametrize("sigma_deg", [None, 0.7])
def test_criterion_counts_every_parameter(law, free, sigma_deg):
    """AICc = 2 k - 2 ln L + 2 k (k + 1) / (n - k - 1); the scatter is a parameter where it is not given.

    C. M. Hurvich & C.-L. Tsai, Biometrika 76 (1989) 297, from memory; the likelihood is that of normal residuals.
    """
    time = np.arange(0, 300, 15.0)
    arc = np.asarray(decay.arc_at_deg(time, 270, 3e-4)) + np.random.default_rng(14).normal(0, 0.7, time.size)
    fit = decay.fit_free_swing(time, arc, law, sigma_deg=sigma_deg)
    n, k = time.size, free + (sigma_deg is None)
    spread = np.sqrt(np.mean(fit.residual_deg**2)) if sigma_deg is None else sigma_deg
    likelihood = norm.logpdf(fit.residual_deg, 0, spread).sum()
    assert fit.log_likelihood == pytest.approx(likelihood, rel=1e-9)
    assert fit.aicc == pytest.approx(2 * k - 2 * likelihood + 2 * k * (k + 1) / (n - k - 1), rel=1e-9)


def test_q_over_laws_is_the_mixture():
    """Losses weighed by what the arcs say for each law; their disagreement is part of the doubt."""
    time = np.arange(0, 600, 30.0)
    arc = np.asarray(decay.arc_at_deg(time, 270, 2e-4, 0.03)) + np.random.default_rng(15).normal(
        0, 1.0, time.size
    )
    fits = decay.compare_laws(time, arc)
    weight = decay.akaike_weights(fits)
    loss = [1 / fit.q_at(200.0, PERIOD_S) for fit in fits]
    mean = sum(w * one.nominal_value for w, one in zip(weight, loss, strict=True))
    variance = sum(
        w * ((1.3 * one.std_dev) ** 2 + (one.nominal_value - mean) ** 2)
        for w, one in zip(weight, loss, strict=True)
    )
    mixed = decay.q_over_laws(fits, 200.0, PERIOD_S, factor=1.3)
    assert mixed.nominal_value == pytest.approx(1 / mean, rel=1e-9)
    assert mixed.std_dev / mixed.nominal_value == pytest.approx(np.sqrt(variance) / mean, rel=1e-9)
    # Between the laws there is more than within any of them.
    assert np.sqrt(variance) > 1.1 * min(1.3 * one.std_dev for one in loss)


def test_scatter_of_one_arc_is_over_the_degrees_of_freedom():
    time = np.arange(0, 300, 15.0)
    arc = np.asarray(decay.arc_at_deg(time, 270, 3e-4)) + np.random.default_rng(16).normal(0, 0.7, time.size)
    for law, free in (("air", 2), ("both", 3)):
        fit = decay.fit_free_swing(time, arc, law)
        assert fit.sigma_deg == pytest.approx(
            np.sqrt(np.sum(fit.residual_deg**2) / (time.size - free)), rel=1e-9
        )


def test_weights_are_akaike_s():
    """exp(-difference / 2), brought to a sum of one: 1, 0.3679 and 0.0067 for differences of 0, 2 and 10."""
    time = np.arange(0, 300, 15.0)
    fit = decay.fit_free_swing(time, decay.arc_at_deg(time, 270, 3e-4), "air", sigma_deg=1.0)
    found = decay.akaike_weights([replace(fit, aicc=3.0 + more) for more in (0, 2, 10)])
    np.testing.assert_allclose(found, np.array([1, 0.367879, 0.006738]) / 1.374617, rtol=1e-5)
