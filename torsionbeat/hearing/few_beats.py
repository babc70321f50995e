"""The account of a handful of beats, straight from the peaks of the sound, before any sound of the clock is known.

With fewer than nine periods no track stands out by itself. So the peaks of rising strength are taken as points in time and
loudness, and every clock that they suggest (`guesses`: period, phase, lift passage or none, out of beat or one side only) is
scored (`peak_scores`), with what follows its sounds in step (`echoes`). An ordinary clock that ticks in the room is a rival of
every account: its ticks are removed first.

Times are seconds from the start of the stretch, levels dB over the background-noise deviation; a score is the
natural logarithm of the odds over a room without a clock.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from torsionbeat.hearing.echoes import score_of_echoes
from torsionbeat.hearing.guesses import (
    JOINED,
    halved_or_doubled,
    joined_guesses,
    likely_guesses,
    moved_by_passages,
    steady_places,
    suggested_by_pairs,
    with_clear_passages,
)
from torsionbeat.hearing.peak_scores import (
    SAME_S,
    FewBeats,
    Peaks,
    account_of,
    fitted_guesses,
    guess_of,
    laid,
    same_accounts,
)
from torsionbeat.tracks.other_clocks import even_train, slide_s
from torsionbeat.tracks.search import NEAR_NOMINAL

__all__ = [
    "few_beats",
]

FloatArray = npt.NDArray[np.float64]

_PARTS, _MOST_STEPS, _SHORTEST_S = (2, 3, 5), 3, 4.0
"""A given period may be one of these multiples of the true one, or a product of several (at most the second number); no torsion
clock has a period below the last, in seconds (common practice, no source)."""
_WITH_ECHOES = 24
"""Best accounts whose echoes are looked for: the others are farther off."""
_NEAR_PART, _OF_A_PART = 0.01, 0.01
"""A part of the best period lies within the first share of the true one; it is the true one in the second share of recordings."""
_LEAST_TRAIN, _MOST_TRAINS = 10.0, 4
"""An even train with a score above 10 is an ordinary clock, or its ticks or its tocks: those of two clocks are looked for."""


def few_beats(
    times: FloatArray,
    levels: FloatArray,
    duration_s: float,
    nominal_s: float,
    *,
    near: float = NEAR_NOMINAL,
    longest_train_s: float = np.inf,
    gaps: tuple[tuple[float, float], ...] = (),
    rivals: tuple[tuple[float, float], ...] = (),
    suggested: FloatArray | None = None,
    told: bool = True,
) -> list[FewBeats]:
    """Accounts of a stretch, the best first, each with its share of their whole probability.

    Parameters
    ----------
    times, levels : array, shape (peaks,)
        Result of `bands.peaks_of`.
    duration_s : float
    nominal_s, near : float
        The period lies within the share ``near`` of ``nominal_s``.
    longest_train_s : float
        Even ticks at longer intervals are not an ordinary clock's, but may be this one's.
    gaps : tuple of (start, end)
        Stretches without any sound: a sound predicted there does not count as missing.
    rivals : tuple of (period, share)
        Other periods, in seconds, that the clock may have, and the share of cases in which it has them.
    suggested : array, shape (guesses, 4), optional
        Clocks that something else found and that are scored too: drop, period, lateness of the second side and passage in
        seconds, NaN where there is no second side or no contact.
    told : bool
        Whether the period was given beforehand, and not found in this sound.
    """
    if len(times) < 4:
        return []
    peaks = Peaks.of(times, levels, duration_s, gaps)
    ticks_s: list[float] = []
    while len(ticks_s) < _MOST_TRAINS:
        train = even_train(peaks.times, peaks.levels, peaks.rarity, duration_s, longest_train_s)
        if train.score < _LEAST_TRAIN:
            break
        peaks = peaks.without(train.used)
        ticks_s.append(train.interval_s)
    priors = ((nominal_s, 1 - sum(share for _, share in rivals)), *rivals)
    places = steady_places(peaks.times, peaks.rarity, duration_s, nominal_s, near)
    steady = np.column_stack([np.tile(places, (2, 1)), np.full(2 * len(places), np.nan)])
    steady[: len(places), 2] = np.nan
    suggested = steady if suggested is None else np.concatenate([suggested, steady])
    weighed = [
        account
        for period_s, prior in priors
        for account in _weighed(peaks, period_s, near, prior, suggested if period_s == nominal_s else None)
    ]
    again = np.concatenate([joined_guesses(weighed), with_clear_passages(peaks, weighed)])
    weighed = _near_each(peaks, again, near, priors)
    again = np.concatenate([moved_by_passages(weighed), with_clear_passages(peaks, weighed)])
    weighed = _near_each(peaks, again, near, priors)
    if rivals:
        weighed += _in_parts(peaks, weighed, [period_s for period_s, _ in priors], near)
    told_s = [period_s for period_s, _ in priors] if told else []
    weighed = [one for one in weighed if not _residue(one.period_s, told_s, ticks_s, duration_s)]
    if not weighed:
        return []
    weighed, scores = _with_echoes(peaks, weighed)
    # What the one period shows of echoes the other must be allowed too, with the peaks that go with it.
    turned_guesses = halved_or_doubled([guess_of(one) for one in weighed[:JOINED]])
    turned = _near_each(peaks, np.array(turned_guesses).reshape(-1, 4), near, priors)
    turned, more = _with_echoes(peaks, turned)
    weighed, scores = _each_once([*weighed, *turned], np.concatenate([scores, more]))
    shares = np.exp(scores - logsumexp(scores)).tolist()
    return [replace(one, share=share) for one, share in zip(weighed, shares, strict=True)]


def _with_echoes(peaks: Peaks, weighed: list[FewBeats]) -> tuple[list[FewBeats], FloatArray]:
    """The accounts, and their scores with those of their echoes, the best first."""
    weighed = sorted(weighed, key=lambda one: -one.score)
    scores = np.array([one.score for one in weighed])
    scores[:_WITH_ECHOES] += [_echoes(peaks, one) for one in weighed[:_WITH_ECHOES]]
    order = np.argsort(-scores, kind="stable")
    return [weighed[place] for place in order.tolist()], scores[order]


def _each_once(weighed: list[FewBeats], scores: FloatArray) -> tuple[list[FewBeats], FloatArray]:
    """Accounts of one clock merged: the best of them, the best clock first."""
    order = np.argsort(-scores, kind="stable")
    kept = order[_first_of_each(np.array([guess_of(weighed[place]) for place in order.tolist()]))]
    return [weighed[place] for place in kept.tolist()], scores[kept]


def _residue(period_s: float, told_s: list[float], ticks_s: list[float], duration_s: float) -> bool:
    """Whether a clock with a period that nobody told keeps step with even ticks: it is some of them, or their echoes."""
    untold = all(abs(period_s / one_s - 1) > NEAR_NOMINAL for one_s in told_s)
    return untold and any(slide_s(period_s, tick_s, duration_s) < SAME_S for tick_s in ticks_s)


def _echoes(peaks: Peaks, account: FewBeats) -> float:
    """Score of what follows the account's own sounds: it decides between accounts, and does not count for a clock."""
    taken = laid(peaks, np.array([guess_of(account)]))[1][0]
    drops, contacts = (np.unique(sounds[sounds >= 0]) for sounds in (taken[::2], taken[1::2]))
    return score_of_echoes(peaks.times, peaks.levels, peaks.rarity, drops, contacts)


