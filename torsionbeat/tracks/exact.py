"""Exact times: each sound matched with the learnt sound of its kind and side.

Input: band powers round the rough places of one sound, in units of the room's floor, two thousand frames a second.
Output: the times in frames, to a fraction of a frame, with the evidence for each. Noise power in a band follows a
gamma distribution about its mean, so the likelihood of a sound with profile ``s`` that begins at ``t`` is

    sum over frames and bands of   -log(1 + a s) - x / (1 + a s)

with ``x`` the power over the floor and ``a`` the loudness of this one beat. That is a matched filter where the
sound is weak (weights ``s``) and an edge detector where it is strong (weights near one). The tick of another clock
is a second source of unknown level in each beat: ``1`` becomes ``1 + b A``, with ``A`` the most that it adds and
``b`` its share. The profile is the mean of all aligned beats. Profile and times are found alternately, until the
profile begins at its place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from torsionbeat.theory.edges import AFTER, BEFORE, RISE_DOUBT, edge_and_rise, edge_of, refined
from torsionbeat.theory.robust import median_deviation
from torsionbeat.tracks.fine_power import FinePower, aligned

__all__ = [
    "ExactTimes",
    "evidence_round",
    "laid_anywhere",
    "likeness_of",
    "match",
    "searched_on",
    "settled",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

_SETTLED = 0.02
"""Frames (10 us): when no beat moves by more, another iteration changes nothing."""
_OWN_HEAD = 0.1
"""Share of a profile's highest power above which its first level is its own sound."""
# 6 dB apart, two steps either way (no source).
_LOUDNESS = np.array([0.25, 0.5, 1.0, 2.0, 4.0], np.float32)
_TICK_SHARES = np.array([0.03, 0.1, 0.3, 1.0], np.float32)
"""Levels of another clock's tick tried, as shares of the most that it adds: `FinePower.added` is an upper estimate. With
a share of 3 added, one recording of real ticks lost a tenth of its beats (realsounds)."""
_COARSE = 3
"""Frames (1.5 ms) between the shifts at which both levels are fitted at once; the sound's own rise is longer."""
_LAID_ANEW, _AT_REST = 6, 4.0
"""Most times that a profile is aligned again; frames (2 ms) from its place within which it must then begin: well inside
the search of the last match, 6 frames or more."""
MOST_MOVED = 6
"""Frames (3 ms) by which two mean sounds may be offset: each was aligned at its own place."""


@dataclass(frozen=True, slots=True)
class ExactTimes:
    """Times of one sound in frames, shape (beats,), and the profile they were found with.

    ``evidence`` is the log-likelihood gained over silence. ``edge`` is the frame, counted from the profile's place,
    at which the mean sound begins: add it to a time to get the beginning of the sound. ``likeness`` compares each
    sound with the mean sound: the cosine of their logarithms, 1 for equal ones. ``loudness`` is its power over the
    mean sound's.
    """

    frames: npt.NDArray[np.float64]
    evidence: npt.NDArray[np.float64]
    profile: FloatArray
    edge: float
    edge_uncertainty: float
    likeness: FloatArray
    loudness: FloatArray


def _evidence(
    sound: FloatArray, profile: FloatArray, search: int, shade: FloatArray | None = None
) -> tuple[FloatArray, IntArray]:
    """Best evidence over loudness at each shift, shape (beats, 2 search + 1), and the loudness chosen.

    ``shade`` is the result of `FinePower.shade` for the same windows. Every shift must explain the whole window, or a
    shift would gain by what it leaves out. Behind the profile its last level continues. Before it stands its first level,
    as the decay of another sound, louder than the room. Where the first level is high, the window begins within the sound
    itself, and silence precedes it.
    """
    shifts, frames = 2 * search + 1, sound.shape[1]
    head, tail = profile[:4].mean(axis=0), profile[-4:].mean(axis=0)
    if head.max() < 1 or head.sum() > _OWN_HEAD * profile.sum(axis=1).max():
        head = np.zeros_like(head)
    flat = sound.reshape(len(sound), -1)
    best = np.full((len(sound), shifts), -np.inf, np.float32)
    which = np.zeros(best.shape, np.int64)
    ahead = np.arange(shifts)
    for number, loudness in enumerate(_LOUDNESS):
        parts = [loudness * part for part in (head, profile, tail)]
        weights = [part / (1 + part) for part in parts]
        weight = _at_every_shift(weights[0], weights[1], weights[2], frames)
        before, within, behind = (float(np.log1p(part).sum(dtype=np.float64)) for part in parts)
        gained = flat @ weight.T
        gained -= (before * ahead + within + behind * ahead[::-1]).astype(np.float32)
        better = gained > best
        best[better] = gained[better]
        which[better] = number
    if shade is not None:
        for row in np.flatnonzero((shade > 1).any(axis=(1, 2))):
            best[row], which[row] = _beside_another(
                sound[row] * shade[row], shade[row] - 1, profile, (head, tail)
            )
    return best, which


