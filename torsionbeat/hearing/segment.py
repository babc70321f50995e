"""One chapter: a stretch of sound up to an hour and a half long, heard as a whole.

In go the levels and strengths of the stretch; out come the sounds of the clock, each with the number of its beat
and its place in frames. The night is a row of such chapters (:mod:`torsionbeat.hearing.listener`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.bands import CHUNK_FRAMES, POOLED_FRAMES
from torsionbeat.hearing.exact import FinePower, laid_anywhere, match, softer_before
from torsionbeat.hearing.expected_beats import expected_places, of_a_kind
from torsionbeat.hearing.other_clocks import OtherClock, without_other_clocks
from torsionbeat.hearing.pattern import FEW_ROWS, LEAST_TRACK_SCORE, Pattern, SoundTrack, sounds_round
from torsionbeat.hearing.roles import Roles, evenly_ticking, roles_of
from torsionbeat.hearing.search import Found, Wanted, find_clock, find_second_clock
from torsionbeat.hearing.stacked_onsets import Together, passages_together
from torsionbeat.hearing.strength import rising

__all__ = ["Chapter", "ChapterHeard", "Placed", "hear_chapter", "hear_pieces"]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

_SEARCH = 24
_POOLED_CHUNK = CHUNK_FRAMES // POOLED_FRAMES
_SINGLE_SHARE = 0.8
"""Share of beats in which a contact must be certain for the single ones to be better than all laid over each other."""
_ASTRAY = 16.0
"""Frames (8 ms) by which the typical single contact and the stack of them all may differ."""
_WEAK = 25.0
"""Evidence beyond chance below which chance is asked again, with a profile learnt anew."""
_NEARLY_ALL = 0.75
_SAME = 0.03
"""Share by which the passages of both sides may differ: the lift takes the same time both ways."""
_WHOLE, _OFTEN, _ON_TICK = 3e-4, 0.9, 0.8
"""A clock whose period is so nearly a whole number of another's ticks, that is heard less often than this and falls on a
tick more often than that, is no clock of its own."""
_CHANCE_SHARE = 0.8
_CHANCE_BEYOND = float(np.log(40.0))
"""A sound is certain where chance reaches its evidence less often than once in two hundred trials: by chance one
trial in five passes the 0.8 quantile, and evidence beyond it falls off as exp(-evidence), one in forty passes by
log 40 more. Taken so, talk in a tenth of the trials does not drown the ticks of the rest."""
_SURE_TOLD, _SURE_UNTOLD = 34.0, 40.0
"""Scores of both sides together from which a handful of beats is a clock in any company: 29 and 33 were the highest of
two thousand made of dripping, talk and fire, with the period told and without."""


@dataclass(frozen=True, slots=True)
class Chapter:
    """Levels (frames, bands), strength (pooled frames, bands), and by chunk the room's floor and unrest (chunks, bands)."""

    frame_s: float
    levels: npt.NDArray[np.uint8]
    strength: npt.NDArray[np.float16]
    floors: FloatArray
    unrests: FloatArray


@dataclass(frozen=True, slots=True)
class Placed:
    """One sound (kind) of one side through the chapter: row ``i`` is period ``i`` of the pattern.

    ``frame`` is where the sound begins (in frames, fractional); ``usable`` whether the row lies inside the chapter.
    """

    kind: str
    frame: npt.NDArray[np.float64]
    evidence: npt.NDArray[np.float64]
    certain: npt.NDArray[np.bool_]
    usable: npt.NDArray[np.bool_]
    level_db: npt.NDArray[np.float64]
    profile: FloatArray
    edge: float
    place: float
    """Typical distance from the side's strongest track, in frames."""
    loudness_db: float
    """Loudness of the mean sound, all bands together."""
    likeness: float
    """How like the mean sound the single ones are, median of the certain ones."""
    edge_uncertainty: float
    """Standard uncertainty of where the mean sound begins, in frames."""
    softer_before: float
    """Frames by which a softer part of it shows before that."""

    @property
    def share(self) -> float:
        """Share of the usable rows in which it is certain."""
        return float(np.mean(self.certain[self.usable])) if self.usable.any() else 0.0