def _in_parts(peaks: Peaks, weighed: list[FewBeats], periods_s: list[float], near: float) -> list[FewBeats]:
    """Accounts at whole parts of the best period so far, while those are better.

    A clock with a quarter of the given period also supports an account at the given period, with a quarter of its beats.
    """
    out: list[FewBeats] = []
    best = max(weighed, key=lambda one: one.score, default=None)
    for _ in range(_MOST_STEPS):
        if best is None:
            break
        parts_s = [best.period_s / parts for parts in _PARTS]
        new_s = [
            part_s
            for part_s in parts_s
            if part_s > _SHORTEST_S and all(abs(part_s / known_s - 1) > near for known_s in periods_s)
        ]
        more = [one for part_s in new_s for one in _weighed(peaks, part_s, _NEAR_PART, _OF_A_PART)]
        periods_s = [*periods_s, *new_s]
        out += more
        better = max(more, key=lambda one: one.score, default=best)
        if better.score <= best.score:
            break
        best = better
    return out


def _weighed(
    peaks: Peaks, nominal_s: float, near: float, prior: float, suggested: FloatArray | None = None
) -> list[FewBeats]:
    """Distinct accounts near one period, which the share ``prior`` of clocks has."""
    likely = likely_guesses(peaks, suggested_by_pairs(peaks, nominal_s, near))
    if suggested is not None:
        likely = np.concatenate([likely, suggested])
    return _distinct(peaks, likely, near, prior)


def _distinct(peaks: Peaks, guesses: FloatArray, near: float, prior: float) -> list[FewBeats]:
    """Distinct accounts that guesses near one period come to, which the share ``prior`` of clocks has."""
    guesses, scores = fitted_guesses(peaks, guesses, near)
    return [
        account_of(guesses[number], float(scores[number] + np.log(prior)))
        for number in _first_of_each(guesses)
    ]


def _first_of_each(guesses: FloatArray) -> list[int]:
    """Numbers of the guesses that are not the same account as one before them."""
    same = same_accounts(guesses)
    kept: list[int] = []
    for number in range(len(guesses)):
        if not same[number, kept].any():
            kept.append(number)
    return kept


def _near_each(
    peaks: Peaks, guesses: FloatArray, near: float, priors: tuple[tuple[float, float], ...]
) -> list[FewBeats]:
    """Distinct accounts near each period, with the share of clocks that has it."""
    return [
        account
        for period_s, prior in priors
        for account in _distinct(peaks, guesses[np.abs(guesses[:, 1] / period_s - 1) <= near], near, prior)
    ]
