"""Cadences: periods at which a sound repeats, from its autocorrelation.

The autocorrelation of each band (Wiener-Khinchin, by FFT) shows every pair of like sounds at its distance; a clock of period T
puts a peak at T, 2 T, 3 T ... The mean of the autocorrelation over those multiples, divided by its scatter in a room without a
clock, is the score of a cadence. Without any repetition it is about normal with unit variance, so that a few million periods
tried reach about 5.3 by chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = [
    "ONE_PERIOD",
    "Cadence",
    "autocorrelation",
    "candidates",
    "of_short_sounds",
    "parts_of",
    "score_periods",
    "strongest_cadences",
    "without_other_cadence",
]

FloatArray = npt.NDArray[np.float32]

SHORTEST_TICK_S = 0.08
"""A watch of 36 000 beats an hour ticks every 0.1 s: what repeats faster is no clock."""
_CELL_HZ = 0.05
"""Width in which a hum is looked for: of a clock of four seconds every fifth has a line, of a slower one more."""
_CELLS_ROUND, _USUAL, _STANDS = 101, 90, 6.0
"""Cells round it (2.5 Hz either way), the percentile of their heights that is usual, so that a clock's own lines are, and by how
much a hum stands above that: lines of four equal sounds of a beat differ by up to 4, mains and fans stood above them by 10 to
10 000 (no source)."""
ONE_PERIOD = 5e-4  # periods nearer than this share of themselves are one
_SLOW = 250
"""Pooled frames (a second): a sound that repeats does so within a few, what repeats over more of them is the room's loudness."""


@dataclass(frozen=True, slots=True)
class Cadence:
    """A period in seconds and its score."""

    period_s: float
    score: float


