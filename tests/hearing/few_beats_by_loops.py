"""The account of a handful of beats worked out one guess and one sound after the other: what the arrays must give too."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from torsionbeat.hearing.guesses import _GRID_S, _MOST_PEAKS, _SHORTEST_PASSAGE_S, OUT_OF_HALF
from torsionbeat.hearing.peak_scores import (
    _LOUDER,
    _NO_CONTACT,
    _ONE_SIDED,
    _PLACE_S,
    _SAME_PASSAGE_S,
    HEARD,
    MISSING,
    SAME_PERIOD,
    SAME_S,
    SCATTER_S,
    SPREAD_DB,
    FewBeats,
)
from torsionbeat.hearing.priors import (
    ECHO,
    LONGEST_PASSAGE,
    LOUDEST_CONTACT_DB,
    LOUDNESS_DB,
    SAME_DROP_DB,
    SAME_FORK,
    SAME_FORK_DB,
    log_of_beat_error,
    log_of_passage,
)
from torsionbeat.tracks.bands import FRAMES_PER_S
from torsionbeat.tracks.densities import log_normal, log_student
from torsionbeat.tracks.other_clocks import _LEAST_TICKS, _SHORTEST_TRAIN_S


def guesses(peaks, nominal_s, near):
    """Every clock that two loud peaks a whole number of periods apart, with the peaks round them, suggest."""
    loud = np.argsort(-peaks.levels)[:_MOST_PEAKS]
    t = np.sort(peaks.times[loud])
    out: dict[tuple[int | None, ...], FewBeats] = {}
    first, second = np.triu_indices(len(t), 1)
    turns = np.rint((t[second] - t[first]) / nominal_s)
    periods = (t[second] - t[first]) / np.maximum(turns, 1)
    fits = (turns >= 1) & (np.abs(periods / nominal_s - 1) <= near)
    for i, j, period in zip(first[fits], second[fits], periods[fits], strict=True):
        start = float(t[i] % period)
        before = np.concatenate([t[i] - t, t[j] - t])
        passages = before[(before > _SHORTEST_PASSAGE_S) & (before < LONGEST_PASSAGE * period)]
        aside = (t - start) % period - period / 2
        sides = (None, *map(float, aside))
        lifts = (None, *map(float, passages))
        # the second side's loud sound is its drop; or its contact, and the drop comes a lift later
        for later in (False, True):
            for side, passage in itertools.product(sides, lifts):
                late = side
                if later and late is not None:
                    late = None if passage is None else late + passage
                if late is not None and abs(late) >= OUT_OF_HALF * period:
                    continue
                key = tuple(
                    None if value is None else round(value / _GRID_S)
                    for value in (period, start, late, passage)
                )
                out.setdefault(key, FewBeats(float(period), start, passage, late, 0.0))
    return list(out.values())


def same(one: FewBeats, other: FewBeats):
    """Whether two accounts say the same, the sides named alike or the other way round."""
    if abs(one.period_s / other.period_s - 1) > SAME_PERIOD:
        return False
    if (one.passage_s is None) != (other.passage_s is None) or (one.out_of_half_s is None) != (
        other.out_of_half_s is None
    ):
        return False
    if abs((one.passage_s or 0.0) - (other.passage_s or 0.0)) > _SAME_PASSAGE_S:
        return False

    def whole(turns: float):
        return abs(turns - round(turns)) * one.period_s < SAME_S

    between = (other.drop_s - one.drop_s) / one.period_s
    if one.out_of_half_s is None or other.out_of_half_s is None:
        return whole(between)
    if whole(between) and abs(one.out_of_half_s - other.out_of_half_s) < SAME_S:
        return True
    turned = between - 0.5 - one.out_of_half_s / one.period_s
    return whole(turned) and abs(one.out_of_half_s + other.out_of_half_s) < SAME_S


def kinds(guess):
    """Sounds of a period: how each depends on the period, on the second side's lateness and on the passage."""
    sides = [(0.0, 0.0)] if guess.out_of_half_s is None else [(0.0, 0.0), (0.5, 1.0)]
    sounds = (0.0,) if guess.passage_s is None else (0.0, -1.0)
    return [(half, late, sound) for half, late in sides for sound in sounds]


def fitted(peaks, guess, near):
    """The guess set by least squares on the peaks it takes, and its score."""
    score, design, seen, _ = laid(peaks, guess)
    columns = [0, 1]
    columns += [2] if guess.out_of_half_s is not None else []
    columns += [3] if guess.passage_s is not None else []
    if len(seen) >= max(3, len(columns)):
        solved = dict(zip(columns, np.linalg.lstsq(design[:, columns], seen, rcond=None)[0], strict=True))
        if 0.9 < solved[1] / guess.period_s < 1.1:
            guess = replace(
                guess,
                drop_s=float(solved[0]),
                period_s=float(solved[1]),
                out_of_half_s=None if guess.out_of_half_s is None else float(solved[2]),
                passage_s=None if guess.passage_s is None else float(solved[3]),
            )
    score, _, seen, levels = laid(peaks, guess)
    return replace(guess, score=score + of_clocks(guess, len(seen), levels, near))


