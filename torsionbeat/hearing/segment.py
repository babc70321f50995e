"""One segment: a stretch of sound up to an hour and a quarter long, analysed as a whole.

Input: the levels and strengths of the stretch. Output: the sounds of the clock, each with the number of its beat
and its place in frames of 0.5 ms. The night is a series of segments (:mod:`torsionbeat.hearing.listener`). Tracks come
from the repetition of the sound (`search`, `pattern`) and are corrected by all their beats together (`path`). In a stretch of
a few periods the peaks themselves are scored (`few_beats`). `sides` decides which sound is which.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.account import Account, Roles
from torsionbeat.hearing.few_beats import few_beats
from torsionbeat.hearing.peak_scores import SAME_PERIOD, SAME_S, FewBeats
from torsionbeat.hearing.placing import Placed, by_turns, passage_of, place
from torsionbeat.hearing.rivals import MOST_ODDS, likelier, rivals_of, with_mixed_sounds, with_rivals
from torsionbeat.hearing.sides import (
    ChapterHeard,
    Rival,
    as_the_peaks_say,
    guesses_of,
    named,
    one_of_each,
    summary,
    weighed_accounts,
    with_parts_before,
)
from torsionbeat.hearing.tail import loudest, placed_in_the_tail
from torsionbeat.tracks.bands import (
    CHUNK_FRAMES,
    POOLED_CHUNK,
    POOLED_FRAMES,
    STRONGEST,
    Chapter,
    peaks_of,
    rising,
)
from torsionbeat.tracks.fine_power import FinePower
from torsionbeat.tracks.other_clocks import OtherClock, evenly_ticking, slide_s, without_other_clocks
from torsionbeat.tracks.path import reassociated
from torsionbeat.tracks.pattern import FEW_ROWS, SoundTrack, halves, pattern_at, sounds_round
from torsionbeat.tracks.search import NEAR_NOMINAL, Found, Wanted, find_clock, find_second_clock

__all__ = [
    "LEAST_SHARE",
    "MISTOLD",
    "hear_chapter",
    "hear_pieces",
]

FloatArray = npt.NDArray[np.float32]

LEAST_SCORE, LEAST_SHARE, LEAST_NAMED = 8.0, 0.99, 0.98
"""Score and share of all probability from which a few beats are reported: of 112 sounds without a clock none scored above
2.2, of 80 starts among real ticks 1 was wrong above 2 and none of 50 above 8. Accounts with the same period and beat error share
the second, if the likeliest has the third (with 0.95 one start of 20 was wrong); the doubt of the arc is told."""
_LIKE, _ALIKE = 0.9, 5.0
"""Likeness of the beats of each side from which the second number is added to the score: crackles, rotors, syllables and drops of
a tap are rarely so alike."""
MISTOLD = ((0.5, 0.005), (2.0, 0.05))
"""The true period may be this multiple of the given one, in this share of recordings. A user who counts beats as periods gives
half; hardly anyone gives twice (common practice, no source). Half the period of a clock in beat, with one side, explains its
sounds nearly as well as the whole period. Of two clean twins less than 8 ms out of beat neither was ever sure with equal shares,
and one with the first share at 0.01."""
_WHOLE = 3e-4
"""A clock whose period is this near a whole number of another's ticks may be a residue of them."""
_ON_TICKS, _MOSTLY = 7.0, 0.97
"""Log odds over chance, and share of the beats on ticks, from which such a clock is a residue, unless its evidence is high."""
# The residue of a clock that was removed has less evidence than this (no source).
_SURE_EVIDENCE = 300.0
_ON_PEAK_S = 0.025  # duration of the ring of one sound: a place this near a peak is that peak
_HIDES_S, _WAITED_S = 0.1, 150.0
"""How long a tick of another clock hides what sounds with it, with its echoes in the room, and how long that keeps a handful of
beats from being sure: to wait for two minutes and a half costs nobody anything, nine periods of a 60 s clock would. Beside
a clock that ticks each second, one start of 53 lost a contact so, and an echo became the drop (`livestarts.py --kinds real`)."""
_LEAST_GAP = 20  # beats: a stretch of fewer is filled by the tracks on either side
_TWO_OPINIONS = 2 * FEW_ROWS
"""Periods up to which the account of few beats is computed too. The search of many beats then has few more than it needs: near
the noise floor it took a contact for the drop (one noisy start in twenty, some 9 dB above the room), or a rare sound for a
contact."""


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A stretch as the search uses it: strength and its rise (pooled frames, bands), and the power that they come from."""

    strength: FloatArray
    up: FloatArray
    fine: FinePower
    others: tuple[OtherClock, ...]
    pooled_s: float


def hear_chapter(
    chapter: Chapter, wanted: Wanted, look_round: bool = False
) -> tuple[ChapterHeard | None, tuple[OtherClock, ...]]:
    """Find the clock in a chapter (None where there is none), and the other, faster clocks that are heard.

    Parameters
    ----------
    chapter : Chapter
    wanted : Wanted
        What is known of the clock beforehand.
    look_round : bool
        Search for other torsion clocks too.
    """
    pooled_s = chapter.frame_s * POOLED_FRAMES
    strength = chapter.strength.astype(np.float32)
    strength, others, added = without_other_clocks(strength, pooled_s, _longest_other(wanted))
    if added is not None:
        deviation = np.repeat(chapter.deviations, CHUNK_FRAMES // POOLED_FRAMES, axis=0)
        added = np.minimum(added * deviation, 60000).astype(np.float16)
        del deviation
    fine = FinePower(chapter.levels, chapter.floors, added)
    up = rising(strength, 12.0)
    stretch = _Stretch(strength, up, fine, others, pooled_s)
    found, few = _searched(stretch, wanted)
    told_s = wanted.nominal_period_s
    short = stretch if told_s is not None and len(up) * pooled_s < _TWO_OPINIONS * told_s else None
    del strength, stretch
    if found is None:
        return few, others
    found = _of_both_sides(up, fine, found)
    heard = _hear_beats(up, fine, found, others)
    if heard is None:
        return None, others
    if short is not None:
        few = _hear_few(
            short, found.period_s, 0.0, _longest_other(wanted), guesses_of(heard) * chapter.frame_s
        )
        if few is None and told_s is not None and not _near_told(found.period_s, told_s):
            return None, others  # some beats at a period that nobody told, and their peaks are no clock's
        heard = with_mixed_sounds(heard if few is None else likelier(heard, few))
    if added is not None and _left_over(heard, chapter.frame_s, added):
        return None, others
    if look_round and not others:
        heard = replace(heard, second_period_s=find_second_clock(up, pooled_s, found, wanted))
    return heard, others


def _searched(stretch: _Stretch, wanted: Wanted) -> tuple[Found | None, ChapterHeard | None]:
    """The clock found by the search of many beats, and the account of few beats where one is needed.

    Where that search finds no clock, the account of few beats, or its doubt, is the answer.
    """
    duration_s = len(stretch.up) * stretch.pooled_s
    told_s = wanted.nominal_period_s
    few = few_s = None
    if told_s is not None and duration_s < FEW_ROWS * told_s:
        few = _hear_few(stretch, told_s, 0.0, _longest_other(wanted))
    if few is not None:
        few_s = few.period_frames * stretch.pooled_s / POOLED_FRAMES
        if few.sides and duration_s < FEW_ROWS * few_s:
            return None, few
        if few.sides:
            # Many of its periods, though few of the given one: all its beats together give more than their peaks.
            wanted = replace(wanted, nominal_period_s=few_s)
    others_s = tuple(other.interval_s for other in stretch.others)
    found = find_clock(stretch.up, stretch.pooled_s, wanted, others_s)
    if found is None:
        return None, few
    if few is not None and few_s is not None and not few.sides and _near_told(found.period_s, few_s):
        return None, few  # the search found the same clock, but gives no probability
    in_part = told_s is not None and duration_s < FEW_ROWS * told_s and _part_of_told(found.period_s, told_s)
    if len(found.pattern.first.frames) < FEW_ROWS or in_part:
        if told_s is not None and _near_told(found.period_s, told_s):
            # It weighed these periods, each with the share of recordings in which it is the true one.
            return None, few
        if told_s is not None and FEW_ROWS * told_s <= duration_s < _TWO_OPINIONS * told_s:
            # Too few beats at another period: they may be some of the beats at the one that was told.
            few = _hear_few(stretch, told_s, 0.0, _longest_other(wanted))
            if few is not None:
                return None, few
        # A period that was not given has the prior of its whole range, against the small range searched here.
        price = float(np.log(np.log(wanted.longest_s / wanted.shortest_s) / (2 * NEAR_NOMINAL)))
        return None, _hear_few(stretch, found.period_s, price, _longest_other(wanted)) or few
    return found, None


def _near_told(period_s: float, told_s: float) -> bool:
    """Whether a period is, within 5 %, the given one, half of it, or twice it."""
    return any(abs(period_s / (times * told_s) - 1) < 0.05 for times in (0.5, 1.0, 2.0))


def _part_of_told(period_s: float, told_s: float) -> bool:
    """Whether a period is a third of the given one, or a smaller whole part.

    A clock that is heard for a few periods has a track at such a part too, with most beats missing: the peaks tell.
    """
    parts = round(told_s / period_s)
    return parts > 2 and abs(told_s / period_s / parts - 1) < 0.01


def _of_both_sides(up: FloatArray, fine: FinePower, found: Found) -> Found:
    """The clock with twice the period, if its one side is really both sides in turn: every other beat is early, or softer."""
    track = found.pattern.first
    if found.pattern.second is not None or len(track.frames) < 2 * FEW_ROWS:
        return found
    if not by_turns(place(fine, track, track, found.pattern.period_frames * POOLED_FRAMES)):
        return found
    whole = pattern_at(up, 2 * found.pattern.period_frames)
    if whole is None or whole.second is None:
        whole = halves(up, found.pattern)
    return Found(whole, 2 * found.period_s, found.score)


def _left_over(heard: ChapterHeard, frame_s: float, added: npt.NDArray[np.float16]) -> bool:
    """Whether a clock is a residue of another's ticks: its beats are whole numbers of ticks apart, and on ticks beyond chance."""
    # The interval of a clock that is out of beat is that of tick and tock together.
    ticks = [2 * heard.period_frames * frame_s / other.interval_s for other in heard.others]
    if all(abs(number - round(number)) > _WHOLE * round(number) for number in ticks):
        return False
    drops = [side.drop for side in heard.sides]
    if np.median([np.median(drop.evidence[drop.usable]) for drop in drops]) > _SURE_EVIDENCE and (
        np.mean([drop.share for drop in drops]) > 0.9
    ):
        return False
    places = np.concatenate([drop.frame[drop.usable & drop.certain] for drop in drops])
    index = np.clip((places / POOLED_FRAMES).astype(np.int64)[:, None] + np.arange(-1, 3), 0, len(added) - 1)
    on_tick = (added[index] > 0).any(axis=(1, 2))
    # The share of the time that ticks take is the probability that a beat falls on one by chance.
    ticking = (added[: len(added) // 4 * 4].reshape(-1, 4, added.shape[1]) > 0).any(axis=(1, 2))
    share = float(np.clip(np.mean(ticking), 0.01, _MOSTLY))
    count, on = len(on_tick), int(np.count_nonzero(on_tick))
    odds = on * np.log(_MOSTLY / share) + (count - on) * np.log((1 - _MOSTLY) / (1 - share))
    return count == 0 or bool(odds > _ON_TICKS)


def hear_pieces(
    chapter: Chapter, wanted: Wanted, *, look_round: bool = False, depth: int = 0
) -> tuple[list[tuple[int, ChapterHeard]], tuple[OtherClock, ...]]:
    """The clock in a chapter, piece by piece: (first chunk, what was heard from there).

    A knock to the case, a slipped clamp or a lost stretch moves the beat by more than a track can follow. Where the
    track loses the clock for more than a few periods, that stretch is searched again separately.

    Parameters
    ----------
    chapter : Chapter
    wanted : Wanted
        What is known of the clock beforehand.
    look_round : bool
        Search for other torsion clocks too.
    depth : int
        Number of times this stretch was cut already.
    """
    heard, others = hear_chapter(chapter, wanted, look_round)
    if heard is None:
        return [], others
    pieces = [(0, heard)]
    if not heard.sides:
        return pieces, others
    period_s = heard.period_frames * chapter.frame_s
    again = Wanted(period_s, 0.9 * period_s, 1.1 * period_s, wanted.fraction_s, heard=True)
    for first, last in _unheard(heard, len(chapter.floors)):
        if depth >= 3 or last - first == len(chapter.floors):
            break  # the whole again would say the same again
        part = Chapter(
            chapter.frame_s,
            chapter.levels[first * CHUNK_FRAMES : last * CHUNK_FRAMES],
            chapter.strength[first * POOLED_CHUNK : last * POOLED_CHUNK],
            chapter.floors[first:last],
            chapter.deviations[first:last],
        )
        for start, more in hear_pieces(part, again, depth=depth + 1)[0]:
            if more.sides and abs(more.period_frames / heard.period_frames - 1) < 0.02:
                pieces.append((first + start, more))
    return pieces, others


def _unheard(heard: ChapterHeard, chunks: int) -> list[tuple[int, int]]:
    """Stretches in which the track found nothing certain: (first chunk, one past the last)."""
    out: list[tuple[int, int]] = []
    for side in heard.sides:
        certain = side.drop.frame[side.drop.usable & side.drop.certain]
        marks = np.concatenate([[0.0], np.sort(certain), [chunks * CHUNK_FRAMES]])
        for index in np.flatnonzero(np.diff(marks) > 4.6 * heard.period_frames):
            first = int(np.ceil(marks[index] / CHUNK_FRAMES)) + (1 if index > 0 else 0)
            last = int(marks[index + 1] // CHUNK_FRAMES) - (1 if index + 2 < len(marks) else 0)
            if (last - first) * CHUNK_FRAMES < 4 * heard.period_frames:
                continue
            same = next((k for k, (a, b) in enumerate(out) if a < last and first < b), None)
            if same is None:
                out.append((first, last))
            else:
                out[same] = (min(out[same][0], first), max(out[same][1], last))
    return out


def _longest_other(wanted: Wanted) -> float:
    """Longest interval of ticks that are another clock's, and not those of the wanted clock."""
    nominal = wanted.nominal_period_s
    return 0.45 * nominal if nominal is not None else 0.55 * wanted.shortest_s


def _hear_beats(
    up: FloatArray, fine: FinePower, found: Found, others: tuple[OtherClock, ...]
) -> ChapterHeard | None:
    """Sounds of the beat along the corrected tracks, with their roles."""
    pattern = found.pattern
    period = pattern.period_frames * POOLED_FRAMES
    tracks = [
        _put_right(fine, track, period) for track in (pattern.first, pattern.second) if track is not None
    ]
    sides = [
        one_of_each(
            [place(fine, sound, track, period) for sound in sounds_round(up, track, pattern.period_frames)]
        )
        for track in tracks
    ]
    if any(evenly_ticking([summary(sound) for sound in side]) for side in sides):
        return None
    sides, weighed = _second_look(fine, sides, tracks, period)
    heard = named(fine, sides, list(weighed[0].roles), period, others, found.score)
    return None if heard is None else replace(heard, rivals=rivals_of(weighed))


def _second_look(
    fine: FinePower, placed: list[list[Placed]], tracks: list[SoundTrack], period: float
) -> tuple[list[list[Placed]], list[Account]]:
    """The sounds of each side with their parts, and their accounts.

    Where the likeliest account leaves the loudest sound of a side to be its contact, its tail may hide the drop: the sounds are
    placed against it, once, and weighed anew.
    """
    sides = [with_parts_before(side) for side in placed]
    weighed = weighed_accounts(sides, period)
    roles = weighed[0].roles
    if not any(map(_may_hide_its_drop, sides, roles, map(loudest, placed))):
        return sides, weighed
    again = placed_in_the_tail(fine, placed, tracks, period)
    sides = [with_parts_before(one_of_each(side)) for side in again]
    return sides, weighed_accounts(sides, period)


def _may_hide_its_drop(side: list[Placed], role: Roles, main: Placed | None) -> bool:
    """Whether the loudest sound of a side is its contact, or may be."""
    if main is None or role.contact is None:
        return main is not None
    contact = side[role.contact]
    return contact is main or contact is main.before or contact is main.whole


def _put_right(fine: FinePower, track: SoundTrack, period: float) -> SoundTrack:
    frames = reassociated(fine, track.frames * POOLED_FRAMES, period)
    moved = frames != track.frames * POOLED_FRAMES
    return replace(
        track, frames=np.where(moved, np.rint(frames / POOLED_FRAMES).astype(np.int64), track.frames)
    )


def _hear_few(
    stretch: _Stretch,
    nominal_s: float,
    price: float,
    longest_train_s: float,
    suggested: npt.NDArray[np.float64] | None = None,
) -> ChapterHeard | None:
    """The clock in a stretch of a few periods, where its account is sure; ``suggested`` as in `few_beats`."""
    pooled_s, fine = stretch.pooled_s, stretch.fine
    times, levels = peaks_of(rising(stretch.strength, STRONGEST), pooled_s)
    duration_s = len(stretch.up) * pooled_s
    # Without a given period there is no wrong one to allow for: the search result is the answer.
    rivals = () if price else tuple((times_told * nominal_s, share) for times_told, share in MISTOLD)
    found = few_beats(
        times,
        levels,
        duration_s,
        nominal_s,
        longest_train_s=longest_train_s,
        gaps=_gaps(fine, pooled_s / POOLED_FRAMES),
        rivals=rivals,
        suggested=suggested,
        told=not price,
    )
    if not found or found[0].score - price + _ALIKE < LEAST_SCORE:
        return None
    few = found[0]
    period = few.period_s / pooled_s * POOLED_FRAMES
    unsure = ChapterHeard(period, (), stretch.others, None, few.score)
    by_score = few.score - price >= LEAST_SCORE
    others = [one for one in found[1:] if _same_beat(one, few)]
    sure = few.share >= LEAST_NAMED and few.share + sum(one.share for one in others) >= LEAST_SHARE
    if by_score and (not sure or _in_step(few.period_s, stretch.others, duration_s)):
        return unsure  # its sounds are not examined, which would cost more than all steps before
    sides = []
    for number in range(1 if few.out_of_half_s is None else 2):
        tracks = _tracks_of(few, number, times, stretch)
        placed = [place(fine, sound, tracks[-1], period) for sound in tracks]
        sides += placed_in_the_tail(fine, [placed], tracks[-1:], period, rises=False)
    alike = all(side[-1].likeness > _LIKE and np.count_nonzero(side[-1].certain) >= 2 for side in sides)
    if not by_score and not alike:
        return None
    if not sure:
        return unsure
    passages = [None if len(side) < 2 else passage_of(side[-1], side[0]) for side in sides]
    sides = [with_parts_before(side) for side in sides]
    weighed = as_the_peaks_say(weighed_accounts(sides, period), passages)
    roles = list(weighed[0].roles)
    heard = named(fine, sides, roles, period, stretch.others, few.score)
    if heard is None:
        return None
    heard = replace(heard, rivals=rivals_of(weighed))
    return with_mixed_sounds(
        with_rivals(heard, _of_the_same_beat(others, few, pooled_s / POOLED_FRAMES, len(sides)))
    )


def _same_beat(one: FewBeats, few: FewBeats) -> bool:
    """Whether an account has the period of another and is as far out of beat: then only its passages differ."""
    if (one.out_of_half_s is None) != (few.out_of_half_s is None):
        return False
    return abs(one.period_s / few.period_s - 1) < SAME_PERIOD and abs(_later(one, few)) < SAME_S


def _later(one: FewBeats, few: FewBeats) -> float:
    """Seconds by which the second side is later in one account than in another, which may begin with the other side."""
    turns = (one.drop_s - few.drop_s) / few.period_s
    sign = 1 if abs(turns - round(turns)) < 0.25 else -1
    return sign * (one.out_of_half_s or 0.0) - (few.out_of_half_s or 0.0)


def _of_the_same_beat(others: list[FewBeats], few: FewBeats, frame_s: float, sides: int) -> tuple[Rival, ...]:
    """The rivals that are such accounts: what they say of the passages, and so of the arc, is in doubt."""
    return tuple(
        Rival(one.share, _later(one, few) / frame_s, (one.passage_s and one.passage_s / frame_s,) * sides)
        for one in others
        if one.share > 1 / MOST_ODDS
    )


def _in_step(period_s: float, others: tuple[OtherClock, ...], duration_s: float) -> bool:
    """Whether another clock ticks at the same moments of every period: it may hide one of the clock's sounds in all of them."""
    if duration_s > _WAITED_S:
        return False
    return any(slide_s(period_s, other.interval_s, duration_s) < _HIDES_S for other in others)


def _tracks_of(
    few: FewBeats, number: int, times: npt.NDArray[np.float64], stretch: _Stretch
) -> list[SoundTrack]:
    """Contact (where one is heard) and drop of one side, each on the peak nearest to its due time."""
    first = few.drop_s % few.period_s + number * (few.period_s / 2 + (few.out_of_half_s or 0.0))
    duration_s = len(stretch.up) * stretch.pooled_s
    due = first + np.arange(-1, int(duration_s / few.period_s) + 2) * few.period_s
    due = due[(due > 0) & (due < duration_s)]
    out = []
    for ahead in (few.passage_s, 0.0) if few.passage_s is not None else (0.0,):
        at = due - ahead
        near = times[np.argmin(np.abs(times[None, :] - at[:, None]), axis=1)]
        at = np.where(np.abs(near - at) < _ON_PEAK_S, near, at)
        frames = np.rint(at / stretch.pooled_s).astype(np.int64)
        strengths = stretch.up[np.clip(frames, 0, len(stretch.up) - 1)].max(axis=1)
        out.append(SoundTrack(frames, np.ones(stretch.up.shape[1], np.float32), strengths, few.score))
    return out


def _gaps(fine: FinePower, frame_s: float) -> tuple[tuple[float, float], ...]:
    """Stretches of digital silence or lost sound, in seconds."""
    silent = (fine.levels == 0).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], silent.astype(np.int8), [0]])))
    return tuple(
        (first * frame_s, last * frame_s)
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        if last - first > _LEAST_GAP
    )
