"""The score of a clock in a handful of beats, from the peaks of the sound.

Each sound that a clock predicts is present, at its time and as loud as its kind, or missing, against the probability that the
room puts a peak there. The prior of clocks and a penalty for each fitted number are added (Laplace; P. Gregory and T. Loredo,
Astrophys. J. 398 (1992) 146). Times are seconds from the start of the stretch, levels dB over the background-noise deviation.

A guess is a row of four numbers: drop, period, lateness of the second side and passage in seconds, NaN where there is no second
side or no contact.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.echoes import DISTINCT_S
from torsionbeat.hearing.priors import log_of_beat_error, log_of_levels, log_of_passage
from torsionbeat.tracks.bands import FRAMES_PER_S
from torsionbeat.tracks.densities import log_student

__all__ = [
    "AHEAD",
    "HALF",
    "HEARD",
    "LATE",
    "MISSING",
    "SAME_PERIOD",
    "SAME_S",
    "SCATTER_S",
    "SPREAD_DB",
    "FewBeats",
    "Peaks",
    "account_of",
    "fitted_guesses",
    "guess_of",
    "laid",
    "same_accounts",
    "sounds_in",
]

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SCATTER_S = 0.005
"""Scale of the distance of a sound from its time: jitter of a poor clock, and the 4 ms of a peak's own grid."""
HEARD = 0.97
"""Share of beats whose sound gives a peak."""
SPREAD_DB = 4.0
"""Scale of a sound's level about the median of its kind and side."""
# Accuracy of figures from so few beats: two accounts nearer than that are one (no source).
SAME_S, SAME_PERIOD, _SAME_PASSAGE_S = 0.02, 0.003, DISTINCT_S
_ROUNDING = 1e-11
"""Eigenvalues below this share of the largest are zero: those of whole numbers go down to 1e-8 with 135 rows."""
HALF, LATE, AHEAD = np.array([[0.0, 0.0, 0.5, 0.5], [0.0, 0.0, 1.0, 1.0], [0.0, -1.0, 0.0, -1.0]])[..., None]
"""Coefficients of period, lateness of the second side and passage for each sound: drop and contact of each side."""
_ONE_SIDED, _NO_CONTACT = 0.02, 0.15
"""Share of clocks with only one side heard, and with no contact heard."""
_PLACE_S = 0.02
"""Longest distance of a peak from where a sound is predicted."""
_LOUDER = 0.15
"""Score for each dB: of two peaks at one place the louder is preferred."""
_RARITY_DB, _RARITY_GRID_DB = 3.0, 0.05
"""Width over which the levels of peaks are alike, and steps in which they are counted."""
_EDGE_S = 0.05  # a sound so near to an end or a gap is not heard whole
MISSING = float(np.log(1 - HEARD))  # score of a missing sound


@dataclass(frozen=True, slots=True)
class FewBeats:
    """One account: period, time of a drop of the first side, lift passage (None: no contact heard), lateness of the second
    side's drop against half a period after the first's (None: one side only), score and share of all probability."""

    period_s: float
    drop_s: float
    passage_s: float | None
    out_of_half_s: float | None
    score: float
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Peaks:
    """Peaks, and how rare each is in this room: the logarithm of one over their density per second and dB."""

    times: FloatArray
    levels: FloatArray
    rarity: FloatArray
    duration_s: float
    gaps: tuple[tuple[float, float], ...]

    @staticmethod
    def of(
        times: FloatArray, levels: FloatArray, duration_s: float, gaps: tuple[tuple[float, float], ...]
    ) -> Peaks:
        from scipy.ndimage import gaussian_filter1d

        # On a grid, since a quarter of an hour beside a fan has ten thousand peaks.
        reach = round(6 * _RARITY_DB / _RARITY_GRID_DB)
        lowest = float(levels.min()) - reach * _RARITY_GRID_DB
        places = np.rint((levels - lowest) / _RARITY_GRID_DB).astype(np.int64)
        counts = np.bincount(places, minlength=int(places.max()) + reach + 1) / _RARITY_GRID_DB
        smooth = gaussian_filter1d(counts, _RARITY_DB / _RARITY_GRID_DB, mode="constant", truncate=6.0)
        density = smooth[places]
        return Peaks(times, levels, -np.log((density + 0.02) / duration_s), duration_s, gaps)

    def without(self, used: BoolArray) -> Peaks:
        return replace(self, times=self.times[~used], levels=self.levels[~used], rarity=self.rarity[~used])

    def sounding(self, times: FloatArray) -> BoolArray:
        """Which times lie within the stretch and outside its gaps: a sound can be missing only at those."""
        inside = (times > _PLACE_S) & (times < self.duration_s - _EDGE_S)
        for start, end in self.gaps:
            inside &= (times < start - _EDGE_S) | (times > end + _PLACE_S)
        return inside


