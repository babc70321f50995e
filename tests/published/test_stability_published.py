"""Allan family against the two test sets of W. J. Riley, NIST Special Publication 1065 (2008), sec. 12.4."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.theory import noise, rate, stability

# Annex 8.E of NBS Monograph 140 (1974): nine frequencies; the ten phases as printed, five decimals.
SMALL_PHASE = np.array(
    [0, 103.11111, 123.22222, 157.33333, 166.44444, 48.55555, -96.33333, -2.22222, 111.88889, 0]
)


def thousand_points() -> np.ndarray:
    """n0 = 1234567890, n' = 16807 n mod 2147483647, y = n / 2147483647; phase by summing."""
    values, n = [], 1234567890
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    assert values[1] == 395529916 / 2147483647  # printed as the next number of the generator
    return np.concatenate([[0], np.cumsum(values)])


@pytest.mark.parametrize(
    ("kind", "at_1", "at_2"),
    [
        ("adev", 91.22945, 115.8082),
        ("oadev", 91.22945, 85.95287),
        ("mdev", 91.22945, 74.78849),
        ("hdev", 70.80608, 116.7980),
        ("ohdev", 70.80607, 85.61487),
    ],
)
def test_small_set(kind, at_1, at_2):
    """Table 30."""
    for factor, printed in ((1, at_1), (2, at_2)):
        # A unit of the seventh digit, and the phases' fifth decimal: 5e-6 of 91.
        assert stability.deviation(SMALL_PHASE, 1.0, factor, kind)[0] == pytest.approx(printed, rel=4e-7)


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("adev", (2.922319e-1, 9.965736e-2, 3.897804e-2)),
        ("oadev", (2.922319e-1, 9.159953e-2, 3.241343e-2)),
        ("mdev", (2.922319e-1, 6.172376e-2, 2.170921e-2)),
        ("hdev", (2.943883e-1, 1.052754e-1, 3.910860e-2)),
        ("ohdev", (2.943883e-1, 9.581083e-2, 3.237638e-2)),
    ],
)
def test_thousand_point_set(kind, values):
    """Table 31."""
    phase = thousand_points()
    for factor, printed in zip((1, 10, 100), values, strict=True):
        # A unit of the seventh digit; the Hadamard value at 100 is printed one unit low.
        assert stability.deviation(phase, 1.0, factor, kind)[0] == pytest.approx(printed, rel=3.5e-7)


def simple_edf(n: int, m: int, alpha: int) -> float:
    """Table 5 of SP 1065: overlapping Allan variance, n phases (S. R. Stein, 1985)."""
    if alpha == 2:
        return (n + 1) * (n - 2 * m) / (2 * (n - m))
    if alpha == 0:
        return (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)
    if alpha == -1:
        return 2 * (n - 2) ** 2 / (2.3 * n - 4.9) if m == 1 else 5 * n**2 / (4 * m * (n + 3 * m))
    return (n - 2) / m * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2) / (n - 3) ** 2


@pytest.mark.parametrize("alpha", [2, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 4, 10, 40, 100])
def test_degrees_of_freedom_near_the_simple_formulas(alpha, factor):
    """Table 5's formulas are approximations; the handbook prefers the sum used here. Within 15 %."""
    found = noise.equivalent_degrees_of_freedom(alpha, factor, 1001)
    assert found == pytest.approx(simple_edf(1001, factor, alpha), rel=0.15)


def test_noise_and_error_bars_of_the_thousand_point_set():
    """A uniform generator's frequency is white. At a factor of 10 SP 1065 has 146.177 degrees (from memory).

    Those are Table 5's, an approximation of the sum used here. Its chi-squared limits of 95 % are at 0.89733 and 1.12941 of
    the deviation (2.5 and 97.5 % points of chi-squared for 146.177, computed with mpmath).
    """
    phase = thousand_points()
    assert round(noise.noise_exponent(phase, 10)) == 0
    assert stability.confidence_limits(1.0, 146.177) == pytest.approx((0.897329, 1.129411), abs=1e-6)
    curve = stability.stability(phase, 1.0, "oadev", factors=[10])
    assert curve.alpha[0] == 0
    assert curve.edf[0] == pytest.approx(146.177, rel=0.08)
    # The true deviation of uniform white frequency is 1 / sqrt(12 tau).
    assert curve.low[0] < 1 / np.sqrt(120) < curve.high[0]


def test_white_phase_noise():
    """ADEV of white phase noise is sqrt(3) sigma / tau: SP 1065, from memory."""
    phase = np.random.default_rng(51).normal(0, 2e-3, 100_000)
    # About 5e4 degrees of freedom: 0.3 %, three of these.
    assert stability.deviation(phase, 15.0, 2)[0] == pytest.approx(np.sqrt(3) * 2e-3 / 30, rel=0.01)


def test_slope_mean_and_median_of_the_thousand_point_set():
    """Least-squares slope 6.490910e-6 a point, mean 0.4897745: SP 1065, table 31's set (from memory, and computed)."""
    frequency = np.diff(thousand_points())
    # A point every two numbers is a period of one side: its slope is the period.
    fit = rate.fit_beats(frequency, 2 * np.arange(1000))
    assert fit.period_s.nominal_value == pytest.approx(6.490910e-6, rel=1e-6)
    at_middle = fit.start_s.nominal_value + fit.period_s.nominal_value * 999 / 2
    assert at_middle == pytest.approx(0.4897745, abs=5e-8)


def test_slopes_of_white_phase_noise():
    """ADEV falls with 1/tau, MDEV with tau^-3/2: F. Vernotte and others, arXiv 1506.00687 (abstract read).

    32 768 points: at a factor of 64 MDEV has some 500 degrees of freedom, 3 % of itself; three of those over six octaves.
    """
    phase = np.random.default_rng(5).standard_normal(32_768)
    for kind, slope in (("oadev", -1.0), ("mdev", -1.5)):
        one, other = (stability.deviation(phase, 1.0, factor, kind)[0] for factor in (1, 64))
        assert np.log(other / one) / np.log(64) == pytest.approx(slope, abs=np.log(1.09) / np.log(64))
