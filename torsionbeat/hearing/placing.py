"""Placing: where one sound begins in every beat, and in which beats it is certain.

Input: the rough frames of one sound. Output: exact ones (:mod:`torsionbeat.tracks.exact`). A bang beside a beat can be taken
for it. It is recognised by two signs together: it misses the place where the neighbours expect the beat, and it does not sound
like the beat. One sign alone is not enough: a clock may turn a corner (its drive was lost, its case was knocked), and all weak
beats sound like the room. A sound is certain if chance (the same search away from the beat) does not reach its evidence.

Places are frames of 0.5 ms from the start of the stretch; evidence is a natural logarithm of odds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.beginnings import PartBefore, beginning_of
from torsionbeat.theory.edges import AFTER, BEFORE
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN, median_deviation
from torsionbeat.tracks.bands import POOLED_FRAMES
from torsionbeat.tracks.exact import ExactTimes, evidence_round, laid_anywhere, match, searched_on, settled
from torsionbeat.tracks.fine_power import FinePower
from torsionbeat.tracks.pattern import SoundTrack

__all__ = [
    "Placed",
    "by_turns",
    "expected_places",
    "of_a_kind",
    "passage_of",
    "place",
    "typically_apart",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

_LEAST_SEARCH, _SEARCH = 10, 24
"""Least and most frames of search either side of where its neighbours put a beat: 5 to 12 ms. With 3 ms two of 28 sure beats of a
sound of two parts came to the end of the search (realsounds)."""
_WEAK = 25.0
"""Evidence beyond chance below which chance is measured again, with a newly learnt profile."""
_NEARLY_ALL = 0.75
"""Share of the beats beyond chance below which chance is measured once more, with the newly learnt profile."""
_CHANCE_TRIALS = 200
"""Places without a beat, on either side of it, at which chance is measured: its 0.8 quantile is then known to 3 in 100, that
is to 0.15 of evidence. With 600 the figures of six live starts, evaluated at eight moments each, were the same. Beside another
clock, where each takes ten times the work, half as many."""
# Quantile of the trials that talk and bangs in a tenth of them hardly move: explained below the next line.
_CHANCE_SHARE = 0.8
_CHANCE_BEYOND = float(np.log(40.0))
"""A sound is certain where chance reaches its evidence less often than once in two hundred trials. By chance one trial in
five passes the 0.8 quantile; evidence beyond it falls off as exp(-evidence), so one of forty of those passes it by log 40.
With a quantile, talk in a tenth of the trials does not hide the ticks of the rest."""
_EARLY_FRAMES, _SOFTER_DB, _BEYOND_CHANCE = 1.0, 0.5, 6.0
"""Least half of the amount by which every other row is early (0.5 ms) or softer; the last in standard errors."""
_NEARLY_EACH = 0.85
"""Share of the rows in which one side is certain and the other, far out of beat, is not."""
_CORNER = 60.0
"""Frames (30 ms) by which a beat may miss its expected place where the clock turns a corner."""
_FEW, _SOME = 2, 0.04
"""Number, and share of the certain beats, placed away from their neighbours that a single bang or corner does not explain."""
_BEFORE_DOUBT = 2.0
"""Frames (1 ms) of uncertainty of where a sound before another begins: two steps of the windows, which are 1.5 ms long."""
_AS_LOUD = 6.0
"""Factor of power by which a beat may differ from the mean sound, up or down."""


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
    """Likeness of the single sounds to the mean sound, median of the certain ones."""
    edge_uncertainty: float
    """Standard uncertainty of where the mean sound begins, in frames."""
    softer_before: float
    """Frames from a softer part of the mean sound to that beginning."""
    choices: npt.NDArray[np.float64]
    """Frames by which it begins later at each of the shares of its power that `beginnings.SHARE_WEIGHTS` weighs."""
    chance: tuple[float, float]
    """Evidence below which chance stays in one place of twenty, and evidence that chance passes in one of five."""
    floor: FloatArray
    """The room's power in each band, full scale 1; multiplied by the profile it gives the sound's own power."""
    hidden: float
    """Share of its greatest power that may be hidden before it begins."""
    before: Placed | None = None
    """A sound that ends well before this one begins and is never heard without it: a contact, if this is the unlocking."""
    whole: Placed | None = None
    """The same as both parts of one sound, beginning with that before it: real ticks may have a quiet stretch within."""

    @property
    def share(self) -> float:
        """Share of the usable rows in which it is certain."""
        return float(np.mean(self.certain[self.usable])) if self.usable.any() else 0.0


def place(fine: FinePower, sound: SoundTrack, track: SoundTrack, period: float) -> Placed:
    """Exact places of one sound, with the evidence that chance gives.

    Parameters
    ----------
    fine : FinePower
        Power at the finest frames.
    sound : SoundTrack
    track : SoundTrack
    period : float
        In frames.
    """
    frames = len(fine.levels)
    places = sound.frames * POOLED_FRAMES
    usable = (places > 2 * _SEARCH) & (places < frames - 80 - _SEARCH)
    usable &= _sounding(fine, places)
    if np.count_nonzero(usable) < 2:
        usable = (places > 0) & (places < frames - 80)
    rows = np.flatnonzero(usable)
    laid = _laid(fine, settled(fine, places[rows], _SEARCH), rows, period)
    laid = _at_one_part(fine, laid, rows, period)
    expected, spread, stays = laid.expected, laid.spread, laid.stays
    first, begins_at = laid.found, laid.begins_at
    anchor = (np.where(stays, first.frames, expected) + begins_at).round().astype(np.int64)
    search = int(np.clip(4 * spread, _LEAST_SEARCH, _SEARCH))
    prior = max(1.5 * spread, 2.0)
    exact = match(fine, anchor, search, prior_frames=prior)
    chance, _, low = _chance(fine, exact.frames, period, search, exact.profile, prior)
    if np.median(exact.evidence) < chance + _WEAK:
        strict = _chance_learnt(fine, exact.frames, period, search, prior)
        # Where nearly every beat is clearly above chance, the few others are beats too, only weaker.
        if np.mean(exact.evidence > strict) < _NEARLY_ALL:
            chance = max(chance, strict)
    exact, at_an_end = searched_on(fine, exact, anchor, search, prior, chance)
    # A place that noise, or the tail of a louder sound, has drawn to the end of the search is no place, and no evidence.
    certain = (exact.evidence > chance) & ~at_an_end
    beginning = beginning_of(fine, exact, certain)
    begins = np.full(len(places), np.nan)
    begins[rows] = exact.frames + beginning.frames + (0.0 if beginning.own is None else beginning.own)
    missing = ~usable
    begins[missing] = places[missing]
    evidence = np.zeros(len(places))
    evidence[rows] = np.where(at_an_end, np.minimum(exact.evidence, chance), exact.evidence)
    sure = np.zeros(len(places), bool)
    sure[rows] = certain
    level = fine.level_db(np.rint(begins).astype(np.int64))
    loud = np.sum(exact.profile.max(axis=0) * np.median(fine.floors, axis=0))
    placed = Placed(
        "",
        begins,
        evidence,
        sure,
        usable,
        level,
        exact.profile,
        beginning.frames,
        float(np.median(places - track.frames * POOLED_FRAMES)),
        10 * float(np.log10(max(loud, 1e-20))),
        float(np.median(exact.likeness[certain])) if certain.any() else 0.0,
        beginning.uncertainty,
        beginning.softer_before,
        beginning.choices,
        (low, max(chance - _CHANCE_BEYOND, 0.5)),
        np.median(fine.floors, axis=0),
        beginning.hidden,
    )
    if beginning.before is None:
        return placed
    return _with_part_before(fine, placed, beginning.before, exact.frames)


def _with_part_before(
    fine: FinePower, placed: Placed, part: PartBefore, frames: npt.NDArray[np.float64]
) -> Placed:
    """A sound with the part heard before it, in every beat as far ahead as in the mean; without it if few beats show it."""
    at = np.rint(frames + part.first).astype(np.int64)
    sound = fine.around(at, BEFORE, AFTER)
    mean = np.maximum(np.minimum(sound, 4 * np.median(sound, axis=0)).mean(axis=0) - 1, 0).astype(np.float32)
    own = mean.copy()
    own[:BEFORE] = own[BEFORE + part.end - part.first + 1 :] = 0
    evidence = np.zeros(len(placed.frame))
    evidence[placed.usable] = evidence_round(fine, at, 1, own).max(axis=1)
    evidence = np.minimum(evidence, placed.evidence)  # where the sound has no place, nor has its part
    if np.median(evidence[placed.usable]) < _CHANCE_BEYOND:
        return placed
    begins = placed.frame.copy()
    begins[placed.usable] = frames + part.first
    whole = replace(
        placed,
        frame=begins,
        level_db=fine.level_db(np.rint(begins).astype(np.int64)),
        profile=mean,
        edge=0.0,
        edge_uncertainty=_BEFORE_DOUBT,
        softer_before=0.0,
        choices=np.zeros_like(placed.choices),
        hidden=0.0,
    )
    loudness_db = placed.loudness_db + 10 * float(np.log10(part.share))
    before = replace(whole, evidence=evidence, profile=own, loudness_db=loudness_db)
    return replace(placed, before=before, whole=whole)


@dataclass(frozen=True, slots=True)
class _Laid:
    """Beats aligned where their neighbours expect them, and where their mean sound begins."""

    found: ExactTimes
    certain: npt.NDArray[np.bool_]
    expected: npt.NDArray[np.float64]
    spread: float
    stays: npt.NDArray[np.bool_]
    begins_at: float

    @property
    def astray(self) -> int:
        """Number of certain beats farther from their expected place than the last search needs to reach."""
        away = np.abs(self.found.frames - self.expected) > _LEAST_SEARCH
        return int(np.count_nonzero(away & self.certain))


def _laid(fine: FinePower, found: ExactTimes, rows: IntArray, period: float) -> _Laid:
    """Which beats are certain, where their neighbours expect each, and where the mean of those that stay begins."""
    chance, unlike, _ = _chance(fine, found.frames, period, 12, found.profile, None)
    certain = found.evidence > chance
    expected, spread, stays = expected_places(
        found.frames, rows, certain, certain & of_a_kind(found, certain, unlike)
    )
    # Aligned at the main part of a two-part sound, the window would begin within it, and all beats creep towards the first part.
    begins = beginning_of(fine, found, stays, by_variants=False)
    return _Laid(found, certain, expected, spread, stays, begins.frames)


def _at_one_part(fine: FinePower, laid: _Laid, rows: IntArray, period: float) -> _Laid:
    """The beats of a sound of two parts, all aligned at the same part where some were aligned at the other.

    Two equally loud sounds 10 to 30 ms apart (contact and unlocking) can be found as one, some beats at the first and some
    at the second. The beginning of their mean is then right for those at the second. For those at the first it is too early, by
    more than the last search can correct. With a wider search that includes the first part, all beats move to the part of the
    majority. The result is used if at most half as many beats then lie astray.
    """
    if laid.astray < max(_FEW, _SOME * np.count_nonzero(laid.certain)):
        return laid
    again = match(fine, np.rint(laid.found.frames + laid.begins_at).astype(np.int64), int(_CORNER))
    anew = _laid(fine, again, rows, period)
    fewer = anew.astray <= laid.astray / 2 and np.count_nonzero(anew.stays) >= np.count_nonzero(laid.stays)
    return anew if fewer else laid


def _sounding(fine: FinePower, places: IntArray) -> npt.NDArray[np.bool_]:
    """Whether there is any sound at a place: not digital silence, not a lost stretch."""
    index = np.clip(places[:, None] + np.arange(-8, 40)[None, :], 0, len(fine.levels) - 1)
    out: npt.NDArray[np.bool_] = (fine.levels.take(index, axis=0).max(axis=2) > 0).mean(axis=1) > 0.9
    return out


def _away(
    fine: FinePower, frames: npt.NDArray[np.float64], period: float, trials: int, reach: int
) -> IntArray:
    """Places away from the beat, between contact and the other side's: ``trials`` of them before and after every beat."""
    rng = np.random.default_rng(len(frames))
    turns = rng.uniform(0.14, 0.36, (2 * trials, len(frames)))
    turns[1::2] *= -1
    places = np.rint(frames + turns * period).astype(np.int64).ravel()
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
) -> tuple[float, float, float]:
    """Evidence that chance rarely reaches, likeness, and evidence that it rarely misses: the same search away from the beat."""
    wanted = _CHANCE_TRIALS if fine.added is None else _CHANCE_TRIALS // 2
    trials = max(3, int(np.ceil(wanted / max(len(frames), 1))))
    if trials * len(frames) > 2000:
        frames = frames[:: max(1, len(frames) * trials // 2000)]
    places = _away(fine, frames, period, trials, search)
    if len(places) < 20:
        return 10.0, 1.0, 0.0
    evidence, likeness = laid_anywhere(fine, places, search, profile, prior)
    least = max(float(np.quantile(evidence, _CHANCE_SHARE)), 0.0) + _CHANCE_BEYOND
    return least, float(np.quantile(likeness, 0.98)), float(np.quantile(evidence, 0.05))


def of_a_kind(found: ExactTimes, certain: npt.NDArray[np.bool_], unlike: float) -> npt.NDArray[np.bool_]:
    """Which sounds are as like the mean sound and as loud as most, if likeness distinguishes sounds from the room at all.

    Those are the clock's wherever they fall, because the beat may turn a corner. A bang is unlike, or far too loud.

    Parameters
    ----------
    found : ExactTimes
    certain : ndarray of bool
        shape (n,): which beats were surely heard.
    unlike : float
        Likeness that the room alone may reach: where most sounds are below it, none can be distinguished.
    """
    if np.count_nonzero(certain) < 8:
        return np.zeros(len(certain), bool)
    middle = float(np.median(found.likeness[certain]))
    scatter = median_deviation(found.likeness[certain] - middle)
    least = middle - 3 * scatter - 0.01
    loud = found.loudness / max(float(np.median(found.loudness[certain])), 1e-9)
    if least < unlike:
        return np.zeros(len(certain), bool)
    out: npt.NDArray[np.bool_] = (found.likeness > least) & (loud > 1 / _AS_LOUD) & (loud < _AS_LOUD)
    return out


def expected_places(
    frames: npt.NDArray[np.float64],
    rows: IntArray,
    certain: npt.NDArray[np.bool_],
    alike: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.float64], float, npt.NDArray[np.bool_]]:
    """Place of each row expected from its neighbours, scatter of single rows about it, and which rows may stay.

    A bang mistaken for the beat biases the expectation of its neighbours, most at the ends, where there are few of
    them. So outliers are left out and the rest is evaluated again; rows that sound like the clock are kept.

    Parameters
    ----------
    frames : ndarray
        shape (n,): where each was found.
    rows : ndarray of int
        shape (n,): number of its period.
    certain : ndarray of bool
        shape (n,): which beats were surely heard.
    alike : ndarray of bool
        shape (n,): which sound like the clock.
    """
    trusted = np.flatnonzero(certain) if np.count_nonzero(certain) >= 4 else np.arange(len(rows))
    if len(trusted) < 4:
        return frames.copy(), 4.0, certain
    period = float(np.median(np.diff(frames[trusted]) / np.diff(rows[trusted])))
    residual = frames - period * rows
    settled = certain
    expected, spread = residual, 0.0
    for _ in range(4):
        expected = _from_neighbours(rows, residual, trusted)
        miss = np.abs(residual - expected)
        spread = max(SIGMA_PER_MEDIAN * float(np.median(miss[trusted])), 0.5)
        before = settled
        settled = (certain & (miss < max(6 * spread, 8))) | (alike & (miss < _CORNER))
        if np.array_equal(before, settled) or np.count_nonzero(settled) < 4:
            break
        trusted = np.flatnonzero(settled)
    return expected + period * rows, spread, settled


def _from_neighbours(
    rows: IntArray, residual: npt.NDArray[np.float64], trusted: IntArray
) -> npt.NDArray[np.float64]:
    """Place of each row on a line through the four trusted rows before it and the four behind it, without the row itself."""
    reach = 4
    index = np.arange(len(rows))
    at = np.searchsorted(trusted, index)[:, None] + np.arange(-reach, reach + 1)
    near = trusted[np.clip(at, 0, len(trusted) - 1)]
    inside = (at >= 0) & (at < len(trusted))
    counts = np.count_nonzero(inside, axis=1)
    inside &= (near != index[:, None]) | (counts <= 2)[:, None]
    number = np.where(inside, rows[near], np.nan)
    values = np.where(inside, residual[near], np.nan)
    slopes = _slopes(number, values)
    out: npt.NDArray[np.float64] = np.nanmedian(values, axis=1) + slopes * (
        rows - np.nanmedian(number, axis=1)
    )
    return out


def _slopes(at: npt.NDArray[np.float64], values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Median of the slopes between pairs (Theil-Sen), for each row of points; NaN is no point, and of less than four it is 0."""
    first, second = np.triu_indices(at.shape[1], 1)
    enough = np.count_nonzero(~np.isnan(at), axis=1) >= 4
    slopes = np.zeros(len(at))
    each = (values[enough][:, second] - values[enough][:, first]) / (
        at[enough][:, second] - at[enough][:, first]
    )
    slopes[enough] = np.nanmedian(each, axis=1)
    return slopes


def by_turns(sound: Placed) -> bool:
    """Whether every other row is early, softer or never certain, beyond chance: the rows are then both sides of a beat."""
    usable = np.flatnonzero(sound.usable)
    shares = sorted(
        float(np.mean(sound.certain[usable[usable % 2 == turn]])) for turn in (0, 1) if len(usable) > 8
    )
    if shares and shares[0] < 1 - _NEARLY_EACH and shares[1] > _NEARLY_EACH:
        return True
    rows = np.flatnonzero(sound.certain & sound.usable)
    if len(rows) < 8:
        return False
    sign = np.where(rows % 2 == 0, 1.0, -1.0)
    for values, least in ((sound.frame[rows], _EARLY_FRAMES), (sound.level_db[rows], _SOFTER_DB)):
        # second differences remove a smooth course; an alternation of c gives 4 c in them
        even = (np.diff(rows)[1:] == 1) & (np.diff(rows)[:-1] == 1)
        turns = ((2 * values[1:-1] - values[:-2] - values[2:]) * sign[1:-1])[even] / 4
        if len(turns) < 6:
            return False
        scatter = median_deviation(turns - np.median(turns)) / np.sqrt(len(turns))
        if abs(float(np.median(turns))) > max(_BEYOND_CHANCE * scatter, least):
            return True
    return False


def passage_of(drop: Placed, contact: Placed) -> float:
    """Typical frames from contact to drop."""
    both = drop.usable & contact.usable
    certain = both & drop.certain & contact.certain
    chosen = certain if np.count_nonzero(certain) > 3 else both
    return float(np.median((drop.frame - contact.frame)[chosen]))


def typically_apart(one: Placed, other: Placed) -> float:
    """Typical frames from the other sound to this one in the same row, where both are certain if they ever are."""
    rows = min(len(one.frame), len(other.frame))
    gap = one.frame[:rows] - other.frame[:rows]
    usable = one.usable[:rows] & other.usable[:rows]
    sure = usable & one.certain[:rows] & other.certain[:rows]
    return float(
        np.median(gap[sure] if np.count_nonzero(sure) >= 3 else gap[usable] if usable.any() else gap)
    )
