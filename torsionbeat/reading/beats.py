"""Beats: one row per beat, and the same time mark for every beat, so that their times can be compared.

Beats are numbered before any arithmetic, so a missed beat costs one beat only. The time mark of a beat is the middle of
its lift passage. Where only the drop was heard, it is the drop minus half the passage of neighbours of the same side.
A swing's ``time_s`` is that middle, or its drop where the contact was not heard: half a passage later, some tenths of a
second. Fitting lines to beats, or taking intervals between them, needs the same mark throughout.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.account import ALIKE, ALIKE_FRAMES, ALIKE_SHARE, UNLIKE_SHARE
from torsionbeat.hearing.heard import HeardSounds, SegmentPassage
from torsionbeat.reading.figures import FloatArray, IntArray, Swings
from torsionbeat.theory.robust import median_deviation, running_median
from torsionbeat.tracks.bands import FRAME_S

__all__ = [
    "ALIKE_FORKS",
    "ARC_AN_HOUR",
    "Beats",
    "StackedPassage",
    "as_one_fork_makes_them",
    "beats_of",
    "half_period_s",
    "middles_s",
    "stacked_passages",
    "without_strays",
]

LEAST_PASSAGES = 3
"""Fewer passages of a side than this give no median to compare the others with."""

LONELY_WITHIN_BEATS = 6
"""A sound with fewer than two other beats within this many before and after it is isolated."""

STRAY_S, STRAY_RATIO = 0.02, 10.0
"""A beat is left out when it is farther than this from the time its neighbours predict, and farther than this many times
the spread: no balance varies so much from swing to swing, and chance makes such outliers in less than one of a million beats."""


ALIKE_FORKS = 0.5
"""Correlation, between the sides, of the remaining doubt of a kind of sound: the room hides the same part of the contact on
both sides (no source)."""

ARC_AN_HOUR = 0.05
"""Change of an arc that is not seen, as a share of it in an hour (standard deviation; no source). A clock that was just set going
gains or loses more, one that settled less."""


@dataclass(frozen=True, slots=True)
class StackedPassage:
    """Passage of one side: its mean and standard uncertainty in s, and the share by which it grows from beat to beat.

    ``lead_s``: standard uncertainty from what the room hides of its contact, 0 where single contacts have that doubt.
    """

    mean_s: float
    uncertainty_s: float
    middle_beat: float
    travel: float
    travel_uncertainty: float
    lead_s: float = 0.0

    def at(self, beat: IntArray) -> FloatArray:
        """Passage at each beat, in s."""
        return np.asarray(self.mean_s * (1 + self.travel * (beat - self.middle_beat)), np.float64)


@dataclass(frozen=True, slots=True)
class Beats:
    """One row per beat heard, in order. Times in seconds; nan where a sound was not heard. All shape (n,).

    ``middle_s`` is the middle of the lift passage, found from the neighbours' passage where only the drop was heard.
    """

    number: IntArray
    contact_s: FloatArray
    drop_s: FloatArray
    middle_s: FloatArray
    passage_s: FloatArray

    def where(self, rows: npt.NDArray[np.bool_]) -> Beats:
        """Give the beats of chosen rows."""
        return Beats(*(getattr(self, name)[rows] for name in Beats.__slots__))

    def of_numbers(self, number: IntArray) -> Beats:
        """Give the beats of chosen numbers."""
        return self.where(np.isin(self.number, number))


def beats_of(sounds: HeardSounds, seconds: FloatArray, stacked: dict[int, StackedPassage]) -> Beats:
    """Arrange the sounds that are certain by beat.

    Parameters
    ----------
    sounds : HeardSounds
    seconds : array, shape (n,)
        Time of each sound.
    stacked : dict
        Passages by side (0, 1) where single contacts are not heard.
    """
    drops = sounds.certain & (sounds.kind == "drop")
    contacts = sounds.certain & (sounds.kind == "contact")
    number = np.unique(sounds.beat[drops])
    drop = np.full(len(number), np.nan)
    contact = np.full(len(number), np.nan)
    drop[np.searchsorted(number, sounds.beat[drops])] = seconds[drops]
    at = np.searchsorted(number, sounds.beat[contacts])
    at = np.minimum(at, max(len(number) - 1, 0))
    fits = number[at] == sounds.beat[contacts] if len(number) else np.zeros(0, bool)
    contact[at[fits]] = seconds[contacts][fits]
    passage = drop - contact
    contact[~(passage > 0)] = np.nan
    passage[~(passage > 0)] = np.nan
    filled = _filled(number, passage)
    for side, mean in stacked.items():
        rows = np.flatnonzero(number % 2 == side)
        filled[rows] = mean.at(number[rows])
    return Beats(number, contact, drop, _middles(drop, filled), passage)


def stacked_passages(
    parts: tuple[SegmentPassage, ...], seconds_per_sample: float, half_period_s: float
) -> dict[int, StackedPassage]:
    """Passages by side (0 for a, 1 for b), where they were found only with many beats stacked (averaged).

    Both sides belong to one balance, so their passages grow at one common rate. A contact that moves away from its drop
    moves the middle of the lift passage, from which the period is taken.

    Parameters
    ----------
    parts : tuple of SegmentPassage
        What the hearing found in each stretch.
    seconds_per_sample : float
    half_period_s : float
    """
    sides = {}
    usual = ARC_AN_HOUR / 3600 * half_period_s
    lever, moment = 1 / usual**2, 0.0
    for side in (0, 1):
        own = [part for part in parts if part.side == "ab"[side]]
        if not own:
            continue
        values = np.array([part.passage_samples for part in own]) * seconds_per_sample
        weights = 1 / (np.array([part.uncertainty_samples for part in own]) * seconds_per_sample) ** 2
        beats = np.array([(part.first_beat + part.last_beat) / 2 for part in own])
        mean, middle = float(np.average(values, weights=weights)), float(np.average(beats, weights=weights))
        # Shares of the mean passage, so that both sides can be added.
        lever += float(np.sum(weights * mean**2 * (beats - middle) ** 2))
        moment += float(np.sum(weights * mean**2 * (beats - middle) * (values / mean - 1)))
        lead_s = max(part.lead_samples for part in own) * seconds_per_sample
        sides[side] = StackedPassage(mean, float(1 / np.sqrt(weights.sum())), middle, 0.0, 0.0, lead_s)
    travel, spread = moment / lever, float(1 / np.sqrt(lever))
    return {side: replace(one, travel=travel, travel_uncertainty=spread) for side, one in sides.items()}


def as_one_fork_makes_them(
    stacked: dict[int, StackedPassage], beats: Beats
) -> tuple[dict[int, StackedPassage], float]:
    """The stacked passages, drawn to those of the other side, and the standard uncertainty of the difference of both, in s.

    One fork makes both passages, so in nine of ten clocks they are alike (`account.ALIKE`). A passage that the stack hardly shows
    is then the other side's. Half the difference goes into the beat error, which is taken from the middles of the passages.

    Parameters
    ----------
    stacked : dict
        Passages by side, as the stack shows them.
    beats : Beats
        Those with single contacts give the passage of a side that was not stacked.

    Returns
    -------
    dict, float
        For the middles of the beats, not for the arc: drawn to each other, the two are no longer independent. The
        uncertainty is 0 where the passage of one side is unknown: then the drops are the marks.
    """
    # What one room hides of both contacts alike is in no difference.
    both_hidden = len(stacked) == 2 and all(one.lead_s > 0 for one in stacked.values())
    own_share = 1 - ALIKE_FORKS if both_hidden else 1.0
    known = {
        side: (one.mean_s, float(np.hypot(one.uncertainty_s, one.lead_s * np.sqrt(own_share))))
        for side, one in stacked.items()
    }
    for side in (0, 1):
        own = beats.passage_s[(beats.number % 2 == side) & np.isfinite(beats.passage_s)]
        if side not in known and len(own) >= LEAST_PASSAGES:
            known[side] = (float(np.median(own)), 0.0)  # its doubt is counted with its sounds'
    if len(known) < 2 or not stacked:
        return stacked, 0.0
    (one_s, u_one_s), (other_s, u_other_s) = known[0], known[1]
    variance, apart_s = u_one_s**2 + u_other_s**2, one_s - other_s
    longer_s = max(one_s, other_s)
    shares = np.array([ALIKE, 1 - ALIKE])
    widths = np.array([max(ALIKE_FRAMES * FRAME_S, ALIKE_SHARE * longer_s), UNLIKE_SHARE * longer_s]) ** 2
    weights = shares * np.exp(-(apart_s**2) / (widths + variance) / 2) / np.sqrt(widths + variance)
    weights = weights / weights.sum() if weights.sum() > 0 else np.array([0.0, 1.0])
    each_s = apart_s * widths / (widths + variance)
    left_s = float(weights @ each_s)
    spread_s = float(np.sqrt(weights @ (widths * variance / (widths + variance) + (each_s - left_s) ** 2)))
    drawn_s = (apart_s - left_s) / variance
    moved = {0: one_s - drawn_s * u_one_s**2, 1: other_s + drawn_s * u_other_s**2}
    return {side: replace(found, mean_s=moved[side]) for side, found in stacked.items()}, spread_s


def middles_s(swings: Swings) -> FloatArray:
    """Time of the same mark of every beat, seconds, shape (n,).

    The mark is the middle of the lift passage. Where only the drop was heard, the neighbours' passage is used. Where
    both sides have too few passages for that, the mark is the drop, for every beat.

    Examples
    --------
    >>> import numpy as np
    >>> n = np.arange(10)
    >>> passage = np.where(n == 4, np.nan, 0.8)
    >>> time = np.where(n == 4, 30.0 * n + 0.4, 30.0 * n)
    >>> swings = Swings(n, time, ["a", "b"] * 5, time * np.nan, passage, time * np.nan)
    >>> float(np.abs(middles_s(swings) - 30.0 * n).max())
    0.0
    """
    passage = swings.lift_passage_s
    known = np.isfinite(passage)
    if known.all() or not known.any():
        return swings.time_s.copy()
    drop = swings.time_s + np.where(known, passage, 0.0) / 2
    odd = np.asarray(swings.side == "b", np.int64)
    return _middles(drop, _filled(2 * (swings.number // 2) + odd, passage))


def _filled(number: IntArray, passage: FloatArray) -> FloatArray:
    """Passage of every beat: its own, or that of its side's neighbours. A side that has too few takes the other side's: the
    balance passes the same lift both ways, and as its arc travels, both passages change alike. nan where both have too few."""
    sides = [np.flatnonzero(np.isfinite(passage) & (number % 2 == side)) for side in (0, 1)]
    filled = passage.copy()
    for side in (0, 1):
        of = sides[side] if len(sides[side]) >= LEAST_PASSAGES else sides[1 - side]
        if len(of) >= LEAST_PASSAGES:
            blank = np.setdiff1d(np.flatnonzero(number % 2 == side), of)
            filled[blank] = np.interp(number[blank], number[of], running_median(passage[of]))
    return filled


def _middles(drop_s: FloatArray, passage_s: FloatArray) -> FloatArray:
    """Middles of the passages; the drops of all beats where any passage is missing: a mixture would look like a step."""
    return drop_s - passage_s / 2 if np.isfinite(passage_s).all() else drop_s.copy()


def without_strays(beats: Beats) -> tuple[Beats, int]:
    """Beats without those whose time does not fit their neighbours', and how many of these there were."""
    if len(beats.number) >= 2 * LONELY_WITHIN_BEATS:
        # A single sound is not a beat where the clock is not heard for several beats before and after it.
        near = np.searchsorted(beats.number, beats.number + LONELY_WITHIN_BEATS + 1) - np.searchsorted(
            beats.number, beats.number - LONELY_WITHIN_BEATS
        )
        beats = beats.where(near >= 3)
    keep = np.ones(len(beats.number), bool)
    if len(beats.number) >= 6:
        residual = beats.middle_s - half_period_s(beats) * beats.number
        for side in (0, 1):
            rows = np.flatnonzero(beats.number % 2 == side)
            if len(rows) < 5:
                continue
            miss = residual[rows] - _of_neighbours(residual[rows])
            keep[rows] = np.abs(miss) < max(STRAY_RATIO * median_deviation(miss), STRAY_S)
    return beats.where(keep), int(np.count_nonzero(~keep))


def _of_neighbours(values: FloatArray) -> FloatArray:
    """Prediction of each value from the two before and the two after it: the nearest of four predictions.

    A beat just after a jump agrees with the beats after it, so it is not a stray.
    """
    padded = np.pad(values, 2, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, 5)
    guesses = np.stack(
        [2 * around[:, 1] - around[:, 0], around[:, 1], around[:, 3], 2 * around[:, 3] - around[:, 4]]
    )
    nearest = np.nanargmin(np.abs(guesses - values), axis=0)
    out: FloatArray = np.take_along_axis(guesses, nearest[None], axis=0)[0]
    return out


def half_period_s(beats: Beats) -> float:
    """Rough half period, from steps between beats of the same side, so that the beat error does not enter."""
    steps = []
    for side in (0, 1):
        rows = np.flatnonzero(beats.number % 2 == side)
        steps.append(np.diff(beats.middle_s[rows]) / np.diff(beats.number[rows]))
    return float(np.median(np.concatenate(steps)))
