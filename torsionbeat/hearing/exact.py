"""Exact times: each sound laid against the learnt sound of its kind and side.

Input: band powers round the rough places of one sound, in units of the room's floor, two thousand frames a second.
Output: the times in frames, to a fraction of a frame, with what speaks for each. Noise power in a band follows a
gamma distribution about its mean, so the likelihood of a sound with profile ``s`` that begins at ``t`` is

    sum over frames and bands of   -log(1 + a s) - x / (1 + a s)

with ``x`` the power over the floor and ``a`` the loudness of this one beat. That is a matched filter where the
sound is weak (weights ``s``) and an edge detector where it is strong (weights near one): one rule for both. Where
another clock ticks, its tick is a second source whose level in this one beat is as unknown as the sound's: ``1`` becomes
``1 + b A``, with ``A`` what it adds at most and ``b`` its share. The profile is the mean of all beats laid over each
other, found by turns with the times; it is laid anew until it begins at its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.bands import CHUNK_FRAMES, POOLED_FRAMES, POWER_OF_LEVEL

__all__ = [
    "TAIL",
    "Beginning",
    "ExactTimes",
    "FinePower",
    "Onset",
    "beginning_of",
    "edge_of",
    "evidence_round",
    "laid_anywhere",
    "match",
    "onset_in",
    "settled",
    "softer_before",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

BEFORE = 24
"""Frames of the profile before the place at which the sound is taken to begin."""
AFTER = 56
_RISES = (0.2, 3.0)
_SETTLED = 0.02
"""Frames (10 us): where no beat moves by more, another turn changes nothing."""
_DECAYS = (4.0, 8.0, 16.0, 32.0)
TAIL = 64
"""Frames of a dying sound that are fitted."""
_FAINT = 5.0
"""Height (root of power over the room's) below which noise can hide where a profile begins."""
_SOFT_RISE = 1.5
"""Frames of rise taken for a sound whose own rise the noise hides."""
_SHOWS_EARLY = 1.6
"""Frames by which a sound shows before the place that fits it best, from the length of the levels' own windows."""
_RISE_DOUBT = 0.2
"""Share of a sound's rise by which its beginning is in doubt: one that swells is extrapolated along the wrong curve."""
_SOFTER = (0.03, 0.05)
"""Shares of the height of a sound: what stays below the first is still the room, what rises above the second is not."""
_OWN_HEAD = 0.1
"""Share of a profile's highest power above which its first level is its own sound."""
_LOUDNESS = np.array([0.25, 0.5, 1.0, 2.0, 4.0], np.float32)
_TICK_SHARES = np.array([0.03, 0.1, 0.3, 1.0], np.float32)
"""Levels of another clock's tick tried, as shares of the most that it adds: `FinePower.added` is an upper estimate. A
share of 3 besides lost a tenth of the beats of one recording of real ticks (realsounds)."""
_COARSE = 3
"""Frames (1.5 ms) from shift to shift where both levels are sought at once; the sound's own rise is longer."""
LOOK_BACK = 100
"""Frames (50 ms) before a sound's place in which its first part is sought: two-part ticks of real clocks begin 14 to 19 ms
before their peak (realsounds)."""
BEGINS = 0.02
"""Share of its greatest power at which a sound begins."""
_AVERAGED, _SURE, _LEAST_MEAN = 3, 3.0, 6
"""Frames averaged, standard errors above zero, and beats at least, for a part to be heard in the mean."""
_QUIET, _PART = 24, 5
"""Frames of quiet (12 ms) that part two sounds; and by which a part must begin earlier than the edge to count as one."""
_OWN_RISE = 14
"""Frames of a first part that its own rise is followed in."""
_LAID_ANEW, _AT_REST = 6, 4.0
"""A profile is laid anew at most so often, and until it begins within so many frames (2 ms) of its place: it then lies
well inside the search of the last match, 6 frames or more."""


@dataclass(frozen=True, slots=True)
class ExactTimes:
    """Times of one sound in frames, shape (beats,), and the profile they were found with.

    ``evidence`` is the log-likelihood gained over silence; ``edge`` the frame, counted from the profile's place,
    at which the mean sound begins: add it to a time to get the beginning of the sound. ``likeness`` is how like the
    mean sound each one is: the cosine of their logarithms, 1 for the same; ``loudness`` its power over the mean
    sound's.
    """

    frames: npt.NDArray[np.float64]
    evidence: npt.NDArray[np.float64]
    profile: FloatArray
    edge: float
    edge_uncertainty: float
    likeness: FloatArray
    loudness: FloatArray


@dataclass(frozen=True, slots=True)
class FinePower:
    """Power over the room's floor at any frame of a stretch of sound, made from its levels when asked for.

    ``levels`` shape (frames, bands); ``floors`` shape (chunks, bands), power; ``added``, shape (pooled frames,
    bands) or None, is what another clock adds to the room at each moment, as a multiple of the floor.
    """

    levels: npt.NDArray[np.uint8]
    floors: FloatArray
    added: npt.NDArray[np.float16] | None

    def windows(self, places: IntArray, search: int) -> FloatArray:
        """Power round each place, shape (beats, BEFORE + AFTER + 2 search, bands); 1 (the room) outside."""
        return self.around(places, BEFORE + search, AFTER + search)

    def around(self, places: IntArray, before: int, after: int, step: int = 1) -> FloatArray:
        """Power from ``before`` frames before each place to ``after`` behind it, shape (beats, before + after, bands).

        Of every ``step`` frames one.
        """
        index = places[:, None] + np.arange(-before, after, step)[None, :]
        inside = (index >= 0) & (index < len(self.levels))
        index = np.clip(index, 0, len(self.levels) - 1)
        out: FloatArray = POWER_OF_LEVEL[self.levels[index]] / self.floors[index // CHUNK_FRAMES]
        if self.added is not None:
            out /= 1 + self.added[index // POOLED_FRAMES].astype(np.float32)
        out[~inside] = 1
        np.minimum(out, 1e6, out=out)
        return out

    def shade(self, places: IntArray, search: int) -> FloatArray | None:
        """How many times the room's power another clock may make of it, shape as `windows`; None where none ticks."""
        if self.added is None:
            return None
        index = places[:, None] + np.arange(-BEFORE - search, AFTER + search)[None, :]
        index = np.clip(index, 0, len(self.levels) - 1) // POOLED_FRAMES
        out: FloatArray = 1 + self.added[index].astype(np.float32)
        return out if (out > 1).any() else None

    def level_db(self, places: IntArray) -> npt.NDArray[np.float64]:
        """Greatest power in the 15 ms from each place over the room's, all bands together, in dB."""
        index = np.clip(places[:, None] + np.arange(0, 30)[None, :], 0, len(self.levels) - 1)
        loud = POWER_OF_LEVEL[self.levels[index]].sum(axis=2).max(axis=1)
        floor = self.floors[np.clip(places, 0, len(self.levels) - 1) // CHUNK_FRAMES].sum(axis=1)
        out: npt.NDArray[np.float64] = 10 * np.log10(np.maximum(loud / np.maximum(floor, 1e-20), 1e-3))
        return out.astype(np.float64)


def _evidence(
    sound: FloatArray, profile: FloatArray, search: int, shade: FloatArray | None = None
) -> tuple[FloatArray, IntArray]:
    """Best evidence over loudness at each shift, shape (beats, 2 search + 1), and the loudness chosen.

    ``shade`` is what `FinePower.shade` gives for the same windows. Every shift must explain the whole window, or a
    shift would gain by what it leaves out: the profile's last level goes on behind it, and before it stands its first,
    where that is the dying sound of another, louder than the room; where it is high the window begins within the sound
    itself, and before that is silence.
    """
    shifts, frames = 2 * search + 1, sound.shape[1]
    head, tail = profile[:4].mean(axis=0), profile[-4:].mean(axis=0)
    if head.max() < 1 or head.sum() > _OWN_HEAD * profile.sum(axis=1).max():
        head = np.zeros_like(head)
    laid = np.empty((shifts, frames, profile.shape[1]), np.float32)
    for shift in range(shifts):
        laid[shift, :shift] = head
        laid[shift, shift : shift + len(profile)] = profile
        laid[shift, shift + len(profile) :] = tail
    flat = sound.reshape(len(sound), -1)
    best = np.full((len(sound), shifts), -np.inf, np.float32)
    which = np.zeros(best.shape, np.int64)
    for number, loudness in enumerate(_LOUDNESS):
        raised = loudness * laid
        weight = (raised / (1 + raised)).reshape(shifts, -1)
        gained = flat @ weight.T - np.log1p(raised).sum(axis=(1, 2))
        better = gained > best
        best[better] = gained[better]
        which[better] = number
    if shade is not None:
        for row in np.flatnonzero((shade > 1).any(axis=(1, 2))):
            best[row], which[row] = _beside_another(sound[row] * shade[row], shade[row] - 1, laid)
    return best, which


def _beside_another(
    power: FloatArray, added: FloatArray, laid: FloatArray
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Evidence of one beat at each shift where another clock ticks too, and the loudness chosen.

    Power and what the other clock adds at most are (frames, bands), the sound at each shift (shifts, frames, bands).
    Both levels are sought together at every third shift; the best pair of all then serves every shift.
    """
    rooms = 1 + _TICK_SHARES[:, None, None] * added
    silent = float(-(np.log(rooms) + power / rooms).sum(axis=(1, 2)).min())
    coarse = laid[::_COARSE]
    best = np.full(len(coarse), -np.inf)
    pair = (0, 0)
    for share, room in enumerate(rooms):
        for number, loudness in enumerate(_LOUDNESS):
            mean = loudness * coarse
            mean += room
            gained = -(np.log(mean) + power / mean).sum(axis=(1, 2))
            if gained.max() > best.max():
                pair = (share, number)
            np.maximum(best, gained, out=best)
    mean = _LOUDNESS[pair[1]] * laid
    mean += rooms[pair[0]]
    fine = -(np.log(mean) + power / mean).sum(axis=(1, 2))
    fine = np.maximum(fine, np.interp(np.arange(len(laid)), np.arange(len(laid))[::_COARSE], best))
    return (fine - silent).astype(np.float32), np.full(len(laid), pair[1], np.int64)


def _tops(gained: FloatArray) -> IntArray:
    """Best shift of each beat: the highest local maximum.

    A bang just outside the search makes the evidence climb towards the end of the search; the beat under it is a
    lesser top further in. Where there is no top at all, the highest place.
    """
    inner = gained[:, 1:-1]
    top = (inner >= gained[:, :-2]) & (inner > gained[:, 2:])
    best = np.argmax(np.where(top, inner, -np.inf), axis=1) + 1
    out: IntArray = np.where(top.any(axis=1), best, np.argmax(gained, axis=1))
    return out


def _refined(gained: FloatArray, best: IntArray) -> npt.NDArray[np.float64]:
    """Top of the parabola through the best shift and its neighbours."""
    rows = np.arange(len(best))
    middle = np.clip(best, 1, gained.shape[1] - 2)
    left, top, right = (gained[rows, middle + step].astype(np.float64) for step in (-1, 0, 1))
    bend = left - 2 * top + right
    step = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    return np.where(middle == best, best + np.clip(step, -0.5, 0.5), best.astype(np.float64))


def _aligned(sound: FloatArray, shifts: npt.NDArray[np.float64], length: int) -> FloatArray:
    """Pieces of each window beginning at a fractional shift, shape (beats, length, bands)."""
    whole = np.floor(shifts).astype(np.int64)
    part = (shifts - whole).astype(np.float32)[:, None, None]
    index = whole[:, None] + np.arange(length + 1)[None, :]
    index = np.clip(index, 0, sound.shape[1] - 1)
    piece = np.take_along_axis(sound, index[:, :, None], axis=1)
    return piece[:, :-1] * (1 - part) + piece[:, 1:] * part


def match(
    fine: FinePower, places: IntArray, search: int, *, passes: int = 5, prior_frames: float | None = None
) -> ExactTimes:
    """Find each beat's time and the common profile.

    Parameters
    ----------
    fine : FinePower
    places : array, shape (beats,)
        Rough frame at which each sound begins.
    search : int
        Frames by which a sound may lie from its place.
    prior_frames : float or None
        Standard deviation of the true place about the rough one, where it is known: weak sounds are then not
        drawn away by noise.
    """
    sound, shade = fine.windows(places, search), fine.shade(places, search)
    rows = np.arange(len(places))
    prior = _prior(search, prior_frames)
    shifts = np.full(len(places), float(search))
    strength = np.ones(len(places), np.float32)
    for _ in range(passes):
        # What all shifts have in common is taken out, or profile and times would creep to one end of the search together.
        at = np.clip(shifts - (np.median(shifts) - search), 0, 2 * search)
        shaded = None if shade is None else _aligned(shade, at, BEFORE + AFTER)
        profile = _mean_profile(_aligned(sound, at, BEFORE + AFTER), strength, shaded)
        gained, which = _evidence(sound, profile, search, shade)
        gained += prior
        best = _tops(gained)
        before, shifts = shifts, _refined(gained, best)
        strength = _LOUDNESS[which[rows, best]]
        if np.abs(shifts - before).max(initial=0) < _SETTLED:
            break
    laid = _aligned(sound, shifts, BEFORE + AFTER)
    edge, rise = _edge_and_rise(profile)
    return ExactTimes(
        places + shifts - search,
        gained[rows, best].astype(np.float64),
        profile,
        edge,
        float(np.hypot(_edge_uncertainty(laid, strength), _RISE_DOUBT * rise)),
        _likeness(laid, profile),
        (laid - 1).sum(axis=(1, 2)) / max(float(profile.sum()), 1e-9),
    )


def settled(fine: FinePower, places: IntArray, search: int) -> ExactTimes:
    """Match, and lay the profile anew until it begins at its place.

    The profile settles wherever its energy lies within the search, and can creep to one end of it with all times. Each
    time it is laid where it was found to begin, until that moves no more.
    """
    found = match(fine, places, search, passes=3)
    laid_at = places
    for _ in range(_LAID_ANEW):
        begins = np.rint(found.frames + np.clip(found.edge, -BEFORE, AFTER - 16)).astype(np.int64)
        moved = abs(float(np.median(begins - laid_at)))
        if laid_at is not places and moved < _AT_REST:
            break
        laid_at = begins
        found = match(fine, begins, search // 2, passes=3)
    return found


def _likeness(laid: FloatArray, profile: FloatArray) -> FloatArray:
    mean = np.log1p(profile).ravel()
    each = np.log1p(np.maximum(laid - 1, 0)).reshape(len(laid), -1)
    size = np.linalg.norm(each, axis=1) * np.linalg.norm(mean)
    out: FloatArray = (each @ mean / np.maximum(size, 1e-9)).astype(np.float32)
    return out


def _edge_uncertainty(laid: FloatArray, strength: FloatArray) -> float:
    """Standard uncertainty of the edge, in frames, from leaving out an eighth of the beats at a time."""
    parts = 8
    if len(laid) < parts:
        return 1.0
    index = np.arange(len(laid)) % parts
    edges = np.array(
        [edge_of(_mean_profile(laid[index != part], strength[index != part])) for part in range(parts)]
    )
    return float(np.sqrt((parts - 1) / parts * np.sum((edges - edges.mean()) ** 2)))


def laid_anywhere(
    fine: FinePower, places: IntArray, search: int, profile: FloatArray, prior_frames: float | None
) -> tuple[npt.NDArray[np.float64], FloatArray]:
    """Best evidence for a known profile near each place, and the likeness there: where no sound is, what chance gives.

    Both of shape (beats,).
    """
    sound = fine.windows(places, search)
    gained = _evidence(sound, profile, search, fine.shade(places, search))[0] + _prior(search, prior_frames)
    laid = _aligned(sound, np.argmax(gained, axis=1).astype(np.float64), BEFORE + AFTER)
    return gained.max(axis=1).astype(np.float64), _likeness(laid, profile)


def evidence_round(fine: FinePower, places: IntArray, reach: int, profile: FloatArray) -> FloatArray:
    """Evidence for a known profile at every shift of ``reach`` frames either side, shape (beats, 2 reach + 1)."""
    return _evidence(fine.windows(places, reach), profile, reach, fine.shade(places, reach))[0]


def _prior(search: int, prior_frames: float | None) -> FloatArray:
    if prior_frames is None:
        return np.zeros(2 * search + 1, np.float32)
    return (-0.5 * (np.arange(-search, search + 1) / prior_frames) ** 2).astype(np.float32)


def _mean_profile(laid: FloatArray, strength: FloatArray, shade: FloatArray | None = None) -> FloatArray:
    """What the beats have in common above the room: a mean that no single bang can govern.

    Where another clock ticks (``shade`` above 1) the room is louder, and what is above it counts for less.
    """
    if shade is not None:
        # (x - 1 - A), each beat weighed by 1 / (1 + A); `laid` is x / (1 + A)
        laid = 1 + (laid - 1) / np.maximum((1 / shade).mean(axis=0), 1e-6)
    excess = (laid - 1) / strength[:, None, None]
    if len(excess) >= 8:
        total = excess.sum(axis=(1, 2))
        ceiling = 4 * max(float(np.median(total)), 1.0)
        excess *= np.minimum(1, ceiling / np.maximum(total, ceiling))[:, None, None]
    out: FloatArray = np.maximum(excess.mean(axis=0), 0).astype(np.float32)
    return out


def edge_of(profile: FloatArray) -> float:
    """Where the profile begins, to a fraction of a frame, counted from its place (BEFORE frames after its first)."""
    return _edge_and_rise(profile)[0]


def _edge_and_rise(profile: FloatArray) -> tuple[float, float]:
    """Where the profile begins, and the frames it takes from there to the upper of the two heights.

    A sound that rises slowly passes any one height late. So the rise is followed at two heights and extrapolated to
    zero along the curve 1 - exp(-t / rise): a sharp and a soft sound then begin at the same place. Where the
    profile is noisy the two heights lie higher; where it is faint too the whole sound is fitted instead.
    """
    height = _height(profile)
    floor = float(np.quantile(height, 0.1))
    top = _first_top(height, floor)
    rise = height[top] - floor
    quiet = height[: max(top - 8, 6)]
    noise = float(np.quantile(np.abs(quiet - np.median(quiet)), 0.9)) / max(rise, 1e-12)
    if noise > 0.05 and height[top] < _FAINT:
        series = height**2
        onset = onset_in(np.concatenate([series - np.median(series), np.zeros(TAIL)]))
        return onset.begins - BEFORE, _SOFT_RISE
    low, high = (0.12, 0.5) if noise < 0.05 else (0.33, 0.67)
    start, later = _crossing(height, top, floor + low * rise), _crossing(height, top, floor + high * rise)
    if start <= 0:
        return float(-BEFORE), later  # A loud sound that is there already with the first frame.
    back = np.log1p(-low) / (np.log1p(-high) - np.log1p(-low))
    return float(start - back * (later - start) - BEFORE), float((1 + back) * (later - start))


def _height(profile: FloatArray) -> npt.NDArray[np.float64]:
    """One height for each frame: each band counts by what it holds of the sound, so that mere noise blurs nothing."""
    share = profile.mean(axis=0, dtype=np.float64)
    out: npt.NDArray[np.float64] = np.sqrt(
        profile.astype(np.float64) @ (share / max(float(share.sum()), 1e-12))
    )
    return out


@dataclass(frozen=True, slots=True)
class Beginning:
    """Where a mean sound begins, in frames from the place of its profile, with its standard uncertainty.

    ``hidden`` is the share of its greatest power below which the room hides what may come before.
    """

    frames: float
    uncertainty: float
    hidden: float


def beginning_of(fine: FinePower, found: ExactTimes, certain: npt.NDArray[np.bool_]) -> Beginning:
    """Where the first part of a sound begins that is heard in the mean of all beats.

    A tick may have parts tens of milliseconds apart, the first of them weaker. A sound begins where its power first
    passes `BEGINS` of its greatest; the mean of many beats shows that far below the room. What lies before a quiet
    stretch is another sound, or its dying away. The first part is then extrapolated along its own rise.
    """
    plain = Beginning(found.edge, found.edge_uncertainty, 1.0)
    if np.count_nonzero(certain) < _LEAST_MEAN:
        return plain
    at = found.frames[certain]
    whole = np.floor(at).astype(np.int64)
    sound = fine.around(whole, LOOK_BACK + 1, AFTER + 1)
    laid = _aligned(sound, at - whole + 1, LOOK_BACK + AFTER)
    share = found.profile.mean(axis=0, dtype=np.float64)
    weights = (share / max(float(share.sum()), 1e-12)).astype(np.float32)
    each = (laid - 1) @ weights
    ceiling = np.maximum(4 * np.median(np.maximum(each, 0), axis=0), 4.0)
    each = np.minimum(each, ceiling)
    mean = _averaged(each.mean(axis=0))
    doubt = _averaged(each.std(axis=0)) / np.sqrt(len(each) * _AVERAGED / 2)
    first = round(found.edge) + LOOK_BACK
    top = float(mean[first:].max())
    if top <= 0 or first < 4 * _AVERAGED:
        return plain
    before = slice(2, max(first - 4, 8))
    hidden = float(np.quantile(_SURE * doubt[before], 0.5)) / top
    least = np.maximum(BEGINS * top, _SURE * doubt)
    heard = mean > least
    start = _first_of(heard, first)
    if start <= _QUIET or first - start < _PART:
        return Beginning(found.edge, found.edge_uncertainty, hidden)
    part = (
        laid[:, start - BEFORE : start + _OWN_RISE] if start >= BEFORE else laid[:, : start + _OWN_RISE]
    ).mean(axis=0)
    begins, rise = _edge_and_rise(np.maximum(part - 1, 0))
    shift = start - min(start, BEFORE) + begins + BEFORE - LOOK_BACK
    return Beginning(float(shift), float(np.hypot(found.edge_uncertainty, _RISE_DOUBT * rise)), hidden)


def _averaged(series: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Running mean over `_AVERAGED` frames."""
    return np.convolve(series, np.ones(_AVERAGED) / _AVERAGED, "same")


def _first_of(heard: npt.NDArray[np.bool_], first: int) -> int:
    """Go back from ``first`` while no `_QUIET` frames in a row are unheard: the earliest frame heard."""
    earliest, quiet = first, 0
    for frame in range(first - 1, -1, -1):
        if heard[frame]:
            earliest, quiet = frame, 0
        else:
            quiet += 1
            if quiet >= _QUIET:
                return earliest
    return 0


def softer_before(profile: FloatArray, edge: float) -> float:
    """Frames by which a softer part of the sound shows before the edge, 0 where none does or the room hides it.

    A pin slides before it strikes, a tooth lets go before it lands, and which of the two begins the sound is a matter
    of how quiet the room is. Beats are alike in this and mostly the sides too, so that it is the passage that is in doubt.
    """
    height = _height(profile)
    floor = float(np.quantile(height, 0.1))
    whole = float(height.max()) - floor
    last = int(edge + BEFORE - 2 * _SHOWS_EARLY)
    begins = np.flatnonzero(height[: max(last, 0)] > floor + _SOFTER[1] * whole)
    if not len(begins) or begins[0] < 4:
        return 0.0
    first = int(begins[0])
    still = height[: first - 1].max() < floor + _SOFTER[0] * whole
    lasts = height[first:last].mean() > floor + _SOFTER[0] * whole
    return edge + BEFORE - first if still and lasts else 0.0


@dataclass(frozen=True, slots=True)
class Onset:
    """Where a sound begins, how far it stands out, and how fast it dies away: frames, unit of the series, frames."""

    begins: float
    height: float
    decay: float


def onset_in(series: npt.NDArray[np.float64]) -> Onset:
    """Where in a noisy series, zero in the room, a sudden rise that dies away begins; not in its last TAIL frames.

    The matched filter of (1 - exp(-t / rise)) exp(-t / decay) in even noise, for a sharp rise and one of 1.5 ms and
    decays of 2 to 16 ms: it uses the whole sound, where a
    passed height would use one frame of it.
    """
    best = Onset(0.0, -np.inf, _DECAYS[0])
    for rise, decay in product(_RISES, _DECAYS):
        shape = -np.expm1(-(np.arange(TAIL) + 0.5) / rise) * np.exp(-np.arange(TAIL) / decay)
        fit = np.correlate(series, shape / np.sqrt(np.sum(shape**2)), mode="valid")
        top = np.array([np.argmax(fit)])
        if fit[top[0]] > best.height:
            begins = float(_refined(fit[None, :], top)[0]) - _SHOWS_EARLY
            best = Onset(begins, float(fit[top[0]]), decay)
    return best


def _first_top(height: npt.NDArray[np.float64], floor: float) -> int:
    """The first local maximum at least half as high as the highest: a later echo is not the beginning."""
    top = int(np.argmax(height))
    for index in range(1, top):
        rises = height[index] > height[index - 1] and height[index] >= height[index + 1]
        if rises and height[index] - floor > 0.5 * (height[top] - floor):
            return index
    return top


def _crossing(height: npt.NDArray[np.float64], top: int, level: float) -> float:
    """Last place before ``top`` at which the height passes a level, to a fraction of a frame."""
    index = top
    while index > 0 and height[index - 1] >= level:
        index -= 1
    if index == 0:
        return 0.0
    low, high = height[index - 1], height[index]
    return float(index - 1 + (level - low) / max(high - low, 1e-12))