def _at_every_shift(head: FloatArray, profile: FloatArray, tail: FloatArray, frames: int) -> FloatArray:
    """The profile at every shift of a window, with one level before it and one behind it, shape (shifts, frames * bands)."""
    room, bands = frames - len(profile), profile.shape[1]
    longest = np.concatenate([np.tile(head, room), profile.ravel(), np.tile(tail, room)])
    out: FloatArray = sliding_window_view(longest, frames * bands)[::-bands]
    return np.ascontiguousarray(out)


def _beside_another(
    power: FloatArray, added: FloatArray, profile: FloatArray, ends: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, IntArray]:
    """Evidence of one beat at each shift where another clock ticks too, and the loudness chosen.

    Power and the most that the other clock adds have shape (frames, bands); ``ends`` are the levels before and behind the
    profile. Both levels are fitted together at every third shift; the best pair of all then serves every shift.
    """
    rooms = 1 + _TICK_SHARES[:, None, None] * added
    silent = float(-_costs(rooms, power).sum(axis=(1, 2)).min())
    every = np.arange(len(power) - len(profile) + 1)
    coarse = every[::_COARSE]
    each = np.stack([_explained(power, room, profile, ends, _LOUDNESS, coarse) for room in rooms])
    share, number, _ = np.unravel_index(int(np.argmax(each)), each.shape)
    fine = _explained(power, rooms[share], profile, ends, _LOUDNESS[[number]], every)[0]
    fine = np.maximum(fine, np.interp(every, coarse, each.max(axis=(0, 1))))
    return (fine - silent).astype(np.float32), np.full(len(every), number, np.int64)


def _explained(
    power: FloatArray,
    room: FloatArray,
    profile: FloatArray,
    ends: tuple[FloatArray, FloatArray],
    loudness: FloatArray,
    shifts: IntArray,
) -> npt.NDArray[np.float64]:
    """Log likelihood of the whole window with the sound at each of the shifts, shape (loudness, shifts).

    Before and behind the sound the mean does not depend on the shift: there running sums serve all shifts.
    """
    before, behind = (np.zeros((len(loudness), len(power) + 1)) for _ in ends)
    for end, sums in zip(ends, (before, behind), strict=True):
        costs = _costs(room + loudness[:, None, None] * end, power)
        np.cumsum(costs.sum(axis=2), axis=1, out=sums[:, 1:])
    index = shifts[:, None] + np.arange(len(profile))
    rooms, powers = room[index], power[index]
    inner = np.stack([_costs(rooms + loud * profile, powers).sum(axis=(1, 2)) for loud in loudness])
    out: npt.NDArray[np.float64] = -(before[:, shifts] + inner + behind[:, -1:])
    return out + behind[:, shifts + len(profile)]


def _costs(mean: FloatArray, power: FloatArray) -> FloatArray:
    """Minus the log likelihood of each power about its mean."""
    out: FloatArray = np.log(mean)
    out += power / mean
    return out


def _tops(gained: FloatArray) -> IntArray:
    """Best shift of each beat: the highest local maximum.

    A bang just outside the search makes the evidence climb towards the end of the search; the beat is then a lower
    maximum further in. Without any local maximum it is the highest place.
    """
    inner = gained[:, 1:-1]
    top = (inner >= gained[:, :-2]) & (inner > gained[:, 2:])
    best = np.argmax(np.where(top, inner, -np.inf), axis=1) + 1
    out: IntArray = np.where(top.any(axis=1), best, np.argmax(gained, axis=1))
    return out


