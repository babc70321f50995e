"""Folding: does a row of values repeat with a given number of steps?

A row of values, one for each step (nan where there is none), is folded: each value goes to the place that its number
has within one turn of so many steps. A place that differs from the others in turn after turn stands out in the mean.
A slow wave is found by its power relative to that of neighbouring frequencies. The chance of a finding by accident
is stated for the whole search, not for the one place where it was found.

Sources: D. A. Leahy et al., Astrophys. J. 266 (1983) 160 (epoch folding); J. D. Scargle, Astrophys. J. 263 (1982) 835,
eq. 14 and sec. III c (power of a sine in noise, false alarm of a search).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import FloatArray
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN

IntArray = npt.NDArray[np.int64]

__all__ = [
    "PHASES",
    "against_line",
    "against_neighbours",
    "background_power",
    "bounded_scores",
    "chi_square_of_fold",
    "false_alarm",
    "fitted_wave",
    "fold_places",
    "folded_mean",
    "is_wave_alone",
    "sine_power",
    "steady_phase",
    "steps",
    "tapered",
    "wave_ratio",
    "where_it_ticks",
    "without_sides",
]

LINE_BINS = 2.5
"""Frequencies next to a line that its Hann-tapered power reaches (main lobe: 2 each way, F. J. Harris, Proc. IEEE 66
(1978) 51, table I)."""

OVERTONES = range(2, 8)
"""Multiples of a turn's frequency that distinguish a wave from a tooth: a wave has none of them, and for a tooth each is
as strong as the first."""

PHASES = 32
"""Parts into which another clock's interval is divided to search for its ticks: a tick covers one or two of them."""

STEPS_A_CYCLE = 16
"""Trial intervals for each cycle by which the row may slip, given the interval's doubt: half a trial off, a tick still falls
into one or two of the phases."""

TICKS = 1e-3
"""Chance of the whole search for another clock's interval below which its phases are left out."""

TICK_SIGMA = 3.0
"""Standard errors by which a phase must stand out to count as one with a tick: once in ten folds by chance."""

STEADY_CHANCE = 1e-3
"""Chance of a phase as steady as this without cause (Rayleigh's test)."""


def bounded_scores(values: FloatArray, bound: float = 3.0) -> FloatArray:
    """Values divided by their scatter, clipped at ``bound`` and scaled back to a variance of one.

    No single bang can then outweigh the other turns; many bangs widen the scatter of all values.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any unit; nan stays nan.
    bound : float
        In standard deviations as the median absolute deviation gives them (P. J. Huber, Robust Statistics, 1981,
        ch. 5: times 1.4826 for normal values).

    Returns
    -------
    ndarray, shape (n,)
        Median zero, variance one; all zero where more than half of the values are equal.

    Examples
    --------
    >>> bounded_scores(np.array([-1.0, 0.0, 1.0, 1e9])).round(2)
    array([-0.63, -0.21,  0.21,  1.87])
    """
    off = values - np.nanmedian(values) if np.isfinite(values).any() else values
    scale = SIGMA_PER_MEDIAN * np.nanmedian(np.abs(off)) if np.isfinite(off).any() else 0.0
    if not scale > 0:
        return np.where(np.isfinite(values), 0.0, np.nan)
    scores = np.clip(off / scale, -bound, bound)
    bounded: FloatArray = scores / np.sqrt(np.nanmean(scores**2))
    return bounded


def fold_places(number: npt.NDArray[Any], turn: float) -> tuple[IntArray, int]:
    """Place of each step within a turn, and how many places there are: the whole number nearest to ``turn``.

    Raises
    ------
    InputError
        The turn is shorter than two steps.

    Examples
    --------
    >>> fold_places(np.arange(7.0), 3)
    (array([0, 1, 2, 0, 1, 2, 0]), 3)
    """
    if not turn >= 2:
        raise InputError(f"a turn of {turn:g} steps cannot be folded; it needs at least 2")
    places = round(turn)
    return np.floor(np.mod(number, turn) / turn * places + 1e-9).astype(np.int64) % places, places


def folded_mean(values: FloatArray, place: IntArray, places: int) -> tuple[FloatArray, IntArray]:
    """Mean of the values at each place, nan where there are none, and how many there are. Both of shape (places,).

    Parameters
    ----------
    values : ndarray
        shape (n,).
    place : ndarray of int
        shape (n,): place of each, from 0.
    places : int
        How many places there are.
    """
    known = np.isfinite(values)
    count = np.bincount(place[known], minlength=places)
    total = np.bincount(place[known], weights=values[known], minlength=places)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), count


def chi_square_of_fold(values: FloatArray, place: IntArray, places: int) -> tuple[float, int]:
    """Chi-square of the folded means about the mean of all, and its degrees of freedom (places filled less one).

    Leahy et al. 1983, eq. 1, for values with the row's own variance in place of Poisson counts: without any
    repetition it follows chi-square.

    Parameters
    ----------
    values : ndarray
        shape (n,).
    place : ndarray of int
        shape (n,): place of each, from 0.
    places : int
        How many places there are.
    """
    mean, count = folded_mean(values, place, places)
    filled = count > 0
    known = values[np.isfinite(values)]
    variance = float(known.var(ddof=1)) if len(known) > 1 else 0.0
    if variance == 0:
        return 0.0, max(int(filled.sum()) - 1, 0)
    off = mean[filled] - known.mean()
    return float(np.sum(count[filled] * off**2) / variance), int(filled.sum()) - 1