def autocorrelation(
    rising: FloatArray, lags: int, strongest: float = 6.0, *, frame_s: float | None = None
) -> FloatArray:
    """Autocorrelation summed over bands, shape (lags,), in units of its scatter where nothing repeats.

    ``rising`` has shape (frames, bands). Where ``frame_s`` is given, hums are taken out.

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    lags : int
        Number of lags.
    strongest : float
        Larger values count as this.
    frame_s : float, optional
        Length of a frame, for the frequencies of hums.
    """
    from scipy import fft

    frames = len(rising)
    lags = min(lags, frames - 1)
    size = fft.next_fast_len(frames + lags, real=True)
    summed = np.zeros(size // 2 + 1, np.float32)
    used = 0
    for band in range(rising.shape[1]):
        series = np.clip(rising[:, band], -2, strongest).astype(np.float32)
        series -= series.mean()
        variance = float(series.var())
        if variance <= 0:
            continue
        spectrum = fft.rfft(series, size)
        summed += (spectrum.real**2 + spectrum.imag**2) / np.float32(variance)
        used += 1
    if frame_s is not None:
        _take_out_hums(summed, 1 / (size * frame_s))
    total = fft.irfft(summed, size)[:lags].astype(np.float64)
    if used:
        total /= np.sqrt(used * (frames - np.arange(lags, dtype=np.float64)))
    out: FloatArray = total.astype(np.float32)
    return out


def _take_out_hums(spectrum: FloatArray, step_hz: float) -> None:
    """Bring the lines that stand out of a power spectrum down to what is round them, in place.

    Mains, fans and motors repeat at every whole number of their turns, so that any long period seems to. A torsion clock has many
    lines, near together and alike, of which none stands out.
    """
    from scipy.ndimage import percentile_filter

    width = max(round(_CELL_HZ / step_hz), 1)
    first = round(1 / SHORTEST_TICK_S / step_hz)
    cells = spectrum[first : first + (len(spectrum) - first) // width * width].reshape(-1, width)
    heights = cells.mean(axis=1)
    usual = percentile_filter(heights, _USUAL, _CELLS_ROUND, mode="nearest")
    stands = heights > _STANDS * usual
    cells[stands] *= (usual[stands] / heights[stands])[:, None]


def of_short_sounds(correlation: FloatArray) -> FloatArray:
    """Autocorrelation minus its running mean over a second: what comes and goes slowly, as a fan that turns to and fro, repeats
    over seconds and would hide the ticks.

    Parameters
    ----------
    correlation : ndarray
        shape (lags,).
    """
    from scipy.ndimage import uniform_filter1d

    slow: FloatArray = uniform_filter1d(correlation, _SLOW)
    return correlation - slow


def score_periods(
    correlation: FloatArray,
    frame_s: float,
    shortest_s: float,
    longest_s: float,
    *,
    multiples: int,
    width: int,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Periods tried, in seconds, and the score of each.

    ``width`` frames of the autocorrelation are pooled, which allows for that much spread of the single beat.

    Parameters
    ----------
    correlation : ndarray
        shape (lags,).
    frame_s : float
        Length of a frame.
    shortest_s : float
    longest_s : float
    multiples : int
        Multiples of a period that are summed.
    width : int
        Frames that are pooled.
    """
    from scipy.ndimage import uniform_filter1d

    pooled = uniform_filter1d(correlation, width) * np.sqrt(width) if width > 1 else correlation
    multiples = max(1, min(multiples, int(len(pooled) * frame_s / shortest_s)))
    step = frame_s * max(width, 2) / 2 / multiples
    periods = np.arange(shortest_s, longest_s + step, step)
    score = np.zeros(len(periods))
    count = np.zeros(len(periods))
    for multiple in range(1, multiples + 1):
        lag = np.rint(multiple * periods / frame_s).astype(np.int64)
        inside = int(np.searchsorted(lag, len(pooled)))
        score[:inside] += pooled[lag[:inside]]
        count[:inside] += 1
    return periods, np.where(count > 0, score / np.sqrt(np.maximum(count, 1)), 0.0)


def strongest_cadences(
    periods: npt.NDArray[np.float64], scores: npt.NDArray[np.float64], count: int
) -> list[Cadence]:
    """The best periods, each at least 500 ppm from the better ones: nearer, a track follows either.

    Parameters
    ----------
    periods : ndarray
        shape (n,), seconds.
    scores : ndarray
        shape (n,).
    count : int
        Number of periods wanted.
    """
    left = scores.copy()
    found: list[Cadence] = []
    for _ in range(count):
        best = int(np.argmax(left))
        if not left[best] > 0:
            break
        found.append(Cadence(float(periods[best]), float(left[best])))
        left[np.abs(periods - periods[best]) < ONE_PERIOD * periods[best]] = 0
    return found


def without_other_cadence(correlation: FloatArray, frame_s: float, interval_s: float) -> FloatArray:
    """Autocorrelation minus its values at the neighbouring multiples of another clock's interval.

    Parameters
    ----------
    correlation : ndarray
        shape (lags,).
    frame_s : float
        Length of a frame.
    interval_s : float
        Of the other clock, from one sound to the same sound again.
    """
    lags = len(correlation)
    index = np.arange(lags)
    steps = np.rint(np.arange(-12, 13) * interval_s / frame_s).astype(np.int64)
    around = correlation[np.minimum(np.abs(index[None, :] + steps[:, None]), lags - 1)]
    out: FloatArray = (correlation - np.median(around, axis=0)).astype(np.float32)
    return out


def candidates(
    correlation: FloatArray, frame_s: float, low: float, high: float, least: float, count: int
) -> list[Cadence]:
    """Periods worth a trial, the best first, for several amounts of spread."""
    found: list[Cadence] = []
    for width in (3, 9):
        for multiples in (6, 30):
            periods, scores = score_periods(correlation, frame_s, low, high, multiples=multiples, width=width)
            found += [
                cadence for cadence in strongest_cadences(periods, scores, count) if cadence.score > least
            ]
    found.sort(key=lambda cadence: -cadence.score)
    kept: list[Cadence] = []
    for cadence in found:
        if all(abs(cadence.period_s / other.period_s - 1) > ONE_PERIOD for other in kept):
            kept.append(cadence)
    return kept[:count]


def _mean_correlation(correlation: FloatArray, frame_s: float, period_s: float) -> float:
    """Mean of the autocorrelation near the first multiples of a period, minus the value by chance."""
    values, chance = [], []
    for multiple in range(1, 31):
        lag = round(multiple * period_s / frame_s)
        reach = 2 + multiple // 8
        if lag + 4 * reach >= len(correlation):
            break
        values.append(float(correlation[lag - reach : lag + reach + 1].max()))
        beside = correlation[max(lag - 100, 0) : lag + 100]
        pieces = (
            beside[: len(beside) // (2 * reach + 1) * (2 * reach + 1)].reshape(-1, 2 * reach + 1).max(axis=1)
        )
        chance.append(float(np.median(pieces)))
    return float(np.mean(values) - np.mean(chance)) if values else 0.0


def parts_of(cadence: Cadence, correlation: FloatArray, frame_s: float, fraction_s: float) -> list[float]:
    """Whole fractions of a period at which the sound repeats as well as at the period itself, the shortest first; then the
    period."""
    whole = _mean_correlation(correlation, frame_s, cadence.period_s)
    parts = [cadence.period_s / number for number in range(10, 1, -1)]
    return [
        part_s
        for part_s in parts
        if part_s >= fraction_s and _mean_correlation(correlation, frame_s, part_s) > 0.7 * whole
    ] + [cadence.period_s]