def guess_of(account: FewBeats) -> tuple[float, ...]:
    """An account as a guess: the reverse of `account_of`."""
    numbers = (account.drop_s, account.period_s, account.out_of_half_s, account.passage_s)
    return tuple(np.nan if number is None else number for number in numbers)


def account_of(guess: FloatArray, score: float) -> FewBeats:
    drop_s, period_s, late_s, passage_s = (None if np.isnan(value) else float(value) for value in guess)
    return FewBeats(period_s or 0.0, drop_s or 0.0, passage_s, late_s, score)


def sounds_in(guesses: FloatArray) -> BoolArray:
    """Which of the four sounds each guess has (guesses, 4)."""
    late, passage = np.isnan(guesses[..., 2:3]), np.isnan(guesses[..., 3:4])
    return np.asarray(~(late & (LATE[:, 0] != 0)) & ~(passage & (AHEAD[:, 0] != 0)))


def same_accounts(guesses: FloatArray) -> BoolArray:
    """Whether each account (rows) equals each other one, with the sides named alike or exchanged."""
    one, other = guesses[:, None, :], guesses[None, :, :]
    drop, period, late, passage = np.moveaxis(np.nan_to_num(one), 2, 0)
    drop_2, period_2, late_2, passage_2 = np.moveaxis(np.nan_to_num(other), 2, 0)

    def whole(turns: FloatArray) -> BoolArray:
        return np.asarray(np.abs(turns - np.rint(turns)) * period < SAME_S)

    alike = (np.isnan(one) == np.isnan(other)).all(axis=2)
    alike &= (np.abs(period / period_2 - 1) <= SAME_PERIOD) & (np.abs(passage - passage_2) <= _SAME_PASSAGE_S)
    between = (drop_2 - drop) / period
    turned = whole(between - 0.5 - late / period) & (np.abs(late + late_2) < SAME_S) & ~np.isnan(one[..., 2])
    return np.asarray(alike & ((whole(between) & (np.abs(late - late_2) < SAME_S)) | turned))


def fitted_guesses(peaks: Peaks, guesses: FloatArray, near: float) -> tuple[FloatArray, FloatArray]:
    """The guesses, each fitted by least squares to the peaks it takes, and their scores; the best first."""
    if not len(guesses):
        return guesses, np.zeros(0)
    taken = laid(peaks, guesses)[1]
    heard, number = taken >= 0, _numbers(peaks, guesses)
    columns = np.stack(np.broadcast_arrays(1.0, number, LATE, AHEAD), axis=-1)
    design = (columns * heard[..., None]).reshape(len(guesses), -1, 4)
    rest = np.where(heard, peaks.times[taken] - _due(guesses, number), 0.0).reshape(len(guesses), -1, 1)
    # Parameters that the peaks do not determine (no contact, or one side) get the minimum-norm solution. Not `pinv`: it would
    # lose half the digits of the numbers themselves.
    turned = design.swapaxes(-1, -2)
    size, axes = np.linalg.eigh(turned @ design)
    back = axes.swapaxes(-1, -2)
    told = size > _ROUNDING * size[:, -1:]
    step = (back @ (turned @ rest))[..., 0] / np.where(told, size, 1.0)
    before = (back @ np.nan_to_num(guesses)[..., None])[..., 0]
    after = (axes @ (told * (before + step))[..., None])[..., 0]
    after[np.isnan(guesses)] = np.nan
    enough = np.count_nonzero(heard, axis=(1, 2)) >= np.maximum(
        3, np.count_nonzero(~np.isnan(guesses), axis=1)
    )
    good = enough & (np.abs(after[:, 1] / guesses[:, 1] - 1) < 0.1)
    guesses = np.where(good[:, None], after, guesses)
    scores, taken, levels = laid(peaks, guesses)
    scores += _of_clocks(guesses, np.count_nonzero(taken >= 0, axis=(1, 2)), levels, near)
    # Two guesses often end in one account, apart from rounding: their order must not depend on rounding.
    order = np.lexsort((np.round(guesses[:, 0], 6), -np.round(scores, 6)))
    order = order[np.isfinite(scores[order])]
    return guesses[order], scores[order]