def false_alarm(chance: float, trials: float) -> float:
    """Chance that any of this many independent trials comes out as unlikely as ``chance`` (Scargle 1982, sec. III c).

    Parameters
    ----------
    chance : float
        Chance of one trial, 0 to 1.
    trials : float
        How many were made, at least 1.

    Raises
    ------
    InputError
        Outside these ranges.

    Examples
    --------
    >>> round(false_alarm(1e-3, 100), 4)
    0.0952
    """
    if not 0 <= chance <= 1 or not trials >= 1:
        raise InputError(f"a chance of {chance:g} in {trials:g} trials; give 0 to 1, and at least 1 trial")
    return float(-np.expm1(trials * np.log1p(-chance))) if chance < 1 else 1.0


def against_neighbours(row: FloatArray, reach: int) -> FloatArray:
    """Each value less the median of the ``reach`` values before it or of those after it, whichever is nearer.

    A value that differs from both sides stays; a step or a slow change of the row does not. Shape (n,), nan where
    fewer than two neighbours are known on a side and none on the other.
    """
    around = _around(row, reach)
    before, after = row - _median(around[:, :reach]), row - _median(around[:, reach:])
    return np.where((np.abs(after) < np.abs(before)) | np.isnan(before), after, before)


def without_sides(row: FloatArray) -> FloatArray:
    """The row less the median of its even steps and of its odd ones."""
    row = row.copy()
    for side in (0, 1):
        if np.isfinite(row[side::2]).any():
            row[side::2] -= np.nanmedian(row[side::2])
    return row


def against_line(row: FloatArray, reach: int) -> FloatArray:
    """Each value less the median of the means of pairs equally far before and after it: zero for any straight line."""
    around = _around(row, reach)
    halves: FloatArray = _median(0.5 * (around[:, :reach] + around[:, : reach - 1 : -1]))
    return row - halves


