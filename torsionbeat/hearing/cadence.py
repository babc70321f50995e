"""Cadence: with what period does the sound repeat?

Input: rising strength at a few hundred frames a second. Output: periods with their scores. The autocorrelation of
each band (Wiener-Khinchin, by FFT) shows every pair of like sounds at its distance; a clock of period T puts a peak
at T, 2 T, 3 T ... The mean of the autocorrelation over those multiples, divided by its own scatter in a room
without a clock, is the score: about normal with unit variance where there is nothing, so that a few million
periods tried reach about 5.3 by chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Cadence", "autocorrelation", "score_periods", "strongest_cadences"]

FloatArray = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Cadence:
    """A period in seconds and its score."""

    period_s: float
    score: float


def autocorrelation(rising: FloatArray, lags: int, strongest: float = 6.0) -> FloatArray:
    """Autocorrelation summed over bands, shape (lags,), in units of its scatter where nothing repeats.

    ``rising`` has shape (frames, bands).

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    lags : int
        How many lags.
    strongest : float
        Larger values count as this.
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
    total = fft.irfft(summed, size)[:lags].astype(np.float64)
    if used:
        total /= np.sqrt(used * (frames - np.arange(lags, dtype=np.float64)))
    out: FloatArray = total.astype(np.float32)
    return out


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
        How many are wanted.
    """
    left = scores.copy()
    found: list[Cadence] = []
    for _ in range(count):
        best = int(np.argmax(left))
        if not left[best] > 0:
            break
        found.append(Cadence(float(periods[best]), float(left[best])))
        left[np.abs(periods - periods[best]) < 5e-4 * periods[best]] = 0
    return found
