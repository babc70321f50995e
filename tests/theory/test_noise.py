"""Which noise rules a record and what freedom it leaves, against a reference library and chance."""

from __future__ import annotations

import numpy as np
import pytest
from allantools import ci

from torsionbeat.errors import InputError
from torsionbeat.theory import noise, stability


def record(alpha: int, n: int, rng: np.random.Generator) -> np.ndarray:
    """Phase with white phase (2), white rate (0) or random walk of rate (-2) noise of unit size."""
    x = rng.normal(size=n)
    for _ in range({2: 0, 0: 1, -2: 2}[alpha]):
        x = np.cumsum(x)
    return x


def flicker(alpha: int, n: int, rng: np.random.Generator) -> np.ndarray:
    """Flicker of phase (1) or of rate (-1): noise of spectrum 1/f, summed for rate."""
    spectrum = np.fft.rfft(rng.normal(size=4 * n))
    frequency = np.fft.rfftfreq(4 * n)
    spectrum[1:] /= np.sqrt(frequency[1:])
    spectrum[0] = 0
    phase = np.fft.irfft(spectrum)[:n]
    return phase if alpha == 1 else np.cumsum(phase)


@pytest.mark.parametrize("factor", [1, 2, 10, 50])
@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_degrees_of_freedom_equal_the_reference_library(alpha, factor):
    """The same basic sum with the same filter."""
    n = 1001
    filtered = float(factor) if alpha > 0 else np.inf
    # Without a filter the library counts one difference more than n phases have.
    assert noise.equivalent_degrees_of_freedom(alpha, factor, n, "oadev") == pytest.approx(
        ci.edf_greenhall_simple(alpha, 2, factor, factor, filtered, n if alpha > 0 else n - 1), rel=1e-6
    )
    if factor > 1:
        # The library takes over tables of approximations where the sum has more than 100 terms: 1 %.
        assert noise.equivalent_degrees_of_freedom(alpha, factor, n, "mdev") == pytest.approx(
            ci.edf_greenhall(alpha, 2, factor, n, overlapping=True, modified=True), rel=0.01
        )


@pytest.mark.parametrize(("alpha", "slack"), [(2, 0.0), (0, 0.0), (-2, 0.13)])
@pytest.mark.parametrize(
    ("kind", "factor"), [("oadev", 1), ("oadev", 8), ("mdev", 8), ("adev", 4), ("ohdev", 4)]
)
def test_degrees_of_freedom_against_chance(alpha, slack, kind, factor):
    """edf = 2 mean^2 / variance of the squared deviation, over seeded records.

    The random walk drawn here takes one step a beat, the formula's walks all the time: at a factor of 1 it
    finds 12 % fewer degrees of freedom, and at 4 and Hadamard's third difference 5 %.
    """
    rng = np.random.default_rng(35)
    n, runs = 101, 1500
    squares = [stability.deviation(record(alpha, n, rng), 1.0, factor, kind)[0] ** 2 for _ in range(runs)]
    empirical = 2 * np.mean(squares) ** 2 / np.var(squares)
    # A variance from 1500 draws of a skewed quantity is known to 5 % or so; three of these.
    assert noise.equivalent_degrees_of_freedom(alpha, factor, n, kind) == pytest.approx(
        empirical, rel=0.15 + slack
    )


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("factor", [1, 4])
def test_noise_is_recognised(alpha, factor):
    rng = np.random.default_rng(37)
    make = record if alpha % 2 == 0 else flicker
    found = [noise.noise_exponent(make(alpha, 4000, rng), factor) for _ in range(20)]
    right = np.mean([round(value) == alpha for value in found])
    # A thousand points and more place alpha to about 0.1; flicker between two others to 0.3.
    assert right >= 0.8


def test_noise_is_recognised_through_gaps():
    rng = np.random.default_rng(38)
    for alpha in (2, 0, -2):
        phase = record(alpha, 3000, rng)
        phase[rng.random(3000) < 0.05] = np.nan
        assert round(noise.noise_exponent(phase)) == alpha


def test_noise_equals_the_reference_library():
    phase = record(0, 2000, np.random.default_rng(39))
    for factor in (1, 8):
        _, expected, _, _ = ci.autocorr_noise_id(phase, factor)
        # Ours divides by the number of pairs and squares, theirs by nothing: 1/n, n = 250 at least.
        assert noise.noise_exponent(phase, factor) == pytest.approx(expected, abs=0.02)


def test_no_more_differences_are_counted_than_there_are():
    """Non-overlapping, white rate noise, n a multiple of m: n/m phases are left, n/m - 2 differences of them.

    The squares of neighbouring second differences of a random walk correlate by 1/4: edf = M / (1 + 2 (1/4) (1 - 1/M)).
    """
    for n, m in ((100, 10), (101, 10), (99, 10)):
        differences = len(np.zeros(n)[::m]) - 2
        assert stability.deviation(np.arange(n) ** 2.0, 1.0, m, "adev")[1] == differences
        plain = differences / (1 + 0.5 * (1 - 1 / differences))
        assert noise.equivalent_degrees_of_freedom(0, m, n, "adev") == pytest.approx(plain, rel=1e-12)


@pytest.mark.parametrize("alpha", [2, 1, -1, -2])
def test_every_noise_equals_the_reference_library(alpha):
    """Where the library stops differencing, we stop: its exponent, before it rounds, for each kind of noise."""
    make = record if alpha % 2 == 0 else flicker
    for seed in range(6):
        phase = make(alpha, 2000, np.random.default_rng([seed, 46]))
        _, expected, order, _ = ci.autocorr_noise_id(phase, 1)
        assert order >= 0
        assert noise.noise_exponent(phase) == pytest.approx(expected, abs=0.02)


def test_a_drift_of_the_rate_is_taken_off_first():
    """A parabola in the phase, a thousand times its white noise: the noise is found all the same."""
    place = np.arange(1000.0)
    phase = np.random.default_rng(47).normal(size=1000) + 1e-3 * place**2
    assert noise.noise_exponent(phase) == pytest.approx(2, abs=0.15)


def test_noise_of_a_short_record_is_not_guessed():
    assert noise.noise_exponent(np.random.default_rng(40).normal(size=29)) is None
    assert noise.noise_exponent(np.zeros(100)) is None
    every_other = np.where(np.arange(100) % 2, np.nan, 1.0 * np.arange(100))
    assert noise.noise_exponent(every_other) is None  # no two neighbours heard


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: noise.equivalent_degrees_of_freedom(-3, 1, 100),
            r"noise exponent is -3; oadev .* -2 to 2",
        ),
        (
            lambda: noise.equivalent_degrees_of_freedom(0, 60, 100),
            r"averaging over 60 steps with 100 phases",
        ),
        (lambda: noise.equivalent_degrees_of_freedom(0, 1, 100, "tdev"), r"kind of deviation is 'tdev'"),
        (
            lambda: noise.noise_exponent([0.0] * 50, 0),
            r"averaging factor is 0; it must be a whole number, at least 1",
        ),
        (lambda: noise.noise_exponent([[0.0] * 50]), r"phase has 2 dimensions; give one row"),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