def steps(row: FloatArray, reach: int) -> FloatArray:
    """Mean of the ``reach`` values from each one on, less that of as many before it; nan where half are missing."""
    known = np.isfinite(row)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, row, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    at = np.arange(reach, len(row) - reach + 1)
    after, before = count[at + reach] - count[at], count[at] - count[at - reach]
    enough = (after > reach // 2) & (before > reach // 2)
    at, after, before = at[enough], after[enough], before[enough]
    found = np.full(len(row) + 1, np.nan)
    found[at] = (total[at + reach] - total[at]) / after - (total[at] - total[at - reach]) / before
    return found[: len(row)]


def _around(row: FloatArray, reach: int) -> FloatArray:
    """The ``reach`` values before and after each one: shape (n, 2 reach), nan beyond the ends."""
    padded = np.concatenate([np.full(reach, np.nan), row, np.full(reach, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.delete(windows, reach, axis=1)


def _median(values: FloatArray) -> FloatArray:
    """Median along the rows, nan where fewer than two values are known."""
    enough = np.isfinite(values).sum(axis=1) >= 2
    found = np.full(len(values), np.nan)
    found[enough] = np.nanmedian(values[enough], axis=1)
    return found


def tapered(values: FloatArray) -> FloatArray:
    """Values about their mean under a Hann window, nan as 0, scaled so that white noise keeps its power in a sine."""
    known = np.isfinite(values)
    if known.sum() < 2:
        return np.zeros(len(values))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(len(values)) + 0.5) / len(values))
    level = np.where(known, values - values[known].mean(), 0.0) * window
    row: FloatArray = level / np.sqrt(np.sum(window[known] ** 2))
    return row


def sine_power(row: FloatArray, cycles: float) -> float:
    """Power of a sine of this many cycles in a tapered row; its mean is the variance for white noise.

    It then follows an exponential distribution (Scargle 1982, eq. 14, with the taper in place of 1 / sqrt n).
    """
    return float(abs(np.sum(row * np.exp(-2j * np.pi * cycles * np.arange(len(row)) / len(row)))) ** 2)


def background_power(row: FloatArray, cycles: float) -> tuple[float, float]:
    """Power expected from the neighbouring frequencies of a tapered row, and its degrees of freedom.

    A power law through half to twice the frequency (10 cycles each way at least), without the line itself. The
    logarithm of an exponential variable lies Euler's constant below that of its mean, and has the variance pi^2 / 6.
    """
    spectrum = np.abs(np.fft.rfft(row)) ** 2
    low, high = min(cycles / 2, max(cycles - 10, 1.0)), max(2 * cycles, cycles + 10)
    at = np.arange(max(int(low), 1), min(int(high) + 1, len(spectrum)))
    at = at[(np.abs(at - cycles) > LINE_BINS) & (spectrum[at] > 0)]
    if len(at) < 5:
        return 0.0, 0.0
    _slope, level = np.polyfit(np.log(at / cycles), np.log(spectrum[at]), 1)
    return float(np.exp(level + np.euler_gamma)), 2 * (len(at) - 2) / (np.pi**2 / 6)


def fitted_wave(row: FloatArray, turn: float) -> tuple[FloatArray, FloatArray]:
    """The wave of a turn of this many steps by least squares, separately on even and on odd steps.

    Returns
    -------
    course : ndarray, shape (n,)
    heights : ndarray, shape (2, 2)
        [cosines, sines] of even and of odd steps.
    """
    step = np.arange(len(row))
    angle = 2 * np.pi * step / turn
    design = np.stack([np.cos(angle), np.sin(angle), np.ones(len(step))], axis=1)
    course, heights = np.zeros(len(row)), np.zeros((2, 2))
    for side in (0, 1):
        mine = (step % 2 == side) & np.isfinite(row)
        if mine.sum() > 3:
            heights[:, side] = np.linalg.lstsq(design[mine], row[mine], rcond=None)[0][:2]
        course[side::2] = (design[:, :2] @ heights[:, side])[side::2]
    return course, heights


def where_it_ticks(
    scores: FloatArray, time_s: FloatArray, interval_s: float, doubt: float
) -> npt.NDArray[np.bool_]:
    """Which values coincide with something that repeats at an interval and shows in them.

    The values are folded at trial intervals within the interval's doubt (epoch folding, Leahy et al. 1983). Where the
    chi-square of the best is significant in the whole search, the phases that stand out and their neighbours are reported.

    Parameters
    ----------
    scores : ndarray, shape (n,)
        Of variance one; nan where unknown.
    time_s : ndarray, shape (n,)
    interval_s : float
    doubt : float
        How far off the interval may be, as a share of it.

    Returns
    -------
    ndarray of bool, shape (n,)
        All False where nothing stands out.
    """
    known = np.isfinite(scores) & np.isfinite(time_s)
    hit = np.zeros(len(scores), bool)
    if known.sum() < 2 * PHASES:
        return hit
    values, times = scores[known] - scores[known].mean(), time_s[known]
    slip = doubt * float(np.ptp(times)) / interval_s
    trials = np.arange(-np.ceil(slip * STEPS_A_CYCLE), np.ceil(slip * STEPS_A_CYCLE) + 1)
    best = 0.0, np.zeros(0, np.int64), np.zeros(PHASES)
    for trial in trials:
        tried_s = interval_s * (
            1 + trial / STEPS_A_CYCLE * interval_s / max(float(np.ptp(times)), interval_s)
        )
        phase = np.floor(np.mod(times / tried_s, 1.0) * PHASES).astype(np.int64) % PHASES
        count = np.maximum(np.bincount(phase, minlength=PHASES), 1)
        z = np.bincount(phase, weights=values, minlength=PHASES) / np.sqrt(count * values.var())
        if (total := float(np.sum(z**2))) > best[0]:
            best = total, phase, z
    total, phase, z = best
    if not len(phase) or len(trials) * float(chdtrc(PHASES - 1, total)) > TICKS:
        return hit
    hot = np.abs(z) > TICK_SIGMA
    hot |= np.roll(hot, 1) | np.roll(hot, -1)
    hit[known] = hot[phase]
    return hit


def steady_phase(time_s: FloatArray, interval_s: float) -> bool:
    """Whether something with this interval has one phase, or alternates between two or three, at all these moments.

    Rayleigh's test of the phase and its multiples: n R^2 follows an exponential distribution where phases are uniform.

    Examples
    --------
    >>> moments = 30.25 * np.arange(20.0)
    >>> steady_phase(moments, 1.0), steady_phase(moments, 0.5), steady_phase(moments, 0.93)
    (False, True, False)
    """
    phase = 2 * np.pi * time_s / interval_s
    strength = [len(time_s) * abs(np.exp(1j * times * phase).mean()) ** 2 for times in (1, 2, 3)]
    return bool(max(strength) > -np.log(STEADY_CHANCE))


def wave_ratio(rows: Sequence[FloatArray], turn: float) -> tuple[float, float]:
    """Power of a wave over its background, summed over tapered rows of every other step, and the background's freedoms.

    ``turn`` is in steps; each row holds every other step.
    """
    ratio = freedoms = 0.0
    for row in rows:
        cycles = 2 * len(row) / turn
        background, free = background_power(row, cycles)
        ratio += sine_power(row, cycles) / background if background > 0 else 0.0
        freedoms += free
    return ratio, freedoms


def is_wave_alone(row: FloatArray, turn: float) -> bool:
    """Whether the first wave of a turn is stronger than its overtones together, the background subtracted from each.

    Even and odd steps are analysed separately. A single deviating place gives overtones that are each as strong as the
    first wave.
    """
    halves = [tapered(row[side::2]) for side in (0, 1)]

    def strength(times: int) -> float:
        cycles = [2 * len(half) * times / turn for half in halves]
        return sum(
            sine_power(half, many) - background_power(half, many)[0]
            for half, many in zip(halves, cycles, strict=True)
        )

    return strength(1) > sum(max(strength(times), 0.0) for times in OVERTONES if turn / times > 4)
