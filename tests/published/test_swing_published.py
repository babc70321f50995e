"""Swing, escapement and decay against printed figures: amplitudes there, arcs (twice as much) here.

Beckett 1903 is E. Beckett (Lord Grimthorpe), A Rudimentary Treatise on Clocks, Watches and Bells, 8th ed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.theory import decay, escapement, rate, swing


@pytest.mark.parametrize(
    ("period", "amplitude", "lift", "passage"),
    [
        (15, 270, 20, 0.176879),
        (15, 180, 20, 0.265395),
        (15, 360, 12, 0.079581),
        (60, 180, 20, 1.061580),
        (60, 210, 10, 0.454771),
        (12, 300, 30, 0.191066),
        (15, 30, 40, 3.484193),  # lift comparable with the swing: the small-angle form is 8.6 % low
    ],
)
def test_lift_passage_and_amplitude(period, amplitude, lift, passage):
    """tau = (T / pi) arcsin(lift / (2 A)).

    C.-A. Reymondin et al., The Theory of Horology (1999), from memory; figures computed from the relation.
    """
    # Half a unit of the last digit given.
    assert swing.lift_passage_s(2 * amplitude, period, lift) == pytest.approx(passage, abs=5e-7)
    assert swing.arc_deg(passage, period, lift) / 2 == pytest.approx(amplitude, rel=1e-5)


@pytest.mark.parametrize(
    ("period", "amplitude", "offset", "short", "long"),
    [(15, 270, 5, 7.41158, 7.58842), (15, 270, 30, 6.96839, 8.03161), (60, 180, 10, 28.93842, 31.06158)],
)
def test_beat_error_from_alternate_intervals(period, amplitude, offset, short, long):
    """t1 + t2 = T, offset = A sin(pi (t1 - t2) / (2 T)).

    Half the difference is watch practice, some clock texts quote the whole (from memory); figures from the
    relation.
    """
    half_ms = 1e3 * (long - short) / 2
    # The intervals are given to 1e-5 s.
    assert swing.beat_error_ms(offset, 2 * amplitude, period) == pytest.approx(half_ms, abs=0.01)
    assert swing.offset_deg(half_ms, 2 * amplitude, period) == pytest.approx(offset, rel=1e-4)


def test_airy_constant_impulse_ratios():
    """[sqrt(a^2 - b^2) - sqrt(a^2 - g^2)] / (b + g) for (a, g, b) = (8, 7, 5), (8, 5, 3), (8, 4, 2).

    Printed "20, 14 and 13", cut off after the whole number. Beckett 1903, p. 88, after G. B. Airy, Trans.
    Camb. Phil. Soc. III (1830) 105.
    """
    cases = np.array([(8, 7, 5), (8, 5, 3), (8, 4, 2)])
    alpha, gamma, beta = cases.T
    found = 2 * escapement.impulse_lengthening(1, before_deg=beta, after_deg=gamma, arc_deg=2 * alpha)
    np.testing.assert_allclose(found, [0.19767, 0.14640, 0.13629], atol=5e-6)
    assert np.floor(20 * found / found[0] + 1e-9).tolist() == [20, 14, 13]


def test_airy_stationary_arc():
    """Gravity escapement: the error, sqrt(alpha^2 - gamma^2) / alpha^2, stationary at alpha = gamma sqrt 2.

    alpha of 2 deg gives gamma = 85'. Beckett 1903, p. 113.
    """
    gamma = 85 / 60
    alpha = np.linspace(1.5, 3.0, 3001)
    # A push that begins gamma after the middle and lasts to the turning point.
    error = escapement.steady_push_lengthening(1.0, -gamma, np.nextafter(alpha, 0), 2 * alpha, 1.0)
    # 85' is rounded to the minute, 0.6 %.
    assert alpha[np.argmax(error)] == pytest.approx(2.0, rel=0.006)


def test_airy_product_of_two_arms():
    """Two arms lifted from beta = 78' and gamma = 90' on: stationary where the product of the roots is alpha^2 / 2.

    Beckett 1903, p. 114: with alpha = 120', 7238 against 7200.
    """
    alpha = np.linspace(1.6, 2.5, 1801)
    error = sum(
        escapement.steady_push_lengthening(1.0, -begin / 60, np.nextafter(alpha, 0), 2 * alpha, 1.0)
        for begin in (78, 90)
    )
    # 7238 for 7200 is half a per cent of the product, which goes with the fourth power of alpha twice over.
    assert alpha[np.argmax(error)] == pytest.approx(2.0, rel=0.005)


def test_airy_integral_of_a_constant_impulse():
    """Beckett 1903, p. 86: the integral of a push from -beta to +gamma in closed form, sqrt(A^2 - b^2) - sqrt(A^2 - g^2)."""
    half, before, after, period = 135.0, 4.0, 11.0, 15.0
    begin, end = np.degrees(np.arcsin([-before / half, after / half]))

    def push(phase):
        return 0.2 * (
            ((phase - 180 > begin) & (phase - 180 < end)) * -1.0 + ((phase < end) | (phase > 360 + begin))
        )

    steps = [end, 180 + begin, 180 + end, 360 + begin]
    by_integral = escapement.drive_lengthening(push, 2 * half, period, steps)
    closed = escapement.steady_push_lengthening(0.2, before, after, 2 * half, period)
    root = math.sqrt(half**2 - before**2) - math.sqrt(half**2 - after**2)
    assert by_integral == pytest.approx(
        0.2 / (math.pi * half**2 * (2 * math.pi / period) ** 2) * root, rel=1e-9
    )
    assert closed == pytest.approx(by_integral, rel=1e-9)


def test_airy_exact_piecewise_motion():
    """Half swing of a seconds pendulum pushed from -0.3 to +0.5 of the arc by 1e-4 n^2: 2.79838e-6 s.

    General form of Airy's theorem; figure computed from the exact piecewise motion (2.79756e-6) and the
    formula.
    """
    n = math.pi
    found = escapement.steady_push_lengthening(1e-4 * n**2, 0.3, 0.5, 2.0, 2.0) * 1.0
    assert found == pytest.approx(2.79838e-6, abs=5e-12)
    # First order in a push of 1e-4.
    assert found == pytest.approx(2.79756e-6, rel=4e-4)


@pytest.mark.parametrize(
    ("q", "amplitude", "angle", "s_per_day"),
    [(100, 270, 10, -16.0), (500, 270, 10, -3.20), (1000, 180, 10, -2.40), (50, 270, 20, -64.2)],
)
def test_short_impulse_after_the_middle(q, amplitude, angle, s_per_day):
    """d nu / nu = -tan(psi) / (2 Q).

    A. L. Rawlings, The Science of Clocks and Watches, from memory; figures computed and confirmed by
    simulation.
    """
    found = escapement.short_impulse_rate_s_per_day(q, angle, 2 * amplitude)
    assert found == pytest.approx(s_per_day, abs=0.05 if abs(s_per_day) > 10 else 0.005)  # last digit given


def test_short_impulse_simulated():
    """Simulated kick by kick, less 1/(8 Q^2): 1.85390e-4 and 2.78223e-5 (computed, no printed source)."""
    for q, amplitude, simulated in ((100, 270, 1.85390e-4), (1000, 180, 2.78223e-5)):
        law = -escapement.short_impulse_rate_s_per_day(q, 10, 2 * amplitude) / 86400
        assert law == pytest.approx(simulated, rel=6e-4)  # second order in 1/Q: 0.04 %


def test_log_decrement_worked_problem():
    """Amplitude down by 25 % over 300 oscillations: 9.59e-4, in a physics forum's worked problem."""
    decrement = decay.log_decrement(100, 75, 300)
    assert decrement == pytest.approx(9.59e-4, abs=5e-7)
    assert decay.q_from_log_decrement(decrement) == pytest.approx(3276.1, abs=0.05)