@dataclass(frozen=True, slots=True)
class SideHeard:
    """One side of the beat: its drop, its contact if single contacts are heard, else what the stack gave, if anything."""

    drop: Placed
    contact: Placed | None
    together: tuple[Together, ...]


@dataclass(frozen=True, slots=True)
class ChapterHeard:
    """The clock in one chapter; ``sides`` has one or two entries, the second half a period after the first."""

    period_frames: float
    sides: tuple[SideHeard, ...]
    others: tuple[OtherClock, ...]
    second_period_s: float | None
    score: float = 0.0


def hear_chapter(
    chapter: Chapter, wanted: Wanted, look_round: bool = False
) -> tuple[ChapterHeard | None, tuple[OtherClock, ...]]:
    """Find the clock in a chapter; None where there is none. Also what other, faster clocks were heard.

    ``look_round`` asks for other torsion clocks too.
    """
    pooled_s = chapter.frame_s * POOLED_FRAMES
    strength = chapter.strength.astype(np.float32)
    strength, others, added = without_other_clocks(strength, pooled_s, _longest_other(wanted))
    if added is not None:
        unrest = np.repeat(chapter.unrests, CHUNK_FRAMES // POOLED_FRAMES, axis=0)
        added = np.minimum(added * unrest, 60000).astype(np.float16)
        del unrest
    up = rising(strength, 12.0)
    del strength
    found = find_clock(up, pooled_s, wanted, others)
    if found is None:
        return None, others
    fine = FinePower(chapter.levels, chapter.floors, added)
    nominal = wanted.nominal_period_s
    told = nominal is not None and abs(found.period_s / nominal - 1) < 0.05
    heard = _hear_beats(up, fine, found, others, told)
    if heard is not None and added is not None and _left_over(heard, chapter.frame_s, added):
        return None, others
    if heard is not None and look_round and not others:
        heard = replace(heard, second_period_s=find_second_clock(up, pooled_s, found, wanted))
    return heard, others


def _left_over(heard: ChapterHeard, frame_s: float, added: npt.NDArray[np.float16]) -> bool:
    """Whether a clock is but what was left of another's ticks: whole numbers of them apart, on them, and often missing."""
    # Of a clock that limps the interval is that of tick and tock together.
    ticks = [2 * heard.period_frames * frame_s / other.interval_s for other in heard.others]
    if all(abs(number - round(number)) > _WHOLE * round(number) for number in ticks):
        return False
    drops = [side.drop for side in heard.sides]
    if np.mean([drop.share for drop in drops]) > _OFTEN:
        return False
    places = np.concatenate([drop.frame[drop.usable & drop.certain] for drop in drops])
    index = np.clip((places / POOLED_FRAMES).astype(np.int64)[:, None] + np.arange(-1, 3), 0, len(added) - 1)
    on_tick = (added[index] > 0).any(axis=(1, 2))
    return len(on_tick) == 0 or float(np.mean(on_tick)) > _ON_TICK


def hear_pieces(
    chapter: Chapter, wanted: Wanted, *, look_round: bool = False, depth: int = 0
) -> tuple[list[tuple[int, ChapterHeard]], tuple[OtherClock, ...]]:
    """The clock in a chapter, piece by piece: (first chunk, what was heard from there).

    A knock to the case, a slipped clamp or a lost stretch moves the beat by more than a track can follow. Where the
    track loses the clock for more than a few periods, that stretch is searched again by itself.
    """
    heard, others = hear_chapter(chapter, wanted, look_round)
    if heard is None:
        return [], others
    pieces = [(0, heard)]
    period_s = heard.period_frames * chapter.frame_s
    again = Wanted(period_s, 0.9 * period_s, 1.1 * period_s, wanted.fraction_s)
    for first, last in _unheard(heard, len(chapter.floors)):
        if depth >= 3:
            break
        part = Chapter(
            chapter.frame_s,
            chapter.levels[first * CHUNK_FRAMES : last * CHUNK_FRAMES],
            chapter.strength[first * _POOLED_CHUNK : last * _POOLED_CHUNK],
            chapter.floors[first:last],
            chapter.unrests[first:last],
        )
        for start, more in hear_pieces(part, again, depth=depth + 1)[0]:
            if abs(more.period_frames / heard.period_frames - 1) < 0.02:
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
    """Longest interval at which something is another clock and not the one that is listened to."""
    nominal = wanted.nominal_period_s
    return 0.45 * nominal if nominal is not None else 0.55 * wanted.shortest_s


def _hear_beats(
    up: FloatArray, fine: FinePower, found: Found, others: tuple[OtherClock, ...], told: bool
) -> ChapterHeard | None:
    pattern = found.pattern
    tracks = [track for track in (pattern.first, pattern.second) if track is not None]
    sides = [
        [_place(fine, sound, track, pattern) for sound in sounds_round(up, track, pattern.period_frames)]
        for track in tracks
    ]
    summaries = [[_summary(sound) for sound in side] for side in sides]
    if any(evenly_ticking(side) for side in summaries):
        return None
    period = pattern.period_frames * POOLED_FRAMES
    roles = roles_of(summaries, _out_of_half(pattern), period)
    heard = []
    for number, side in enumerate(sides):
        heard.append(
            _side(fine, side, roles[number], roles[1 - number] if len(roles) > 1 else None, sides, number)
        )
    if not any(np.count_nonzero(side.drop.certain) >= 2 for side in heard):
        return None
    if len(pattern.first.frames) < FEW_ROWS and not _believed(up, found, heard, told):
        return None
    return ChapterHeard(pattern.period_frames * POOLED_FRAMES, tuple(heard), others, None, found.score)


def _believed(up: FloatArray, found: Found, heard: list[SideHeard], told: bool) -> bool:
    """Whether a handful of beats is a clock: among many loud sounds, some always stand at equal distances.

    The beats must sound alike (crackles and rotors do not) or stand far above chance, and they must not be a few
    among many others as loud (drops of a tap, syllables), less so where the period was told beforehand. Two sides
    that keep step better than any tap or talker are a clock in any company, and so are two with the same lift passage.
    """
    beats = sum(int(np.count_nonzero(side.drop.certain)) for side in heard)
    alike = all(side.drop.likeness > 0.9 for side in heard)
    if beats < 4 or (found.pattern.first.score < LEAST_TRACK_SCORE and not alike):
        return False
    second = found.pattern.second
    both = 0.0 if second is None else found.pattern.first.score + second.score
    if both > (_SURE_TOLD if told else _SURE_UNTOLD) or _same_passage(heard):
        return True
    return _others_as_loud(up, found.pattern) <= (2.0 if told else 1.0) * beats


def _same_passage(heard: list[SideHeard]) -> bool:
    """Whether a contact is heard before nearly every drop of both sides, three at least, at the same distance on both."""
    passages = [
        _passage(side.drop, side.contact)
        for side in heard
        if side.contact is not None and np.count_nonzero(side.drop.certain & side.contact.certain) >= 3
    ]
    return len(passages) == 2 and abs(passages[0] - passages[1]) < _SAME * max(passages)


def _others_as_loud(up: FloatArray, pattern: Pattern) -> int:
    """Sounds at least half as strong as the beats that lie away from every beat."""
    from scipy.ndimage import maximum_filter1d

    series = up.max(axis=1)
    tracks = [track for track in (pattern.first, pattern.second) if track is not None]
    frames = np.concatenate([track.frames for track in tracks])
    frames = frames[(frames >= 2) & (frames < len(series) - 2)]
    beat = np.median(np.maximum.reduce([series[frames + step] for step in (-2, -1, 0, 1, 2)]))
    reach = max(int(0.13 * pattern.period_frames), 12)
    near = np.zeros(len(series), bool)
    for frame in frames:
        near[max(frame - reach, 0) : frame + reach] = True
    peaks = (series == maximum_filter1d(series, 25)) & (series > max(0.5 * float(beat), 4.0)) & ~near
    return int(np.count_nonzero(peaks))


def _summary(sound: Placed) -> tuple[float, float, float]:
    """Median place against the first row's, loudness of the mean sound in dB, share of rows where it is certain."""
    return sound.place, sound.loudness_db, sound.share


def _out_of_half(pattern: Pattern) -> float:
    """Frames by which the second side's track lies later than half a period after the first's, 0 for one side."""
    if pattern.second is None:
        return 0.0
    half = pattern.period_frames / 2
    apart = np.median(pattern.second.frames) - np.median(pattern.first.frames) - half
    return POOLED_FRAMES * float((apart + half) % pattern.period_frames - half)


def _side(
    fine: FinePower,
    side: list[Placed],
    roles: Roles,
    others_roles: Roles | None,
    sides: list[list[Placed]],
    number: int,
) -> SideHeard:
    drop = _renamed(side[roles.drop], "drop")
    if roles.contact is not None:
        contact = _renamed(side[roles.contact], "contact")
        if _share_of_beats(contact, drop) > _SINGLE_SHARE:
            return SideHeard(drop, contact, ())
        together = _together(fine, drop, _passage(drop, contact))
        # Single contacts that were sought where the stack of them all has none are no contacts.
        astray = any(abs(_passage(drop, contact) - part.passage_frames) > _ASTRAY for part in together)
        return SideHeard(drop, None if astray else contact, together)
    if others_roles is not None and others_roles.contact is not None:
        other_side = sides[1 - number]
        passage = _passage(other_side[others_roles.drop], other_side[others_roles.contact])
        return SideHeard(drop, None, _together(fine, drop, passage))
    return SideHeard(drop, None, ())


def _share_of_beats(contact: Placed, drop: Placed) -> float:
    """Share of the beats, told by their drops, in which a contact is certain: where the drop is lost is no beat."""
    beats = contact.usable & drop.usable & drop.certain
    return float(np.mean(contact.certain[beats])) if beats.any() else 0.0


def _together(fine: FinePower, drop: Placed, passage: float) -> tuple[Together, ...]:
    rows = np.flatnonzero(drop.usable & drop.certain)
    return passages_together(fine, rows, drop.frame[rows], passage)


def _passage(drop: Placed, contact: Placed) -> float:
    """Typical frames from contact to drop."""
    both = drop.usable & contact.usable
    certain = both & drop.certain & contact.certain
    chosen = certain if np.count_nonzero(certain) > 3 else both
    return float(np.median((drop.frame - contact.frame)[chosen]))


def _renamed(sound: Placed, kind: str) -> Placed:
    return replace(sound, kind=kind)


def _place(fine: FinePower, sound: SoundTrack, track: SoundTrack, pattern: Pattern) -> Placed:
    """Exact places of one sound, with what chance would give."""
    frames = len(fine.levels)
    places = sound.frames * POOLED_FRAMES
    usable = (places > 2 * _SEARCH) & (places < frames - 80 - _SEARCH)
    usable &= _sounding(fine, places)
    period = pattern.period_frames * POOLED_FRAMES
    if np.count_nonzero(usable) < 2:
        usable = (places > 0) & (places < frames - 80)
    rows = np.flatnonzero(usable)
    # The profile settles wherever its energy lies: lay its beginning at its place, then match in earnest.
    rough = match(fine, places[rows], _SEARCH, passes=3)
    first = match(fine, np.rint(rough.frames + rough.edge).astype(np.int64), 12, passes=3)
    chance, unlike = _chance(fine, first.frames, period, 12, first.profile, None)
    certain = first.evidence > chance
    expected, unrest, settled = expected_places(
        first.frames, rows, certain, certain & of_a_kind(first, certain, unlike)
    )
    anchor = (np.where(settled, first.frames, expected) + first.edge).round().astype(np.int64)
    search = int(np.clip(4 * unrest, 6, _SEARCH))
    prior = max(1.5 * unrest, 2.0)
    exact = match(fine, anchor, search, prior_frames=prior)
    chance, _ = _chance(fine, exact.frames, period, search, exact.profile, prior)
    if np.median(exact.evidence) < chance + _WEAK:
        strict = _chance_learnt(fine, exact.frames, period, search, prior)
        # Where nearly every beat stands clear of it, the few others are beats too, only weaker.
        if np.mean(exact.evidence > strict) < _NEARLY_ALL:
            chance = max(chance, strict)
    certain = exact.evidence > chance
    # A place that noise has drawn to the end of the search is no place.
    certain &= np.abs(exact.frames - anchor) < search - 0.5
    begins = np.full(len(places), np.nan)
    begins[rows] = exact.frames + exact.edge
    missing = ~usable
    begins[missing] = places[missing]
    evidence = np.zeros(len(places))
    evidence[rows] = exact.evidence
    sure = np.zeros(len(places), bool)
    sure[rows] = certain
    level = fine.level_db(np.rint(begins).astype(np.int64))
    loud = np.sum(exact.profile.max(axis=0) * np.median(fine.floors, axis=0))
    return Placed(
        "",
        begins,
        evidence,
        sure,
        usable,
        level,
        exact.profile,
        exact.edge,
        float(np.median(places - track.frames * POOLED_FRAMES)),
        10 * float(np.log10(max(loud, 1e-20))),
        float(np.median(exact.likeness[certain])) if certain.any() else 0.0,
        exact.edge_uncertainty,
        softer_before(exact.profile, exact.edge),
    )


def _sounding(fine: FinePower, places: IntArray) -> npt.NDArray[np.bool_]:
    """Whether there is any sound at a place: not digital silence, not a lost stretch."""
    index = np.clip(places[:, None] + np.arange(-8, 40)[None, :], 0, len(fine.levels) - 1)
    out: npt.NDArray[np.bool_] = (fine.levels[index] > 0).any(axis=2).mean(axis=1) > 0.9
    return out


def _away(
    fine: FinePower, frames: npt.NDArray[np.float64], period: float, trials: int, reach: int
) -> IntArray:
    """Places where the beat is not, between contact and the other side's, some ``trials`` times as many."""
    rng = np.random.default_rng(len(frames))
    away = np.concatenate(
        [frames + sign * rng.uniform(0.14, 0.36, len(frames)) * period for sign in (1, -1) * trials]
    )
    places = np.rint(away).astype(np.int64)
    places = places[(places > 2 * reach) & (places < len(fine.levels) - 80 - reach)]
    out: IntArray = places[_sounding(fine, places)]
    return out


def _chance_learnt(
    fine: FinePower, frames: npt.NDArray[np.float64], period: float, search: int, prior: float
) -> float:
    """Chance for weak sounds: a profile learnt from as many places without a sound fits their noise as well."""
    places = _away(fine, frames, period, 1, search)
    count = max(len(frames), 8)
    draws = [places[start::2][:count] for start in (0, 1)]
    if min(len(draw) for draw in draws) < 8:
        return 0.0
    learnt = [match(fine, draw, search, prior_frames=prior).evidence for draw in draws]
    return max(float(np.quantile(np.concatenate(learnt), _CHANCE_SHARE)), 0.0) + _CHANCE_BEYOND


def _chance(
    fine: FinePower,
    frames: npt.NDArray[np.float64],
    period: float,
    search: int,
    profile: FloatArray,
    prior: float | None,
) -> tuple[float, float]:
    """Evidence that chance seldom reaches, and likeness: the same search laid where the beat is not."""
    trials = max(3, int(np.ceil(600 / max(len(frames), 1))))
    if trials * len(frames) > 2000:
        frames = frames[:: max(1, len(frames) * trials // 2000)]
    places = _away(fine, frames, period, trials, search)
    if len(places) < 20:
        return 10.0, 1.0
    evidence, likeness = laid_anywhere(fine, places, search, profile, prior)
    least = max(float(np.quantile(evidence, _CHANCE_SHARE)), 0.0) + _CHANCE_BEYOND
    return least, float(np.quantile(likeness, 0.98))