def _numbers(peaks: Peaks, guesses: FloatArray) -> FloatArray:
    """Place of every sound in periods from the drop (guesses, sounds, rows); the first and last rows lie outside the stretch."""
    drop, period = guesses[:, :2].T
    rows = (
        np.arange(int(np.ceil(peaks.duration_s / period.min())) + 3) + np.floor(-drop / period)[:, None] - 1
    )
    return np.asarray(rows[:, None, :] + HALF)


def _due(guesses: FloatArray, number: FloatArray) -> FloatArray:
    """When every sound is due (guesses, sounds, rows), in seconds."""
    drop, period, late, passage = np.nan_to_num(guesses).T[..., None, None]
    return np.asarray(drop + number * period + LATE * late + AHEAD * passage)


def laid(peaks: Peaks, guesses: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
    """Predictions of each guess, matched with the peaks: score (guesses), peak taken (guesses, sounds, rows; -1: none) and median
    level (guesses, sounds; NaN: none)."""
    due = _due(guesses, _numbers(peaks, guesses))
    expected = peaks.sounding(due) & sounds_in(guesses)[..., None]
    taken = np.full(due.shape, -1, np.int64)
    taken[expected] = _likeliest(peaks, due[expected])
    heard = taken >= 0
    medians = _medians(np.where(heard, peaks.levels[taken], np.inf), np.count_nonzero(heard, axis=2))
    guess, sound, _ = np.nonzero(heard)
    on = taken[heard]
    there = np.log(HEARD) + peaks.rarity[on] + log_student(peaks.times[on] - due[heard], 0.0, SCATTER_S)
    there += log_student(peaks.levels[on], medians[guess, sound], SPREAD_DB)
    score = np.bincount(guess, np.logaddexp(there, MISSING), len(guesses))
    return score + MISSING * np.count_nonzero(expected & ~heard, axis=(1, 2)), taken, medians


def _medians(values: FloatArray, counts: IntArray) -> FloatArray:
    """Median along the last axis of the ``counts`` smallest values, NaN of none."""
    values = np.sort(values, axis=-1)
    middles = np.stack(
        [np.maximum(counts - 1, 0) // 2, np.minimum(counts // 2, values.shape[-1] - 1)], axis=-1
    )
    return np.where(counts > 0, np.take_along_axis(values, middles, axis=-1).mean(axis=-1), np.nan)


def _likeliest(peaks: Peaks, due: FloatArray) -> IntArray:
    """Index of the peak that is most likely the sound due at each time; -1 where no peak is near."""
    out, most = np.full(len(due), -1, np.int64), np.full(len(due), -np.inf)
    worth = peaks.rarity + _LOUDER * peaks.levels
    peak = np.searchsorted(peaks.times, due - _PLACE_S)
    sound = np.arange(len(due))
    while len(sound):
        near = peaks.times[np.minimum(peak, len(peaks.times) - 1)] < due[sound] + _PLACE_S
        near &= peak < len(peaks.times)
        sound, peak = sound[near], peak[near]
        weight = worth[peak] - 0.5 * ((peaks.times[peak] - due[sound]) / SCATTER_S) ** 2
        better = weight > most[sound]
        out[sound[better]], most[sound[better]] = peak[better], weight[better]
        peak = peak + 1
    return out


def _of_clocks(guesses: FloatArray, counts: IntArray, levels: FloatArray, near: float) -> FloatArray:
    """Prior score of the clock, with a penalty for each fitted number: how narrowly it is determined against its range."""
    width = np.log(SCATTER_S * np.sqrt(2 * np.pi / np.maximum(counts, 1)))
    _, period_s, late_s, passage_s = guesses.T
    score = width - np.log(2 * near * period_s) + width - np.log(period_s)
    late, passage, period = late_s * FRAMES_PER_S, passage_s * FRAMES_PER_S, period_s * FRAMES_PER_S
    out, lift = np.flatnonzero(~np.isnan(late)), np.flatnonzero(~np.isnan(passage))
    score += np.where(np.isnan(late), np.log(_ONE_SIDED), width + np.log(FRAMES_PER_S))
    score[out] += [log_of_beat_error(late[one], period[one]) for one in out]
    with_contact = width + np.log(1 - _NO_CONTACT) + np.log(FRAMES_PER_S)
    score += np.where(np.isnan(passage), np.log(_NO_CONTACT), with_contact)
    score[lift] += [log_of_passage(passage[one], period[one]) for one in lift]
    return np.asarray(score + log_of_levels(levels))