def match(
    fine: FinePower,
    places: IntArray,
    search: int,
    *,
    passes: int = 5,
    prior_frames: float | None = None,
    in_doubt: bool = True,
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
    in_doubt : bool
        Work out the edge's uncertainty, which costs as much as the rest; else it is nan.
    """
    sound, shade = fine.windows(places, search), fine.shade(places, search)
    rows = np.arange(len(places))
    prior = _prior(search, prior_frames)
    shifts = np.full(len(places), float(search))
    strength = np.ones(len(places), np.float32)
    for _ in range(passes):
        # The common part of all shifts is removed, or profile and times would creep to one end of the search together.
        at = np.clip(shifts - (np.median(shifts) - search), 0, 2 * search)
        shaded = None if shade is None else aligned(shade, at, BEFORE + AFTER)
        profile = _mean_profile(aligned(sound, at, BEFORE + AFTER), strength, shaded)
        gained, which = _evidence(sound, profile, search, shade)
        gained += prior
        best = _tops(gained)
        before, shifts = shifts, refined(gained, best)
        strength = _LOUDNESS[which[rows, best]]
        if np.abs(shifts - before).max(initial=0) < _SETTLED:
            break
    laid = aligned(sound, shifts, BEFORE + AFTER)
    edge, rise = edge_and_rise(profile)
    return ExactTimes(
        places + shifts - search,
        gained[rows, best].astype(np.float64),
        profile,
        edge,
        float(np.hypot(_edge_uncertainty(laid, strength), RISE_DOUBT * rise)) if in_doubt else float("nan"),
        _likeness(laid, profile),
        (laid - 1).sum(axis=(1, 2)) / max(float(profile.sum()), 1e-9),
    )


def searched_on(
    fine: FinePower, found: ExactTimes, places: IntArray, search: int, prior_frames: float, least: float
) -> tuple[ExactTimes, npt.NDArray[np.bool_]]:
    """The same, with beats at an end of the search searched as far again from there; and which of them are at an end still.

    Parameters
    ----------
    fine : FinePower
    found : ExactTimes
        Result of `match`.
    places : array, shape (beats,)
        Rough frames that it was given, with its ``search`` and ``prior_frames``.
    search : int
    prior_frames : float
    least : float
        Beats with less evidence are not searched on.
    """
    ends = np.abs(found.frames - places) > search - 0.5
    rows = np.flatnonzero(ends & (found.evidence > least))
    if not len(rows):
        return found, ends
    at = np.rint(found.frames[rows]).astype(np.int64)
    away = (at - places[rows])[:, None] + np.arange(-search, search + 1)[None, :]
    gained = evidence_round(fine, at, search, found.profile)
    gained -= (0.5 * (away / prior_frames) ** 2).astype(np.float32)
    best = np.argmax(gained, axis=1)
    inside = (best > 0) & (best < 2 * search)
    frames, evidence = found.frames.copy(), found.evidence.copy()
    frames[rows[inside]] = (at + refined(gained, best) - search)[inside]
    evidence[rows[inside]] = gained.max(axis=1)[inside]
    ends[rows[inside]] = False
    return replace(found, frames=frames, evidence=evidence), ends


def settled(fine: FinePower, places: IntArray, search: int, *, in_doubt: bool = False) -> ExactTimes:
    """Match, and align the profile again until it begins at its place.

    The profile settles wherever its energy lies within the search, and can creep to one end of it with all times. Each
    time it is aligned where it was found to begin, until that no longer moves.

    Parameters
    ----------
    fine : FinePower
        Power at the finest frames.
    places : ndarray of int
        shape (beats,): where each beat is expected, in frames.
    search : int
        Frames either side of each place.
    in_doubt : bool
        Work out the edge's uncertainty too (`match`).
    """
    found = match(fine, places, search, passes=3, in_doubt=in_doubt)
    laid_at = places
    for _ in range(_LAID_ANEW):
        begins = np.rint(found.frames + np.clip(found.edge, -BEFORE, AFTER - 16)).astype(np.int64)
        moved = abs(float(np.median(begins - laid_at)))
        if laid_at is not places and moved < _AT_REST:
            break
        laid_at = begins
        found = match(fine, begins, search // 2, passes=3, in_doubt=in_doubt)
    return found


def _likeness(laid: FloatArray, profile: FloatArray) -> FloatArray:
    mean = np.log1p(profile).ravel()
    each = np.log1p(np.maximum(laid - 1, 0)).reshape(len(laid), -1)
    size = np.linalg.norm(each, axis=1) * np.linalg.norm(mean)
    out: FloatArray = (each @ mean / np.maximum(size, 1e-9)).astype(np.float32)
    return out


def likeness_of(one: npt.NDArray[np.float32], other: npt.NDArray[np.float32]) -> float:
    """How alike two mean sounds are, from 0 to 1: cosine of the roots of their powers, one moved against the other as fits best.

    Parameters
    ----------
    one, other : ndarray
        Powers over the room's, shape (frames, bands).
    """
    roots = [np.sqrt(np.maximum(profile, 0.0).astype(np.float64)) for profile in (one, other)]
    lengths = float(np.prod([np.linalg.norm(root) for root in roots]))
    count = min(len(root) for root in roots)
    moved = [
        float(np.sum(roots[0][max(by, 0) : count + min(by, 0)] * roots[1][max(-by, 0) : count + min(-by, 0)]))
        for by in range(-MOST_MOVED, MOST_MOVED + 1)
    ]
    return max(moved) / lengths if lengths > 0 else 0.0


def _edge_uncertainty(laid: FloatArray, strength: FloatArray) -> float:
    """Standard uncertainty of the edge, in frames, from leaving out an eighth of the beats at a time.

    The jackknife (B. Efron, 1982, from memory) with the median deviation instead of the standard one: where a sound has two
    parts, one of the eight edges that moves to the other part would raise the standard deviation to tens of frames.
    """
    parts = 8
    if len(laid) < parts:
        return 1.0
    index = np.arange(len(laid)) % parts
    edges = np.array(
        [edge_of(_mean_profile(laid[index != part], strength[index != part])) for part in range(parts)]
    )
    return float(np.sqrt(parts - 1)) * median_deviation(edges - np.median(edges))


def laid_anywhere(
    fine: FinePower, places: IntArray, search: int, profile: FloatArray, prior_frames: float | None
) -> tuple[npt.NDArray[np.float64], FloatArray]:
    """Best evidence for a known profile near each place, and the likeness there; at places without a sound these are chance's.

    Both have shape (beats,).

    Parameters
    ----------
    fine : FinePower
        Power at the finest frames.
    places : ndarray of int
        shape (beats,): where each beat is expected, in frames.
    search : int
        Frames either side of each place.
    profile : ndarray
        shape (frames, bands).
    prior_frames : float or None
        Standard deviation of the places about the expected ones; None: all equally likely.
    """
    sound = fine.windows(places, search)
    gained = _evidence(sound, profile, search, fine.shade(places, search))[0] + _prior(search, prior_frames)
    laid = aligned(sound, np.argmax(gained, axis=1).astype(np.float64), BEFORE + AFTER)
    return gained.max(axis=1).astype(np.float64), _likeness(laid, profile)


def evidence_round(fine: FinePower, places: IntArray, reach: int, profile: FloatArray) -> FloatArray:
    """Evidence for a known profile at every shift of ``reach`` frames either side, shape (beats, 2 reach + 1).

    Parameters
    ----------
    fine : FinePower
        Power at the finest frames.
    places : ndarray of int
        shape (beats,): where each beat is expected, in frames.
    reach : int
        Frames either side of each place.
    profile : ndarray
        shape (frames, bands).
    """
    return _evidence(fine.windows(places, reach), profile, reach, fine.shade(places, reach))[0]


def _prior(search: int, prior_frames: float | None) -> FloatArray:
    if prior_frames is None:
        return np.zeros(2 * search + 1, np.float32)
    return (-0.5 * (np.arange(-search, search + 1) / prior_frames) ** 2).astype(np.float32)


def _mean_profile(laid: FloatArray, strength: FloatArray, shade: FloatArray | None = None) -> FloatArray:
    """Mean of the beats above the room that no single bang can dominate.

    Where another clock ticks (``shade`` above 1) the room is louder, and power above it counts for less.
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