def laid(peaks, guess):
    """Score of what the guess foretells; design and times of the peaks it takes; by kind the median level."""
    score = 0.0
    design, seen, medians = [], [], []
    first = int(np.floor(-guess.drop_s / guess.period_s)) - 1
    rows = np.arange(first, first + int(np.ceil(peaks.duration_s / guess.period_s)) + 3)
    for half, late, sound in kinds(guess):
        due = guess.drop_s + (rows.astype(np.float64) + half) * guess.period_s
        due = due + late * (guess.out_of_half_s or 0.0) + sound * (guess.passage_s or 0.0)
        inside = peaks.sounding(due)
        due, number = due[inside], rows[inside]
        taken = likeliest(peaks, due)
        heard = taken >= 0
        score += MISSING * np.count_nonzero(~heard)
        taken, due, number = taken[heard], due[heard], number[heard]
        medians.append(float(np.median(peaks.levels[taken])) if len(taken) else None)
        if not len(taken):
            continue
        there = np.log(HEARD) + peaks.rarity[taken] + log_student(peaks.times[taken] - due, 0.0, SCATTER_S)
        there += log_student(peaks.levels[taken], medians[-1] or 0.0, SPREAD_DB)
        score += float(np.logaddexp(there, MISSING).sum())
        ones = np.ones(len(taken))
        design.append(np.column_stack([ones, number + half, late * ones, sound * ones]))
        seen.append(peaks.times[taken])
    if not seen:
        return score, np.zeros((0, 4)), np.zeros(0), medians
    return score, np.concatenate(design), np.concatenate(seen), medians


def likeliest(peaks, due):
    """Index of the peak that is likeliest the sound due at each time; -1 where there is none near."""
    low = np.searchsorted(peaks.times, due - _PLACE_S)
    high = np.searchsorted(peaks.times, due + _PLACE_S)
    out = np.full(len(due), -1, np.int64)
    for number in np.flatnonzero(high > low):
        near = slice(low[number], high[number])
        weight = peaks.rarity[near] - 0.5 * ((peaks.times[near] - due[number]) / SCATTER_S) ** 2
        out[number] = low[number] + np.argmax(weight + _LOUDER * peaks.levels[near])
    return out


def of_clocks(guess, count: int, levels: list[float | None], near):
    """Score of what clocks are like, with the price of each number fitted: how narrowly it is fixed against its range."""
    width = float(np.log(SCATTER_S * np.sqrt(2 * np.pi / max(count, 1))))
    score = width - np.log(2 * near * guess.period_s) + width - np.log(guess.period_s)
    period = guess.period_s * FRAMES_PER_S
    if guess.out_of_half_s is None:
        score += np.log(_ONE_SIDED)
    else:
        score += width + log_of_beat_error(guess.out_of_half_s * FRAMES_PER_S, period) + np.log(FRAMES_PER_S)
    if guess.passage_s is None:
        score += np.log(_NO_CONTACT)
        drops, contacts = levels, [None] * len(levels)
    else:
        drops, contacts = levels[::2], levels[1::2]
        score += width + np.log(1 - _NO_CONTACT)
        score += log_of_passage(guess.passage_s * FRAMES_PER_S, period) + np.log(FRAMES_PER_S)
    # one level for both of a pair was in the range of the room's, 20 dB; a pair of a clock is closer than that
    softer = [
        None if drop is None or contact is None else contact - drop
        for drop, contact in zip(drops, contacts, strict=True)
    ]
    alone = [None if one is None else float(log_normal(one, *LOUDNESS_DB["contact"])) for one in softer]
    score += sum(ECHO for one in softer if one is not None and one > LOUDEST_CONTACT_DB)
    if len(softer) == 2 and None not in softer:
        alike = SAME_FORK * np.exp(log_student(softer[1], softer[0], SAME_FORK_DB))
        alone[1] = float(np.log(alike + (1 - SAME_FORK) * np.exp(alone[1])))
    score += sum(one + np.log(20.0) for one in alone if one is not None)
    if len(drops) == 2 and None not in drops:
        score += float(log_student(drops[1] - drops[0], 0.0, SAME_DROP_DB)) + np.log(20.0)
    return float(score)


def even_train(peaks, longest_s: float):
    """Peaks that an evenly ticking clock explains, and its score over the room."""
    nothing = np.zeros(len(peaks.times), bool)
    best = (nothing, 0.0)
    loud = np.argsort(-peaks.levels)[:_MOST_PEAKS]
    t = np.sort(peaks.times[loud])
    for i in range(len(t)):
        for j in range(i + 1, len(t)):
            if not _SHORTEST_TRAIN_S < t[j] - t[i] < longest_s:
                continue
            fitted = train_through(peaks.times, float(t[i]), float(t[j] - t[i]))
            if fitted is None:
                continue
            used, score = score_of_train(peaks, *fitted)
            if np.count_nonzero(used) >= _LEAST_TICKS and score > best[1]:
                best = (used, score)
    return best


def train_through(times, start, interval):
    """Start and interval of the train through the peaks near its ticks, fitted twice; None with fewer than six."""
    for _ in range(2):
        number = np.rint((times - start) / interval)
        near = np.abs(times - start - number * interval) < 3 * SCATTER_S
        if len(np.unique(number[near])) < _LEAST_TICKS:
            return None
        interval, start = (float(value) for value in np.polyfit(number[near], times[near], 1))
        if interval <= 0:
            return None
    return start, interval


def score_of_train(peaks, start: float, interval: float):
    number = np.rint((peaks.times - start) / interval)
    gap = peaks.times - start - number * interval
    # its ticks' levels lie within some 20 dB
    value = np.log(HEARD) + peaks.rarity + log_student(gap, 0.0, SCATTER_S) - np.log(20.0)
    value[np.abs(gap) >= 3 * SCATTER_S] = -np.inf
    used = np.zeros(len(peaks.times), bool)
    score = 0.0
    for tick in range(int(np.ceil(-start / interval)), int((peaks.duration_s - start) / interval)):
        here = np.flatnonzero(number == tick)
        top = int(here[np.argmax(value[here])]) if len(here) else -1
        if top >= 0 and value[top] > MISSING:
            score += float(value[top])
            used[top] = True
        else:
            score += MISSING
    return used, score + float(np.log(0.01 / max(int(np.count_nonzero(used)), 1) ** 0.5))