def test_tuning_fork_worked_problems():
    """261.6 Hz, quarter energy in 6 s: Q = 7114; 262 Hz, half energy in 4 s: 9.5e3 (worked problems)."""
    # Energy goes as the square of the arc.
    for frequency, energy_ratio, time, q, digits in ((261.6, 4, 6, 7114, 0.5), (262, 2, 4, 9.5e3, 50)):
        air = math.log(math.sqrt(energy_ratio)) / time
        assert decay.q_from_air(air, 1 / frequency) == pytest.approx(q, abs=digits)


def test_middle_c_half_energy_in_one_second():
    """A. P. French, Vibrations and Waves (1971), problem; answers computed for 256 and 262 Hz."""
    for frequency, q in ((256, 2.32e3), (262, 2.37e3)):
        assert decay.q_from_air(math.log(2) / 2, 1 / frequency) == pytest.approx(q, abs=5)


def test_q_by_counting_periods():
    """Q = pi times the periods to 1/e (M. Richmond, RIT laboratory note); 4.5324 times those to a half."""
    air = math.log(math.e) / (160 * 15)
    assert decay.q_from_air(air, 15) == pytest.approx(math.pi * 160, rel=1e-12)
    assert decay.q_from_half_arc_periods(1) == pytest.approx(4.5324, abs=5e-5)
    assert decay.q_from_half_arc_periods(160) == pytest.approx(725.2, abs=0.05)


