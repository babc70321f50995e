"""Deviations, their limits and the noise behind them, against a reference library, limits and chance."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory import rate, stability

LIBRARY = {
    "adev": allantools.adev,
    "oadev": allantools.oadev,
    "mdev": allantools.mdev,
    "hdev": allantools.hdev,
    "ohdev": allantools.ohdev,
}


def record(alpha: int, n: int, rng: np.random.Generator) -> np.ndarray:
    """Phase with white phase (2), white rate (0) or random walk of rate (-2) noise of unit size."""
    x = rng.normal(size=n)
    for _ in range({2: 0, 0: 1, -2: 2}[alpha]):
        x = np.cumsum(x)
    return x


@pytest.mark.parametrize("kind", list(LIBRARY))
@pytest.mark.parametrize("factor", [1, 3, 10, 64])
def test_deviations_equal_the_reference_library(kind, factor):
    phase = record(0, 1000, np.random.default_rng(31)) + 0.01 * record(-2, 1000, np.random.default_rng(32))
    tau, expected, _, terms = LIBRARY[kind](phase, rate=1 / 7.5, data_type="phase", taus=[7.5 * factor])
    assert tau == [7.5 * factor]
    value, count = stability.deviation(phase, 7.5, factor, kind)
    # The same sums in another order.
    assert value == pytest.approx(expected[0], rel=1e-9)
    assert count == terms[0]


def test_a_steady_rate_has_no_deviation_and_drift_none_of_hadamard():
    time = np.arange(200.0)
    for kind in LIBRARY:
        assert stability.deviation(3e-4 * time, 1.0, 7, kind)[0] < 1e-15
    drift = 1e-6 * time**2
    assert stability.deviation(drift, 1.0, 7, "oadev")[0] == pytest.approx(2e-6 * 7 / np.sqrt(2), rel=1e-9)
    assert stability.deviation(drift, 1.0, 7, "ohdev")[0] < 1e-14


def test_white_phase_noise_has_its_known_size():
    """sqrt(3) sigma / tau, and for the modified deviation sqrt(3 / m) sigma / tau."""
    phase = np.random.default_rng(33).normal(0, 1e-3, 200_000)
    for m in (1, 4):
        # 1e5 degrees of freedom: 0.25 %, three of these.
        assert stability.deviation(phase, 2.0, m, "oadev")[0] == pytest.approx(
            np.sqrt(3) * 1e-3 / (2 * m), rel=0.0075
        )
        assert stability.deviation(phase, 2.0, m, "mdev")[0] == pytest.approx(
            np.sqrt(3 / m) * 1e-3 / (2 * m), rel=0.0075
        )


def test_gaps_are_neither_filled_nor_closed():
    rng = np.random.default_rng(34)
    phase = record(0, 4000, rng)
    whole = {kind: stability.deviation(phase, 1.0, 8, kind) for kind in LIBRARY}
    holed = phase.copy()
    holed[rng.random(4000) < 0.03] = np.nan
    holed[1000:1300] = np.nan
    for kind, (value, terms) in whole.items():
        found, left = stability.deviation(holed, 1.0, 8, kind)
        assert left < terms
        # 40 differences left at least, each with a spread as large as itself: 11 % of the deviation, two of
        # these.
        assert found == pytest.approx(value, rel=0.2)
    # Closing a gap of 300 steps up would put a jump of many standard deviations into the record.
    assert stability.deviation(phase[np.r_[0:1000, 1300:4000]], 1.0, 8)[0] != whole["oadev"][0]


def test_gap_terms_are_those_with_every_phase_heard():
    phase = np.array([0, 1, np.nan, 3, 4, 6, 6.0])
    value, terms = stability.deviation(phase, 1.0, 1)
    # Left: (3, 4, 6) and (4, 6, 6).
    assert terms == 2
    assert value == pytest.approx(np.sqrt((1**2 + 2**2) / 2 / 2), rel=1e-15)
    assert stability.deviation([0, np.nan, np.nan, np.nan, 2], 1.0, 1, "mdev")[1] == 0
    assert stability.deviation([0, np.nan, 1, np.nan, 2], 1.0, 1) == (pytest.approx(np.nan, nan_ok=True), 0)


def test_limits_hold_the_truth():
    """95 % limits over seeded records of white rate noise, noise identified from the record itself."""
    rng = np.random.default_rng(36)
    runs, inside = 300, np.zeros(4)
    for _ in range(runs):
        curve = stability.stability(record(0, 256, rng), 1.0, factors=[1, 2, 4, 8])
        truth = 1 / np.sqrt(curve.tau_s)
        inside += (curve.low < truth) & (truth < curve.high)
    # Binomial 1.3 % for 300 runs, three of them, and 1 % for noise taken for another.
    assert inside / runs == pytest.approx([0.95] * 4, abs=0.05)


def test_curve_of_a_clock_record():
    """From beats with holes to the curve: a rate that wanders slowly under jittery event times."""
    rng = np.random.default_rng(41)
    n = 4000
    number = np.arange(n)
    time = number * 7.5 + np.cumsum(rng.normal(0, 1e-3, n)) + rng.normal(0, 3e-3, n)
    keep = rng.random(n) < 0.97
    fit = rate.fit_beats(time[keep], number[keep])
    phase = stability.phase_on_grid(number[keep], fit.residual_s)
    assert phase.size == n
    curve = stability.stability(phase, 7.5, "mdev")
    assert curve.alpha[0] == 2
    assert curve.alpha[curve.identified][-1] <= 0
    assert (curve.low < curve.deviation).all()
    assert (curve.deviation < curve.high).all()
    # Three per cent of the beats missing must not cost most of the differences, at any averaging time.
    assert (curve.terms > n / 2).all()
    with pytest.raises(ValueError, match="read-only"):
        curve.tau_s[0] = 0


def test_deviation_at_any_time():
    curve = stability.stability(record(0, 4096, np.random.default_rng(42)), 1.0)
    for k in (0, 3, len(curve.tau_s) - 1):
        assert stability.deviation_at(curve, curve.tau_s[k]) == pytest.approx(curve.deviation[k], rel=1e-12)
    # White rate noise: four times as long, half the deviation.
    end = float(curve.tau_s[-1])
    assert curve.alpha[-1] == 0
    assert stability.deviation_at(curve, 4 * end) == pytest.approx(curve.deviation[-1] / 2, rel=1e-12)
    assert stability.deviation_at(curve, 0.25) == pytest.approx(curve.deviation[0] * 2, rel=1e-12)


def test_limits_narrow_with_freedom_and_close_on_the_value():
    low, high = stability.confidence_limits(2.0, 1e7)
    assert low == pytest.approx(2, rel=1e-3)
    assert high == pytest.approx(2, rel=1e-3)
    wide = stability.confidence_limits(2.0, 1)
    assert wide[0] < low < high < wide[1]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: stability.deviation([0, 1], 1, 1),
            r"2 phases; at least 3 in one row are needed: record longer",
        ),
        (lambda: stability.deviation([0, 1, 2], -1, 1), r"grid step is -1 s; .*time between two phases"),
        (lambda: stability.deviation([0, 1, 2], 1, 0), r"averaging factor is 0; it must be a whole number"),
        (lambda: stability.deviation([0, 1, 2], 1, 1.5), r"averaging factor is 1.5"),
        (
            lambda: stability.deviation([0, 1, 2], 1, 1, "tdev"),
            r"kind of deviation is 'tdev'; it must be adev",
        ),
        (lambda: stability.deviation([0, np.inf, 2], 1, 1), r"phase is inf s"),
        (lambda: stability.confidence_limits(1, 0), r"degrees of freedom is 0; .*record longer"),
        (
            lambda: stability.confidence_limits(1, 5, 1.0),
            r"confidence is 1; it must lie above 0 and at most 0.9999",
        ),
        (lambda: stability.stability([np.nan] * 9, 1), r"0 of 9 phases heard; no stability"),
        (lambda: stability.phase_on_grid([1, 1], [0, 0]), r"beat numbers must be whole and each come once"),
        (lambda: stability.phase_on_grid([1, 2], [0]), r"2 beat numbers and 1 time errors"),
        (lambda: stability.phase_on_grid([1, 1e9], [0, 0]), r"beat numbers span 1e\+09; .*stray one"),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_degrees_of_freedom_are_cut_by_what_gaps_cost():
    """Every tenth phase missing costs 2.7 of ten second differences (three phases each): so much of the freedom goes."""
    phase = record(0, 2000, np.random.default_rng(43))
    holed = phase.copy()
    holed[5::10] = np.nan
    whole, part = (stability.stability(x, 1.0, factors=[3]) for x in (phase, holed))
    assert part.alpha[0] == whole.alpha[0] == 0
    assert whole.terms[0] == 2000 - 6
    assert part.terms[0] == np.isfinite(holed[6:] - 2 * holed[3:-3] + holed[:-6]).sum()
    assert part.edf[0] / whole.edf[0] == pytest.approx(part.terms[0] / whole.terms[0], rel=1e-12)
    assert part.high[0] / part.deviation[0] > whole.high[0] / whole.deviation[0]


def test_infinitely_many_degrees_of_freedom_leave_no_doubt():
    assert stability.confidence_limits(2.0, np.inf) == (2.0, 2.0)


def test_a_window_counts_where_three_quarters_of_it_were_heard():
    phase = np.random.default_rng(44).normal(size=40)
    whole = stability.deviation(phase, 1.0, 4, "mdev")[1]
    one, two = phase.copy(), phase.copy()
    one[20] = np.nan  # three of four are left in each window: all count
    two[20:22] = np.nan  # a half in three windows, of which each is in three differences
    assert stability.deviation(one, 1.0, 4, "mdev")[1] == whole
    assert stability.deviation(two, 1.0, 4, "mdev")[1] == whole - 9


def test_uneven_gaps_in_a_window_make_no_noise_of_a_rate():
    """A steady rate of 1e-3, a fifth of the phases missing at random: without taking its line off, 1e-4 would be left."""
    rng = np.random.default_rng(45)
    phase = 1e-3 * np.arange(2000.0)
    phase[rng.random(2000) < 0.2] = np.nan
    assert stability.deviation(phase, 1.0, 8, "mdev")[0] < 1e-15