def test_decrement_ratio_and_q_of_the_article():
    """zeta = delta / sqrt(4 pi^2 + delta^2), Q = 1 / (2 zeta): "Logarithmic decrement", an encyclopedia's article."""
    for delta in (9.59e-4, 0.3, 2.0):
        zeta = delta / math.sqrt(4 * math.pi**2 + delta**2)
        assert decay.q_from_log_decrement(delta) == pytest.approx(1 / (2 * zeta), rel=1e-12)
        assert decay.damping_ratio(decay.q_from_log_decrement(delta)) == pytest.approx(zeta, rel=1e-12)


def test_settling_of_a_driven_swing():
    """Energy fed at a constant rate nears its steady value with Q T / (2 pi): 94.8 s against 191.0 for the arc itself.

    Source of the law: J. Rayleigh, Theory of Sound, 2nd ed. 1894, par. 46 (loss of energy a period is 2 pi / Q of it).
    The swing is stepped from impulse to impulse here: Q 40, T 15 s, each impulse adding the same energy.
    """
    q, period = 40.0, 15.0
    energy, arcs = 0.81, []
    kept = math.exp(-math.pi / q)  # of the energy, over half a period
    for _ in range(400):
        energy = energy * kept + (1 - kept)
        arcs.append(math.sqrt(energy))
    left = 1 - np.array(arcs)
    rows = slice(40, 120)  # where the rest is small, and far above rounding
    slope = np.polyfit(np.arange(400)[rows] * period / 2, np.log(left[rows]), 1)[0]
    assert decay.settling_time_s(q, period) == pytest.approx(
        -1 / slope, rel=2e-3
    )  # the rest is not yet zero: its square
    assert decay.settling_time_s(q, period) == pytest.approx(95.5, abs=0.05)


@pytest.mark.parametrize(
    ("q", "s_per_day"),
    [(10, -108.2), (20, -27.01), (50, -4.320), (100, -1.080), (500, -0.0432), (1000, -0.0108)],
)
def test_damping_lengthens_the_period(q, s_per_day):
    """T_d / T_0 - 1 = 1 / sqrt(1 - 1/(4 Q^2)) - 1, near 1/(8 Q^2); figures computed from the formula."""
    lengthening = decay.damping_lengthening(q)
    assert -86400 * lengthening == pytest.approx(s_per_day, rel=5e-4)  # last digit given
    assert lengthening == pytest.approx(1 / (8 * q**2), rel=3 / (8 * q**2) * 1.1)  # next order 3/(128 Q^4)


def test_rate_conversions():
    """Parts per million and seconds; computed from 86400 s a day and 365.25 days a year."""
    assert rate.ppm_from_s_per_day(1) == pytest.approx(11.574074, abs=5e-7)
    one_ppm = rate.s_per_day_from_ppm(1)
    assert one_ppm == pytest.approx(0.0864, rel=1e-12)
    assert rate.s_per_week_from_s_per_day(one_ppm) == pytest.approx(0.6048, rel=1e-12)
    assert rate.s_per_month_from_s_per_day(one_ppm) == pytest.approx(2.592, rel=1e-12)
    assert rate.s_per_year_from_s_per_day(one_ppm) == pytest.approx(31.5576, rel=1e-12)
    for ppm, s_per_day in ((10, 0.864), (20, 1.728), (50, 4.32), (100, 8.64), (1000, 86.4), (2500, 216)):
        assert rate.s_per_day_from_ppm(ppm) == pytest.approx(s_per_day, rel=1e-12)
    assert rate.rate_s_per_day(15.010, 15) == pytest.approx(-57.562, abs=5e-4)


def test_quartz_watch_specification():
    """15 s a month is 5.8 ppm: M. A. Lombardi (NIST), The accuracy and stability of quartz watches, 2008."""
    assert rate.ppm_from_s_per_day(15 / 30) == pytest.approx(5.8, abs=0.05)


def test_sidereal_clock_gains():
    """A clock keeping sidereal time (day of 86164.0905 s) gains 236.555 s in a mean solar day."""
    assert rate.rate_s_per_day(86164.0905 / 86400, 1) == pytest.approx(236.555, abs=5e-4)


def test_beckett_a_minute_a_day():
    """A pendulum gains 43200 dl/l a day: one l/720 shorter gains a minute (Beckett 1903, p. 50)."""
    period = math.sqrt(1 - 1 / 720)
    # First order in 1/720.
    assert rate.rate_s_per_day(period, 1) == pytest.approx(60, rel=1.5 / 720)


@pytest.mark.parametrize(
    ("beats", "interval", "sigma", "relative", "s_per_day"),
    [
        (480, 7.5, 1e-3, 4.3921e-8, 0.00379),
        (240, 15, 1e-3, 6.2114e-8, 0.00537),
        (60, 60, 1e-3, 1.2424e-7, 0.01073),
        (120, 30, 5e-3, 4.3922e-7, 0.0379),
    ],
)
def test_least_squares_rate(beats, interval, sigma, relative, s_per_day):
    """sigma_y = sqrt(12) sigma_x / (tau0 sqrt(N (N^2 - 1))).

    Regression on equally spaced data, NIST Technical Note 1337 (1990), App. A, line from memory; figures
    computed.
    """
    # Numbers 0, 2, 4 ... are beats a full period apart.
    found = rate.period_uncertainty_s(2 * np.arange(beats), sigma, both_sides=False) / interval
    assert found == pytest.approx(relative, rel=4.1e-5)  # half a unit of the fifth digit
    assert rate.s_per_day_from_ppm(found * 1e6) == pytest.approx(s_per_day, rel=2e-3)
    times = interval * np.arange(beats)
    fit = rate.fit_beats(times, 2 * np.arange(beats), sigma_s=sigma)
    assert fit.period_s.std_dev / interval == pytest.approx(relative, rel=4.1e-5)


def test_scatter_of_the_least_squares_period_is_the_stated_one():
    """A thousand hours of half periods with 1 ms of white noise: 4.3921e-8; the two ends alone give nine times that.

    E. Rubiola and others, The Omega counter, arXiv 1506.05009: linear regression is the best rejection of white phase
    noise (abstract read). 1000 runs tell a standard deviation to 2.2 %: three of those.
    """
    rng = np.random.default_rng(7)
    numbers = 2 * np.arange(480)
    true_s = 7.5 * np.arange(480)
    runs = [true_s + 1e-3 * rng.standard_normal(480) for _ in range(1000)]
    fitted = np.array([rate.fit_beats(run, numbers).period_s.nominal_value for run in runs]) / 7.5
    ends = np.array([(run[-1] - run[0]) / 479 for run in runs]) / 7.5
    assert fitted.std() == pytest.approx(4.3921e-8, rel=0.067)
    assert ends.std() == pytest.approx(3.94e-7, rel=0.067)
