"""The pattern of a beat: which sounds, in which order, on which side.

Input: strength and a period. Output: tracks: for each sound of each side the pooled frame at which it falls in
every period. The clearest track is taken first. Its partner is searched half a period away, then the sounds round
both that keep step with them. The loudest of a side is its drop, the first one before it its contact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.tracks.best_track import Track, above_chance, best_track, rows_of

__all__ = [
    "CLEAR_TRACK_SCORE",
    "FEW_ROWS",
    "LEAST_TRACK_SCORE",
    "LONGEST_LIFT",
    "Pattern",
    "SoundTrack",
    "clear",
    "follow",
    "halves",
    "least_score",
    "one_sided",
    "pattern_at",
    "sounds_round",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

_CAP = 8.0
"""Deviations above the room to which strength is limited: a bang must not outweigh many beats."""
_REACH = 3
"""Pooled frames by which a sound may move from period to period (12 ms): wander of the rate and jitter together."""
_PRICE = 0.7
"""Cost of a move by one frame, in the same units."""
_PASSAGE_REACH = 5
"""Pooled frames by which a passage may lengthen from one period to the next (20 ms), as after a sudden loss of drive."""
_SPREAD = 12
"""Pooled frames by which a single beat may be early or late against its neighbours (48 ms)."""
LEAST_TRACK_SCORE = 9.0
"""Least score of a track, in units of the scatter of the best totals that chance gives."""
CLEAR_TRACK_SCORE = 13.5
"""The same for a side that is to decide between two periods: a clear one of 20 rows has 15 to 30."""
LEAST_SOUND_SCORE = 9.0
"""The same for a further sound of a beat."""
FEW_ROWS = 9
"""With fewer periods chance reaches less far, and a lower score is enough."""
_CLEAR_HEIGHT = 0.75 * _CAP
"""A sound with at least this strength in most beats needs no least score."""
LONGEST_LIFT = 0.13
"""Longest lift passage searched, as a share of the period."""
NEAREST = 6
"""Least distance of two sounds of a beat in pooled frames (24 ms); nearer, the second is an echo."""
_SAMPLE = 50_000
"""Frames of the whole sound whose scatter is the unit of strength: it is then known to half a per cent."""


@dataclass(frozen=True, slots=True)
class SoundTrack:
    """One sound of one side: its pooled frame in each period, its bands and its score.

    ``frames`` shape (periods,); ``weights`` shape (bands,), the share of each band; ``score`` against chance.
    """

    frames: IntArray
    weights: FloatArray
    strengths: FloatArray
    score: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """The strongest sound of each side. ``second`` is None where nothing is heard half a period away."""

    period_frames: float
    first: SoundTrack
    second: SoundTrack | None


def follow(
    rising: FloatArray,
    middles: IntArray,
    span: int,
    *,
    width: int = 3,
    passes: int = 3,
    reach: int = _REACH,
    weights: FloatArray | None = None,
) -> SoundTrack:
    """The best sound within ``span`` frames either side of ``middles``, one in each row.

    Band weights start equal, or as given, and are learnt from the track itself in a few passes.

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    middles : ndarray of int
        shape (rows,): where to look, in frames.
    span : int
        Frames either side.
    width : int
        Frames over which the series is smoothed.
    passes : int
        Rounds in which the weights are learnt.
    reach : int
        Frames by which the sound may move from row to row.
    weights : ndarray, optional
        shape (bands,): first weights; left out, equal.
    """
    if weights is None:
        weights = np.ones(rising.shape[1], np.float32)
    starts, columns = middles - span, 2 * span + 1
    best: tuple[Track, FloatArray, FloatArray] | None = None
    near = _smoothed_rows(rising, starts - _SPREAD, columns + 2 * _SPREAD, width)
    scale = _Scale.of(rising, width)
    for _ in range(passes):
        wider = scale.weighted(near, weights)
        track = best_track(wider[:, _SPREAD:-_SPREAD], reach=reach, price=_PRICE, cap=_CAP)
        if best is None or track.total > best[0].total:
            best = (track, weights, wider)
        frames = starts + track.columns
        inside = frames[(frames >= 0) & (frames < len(rising))]
        mean = _cut(rising[inside]).mean(axis=0)
        weights = np.maximum(mean, 0.05 * max(float(mean.max()), 0.1)).astype(np.float32)
    assert best is not None
    track, weights, wider = best
    score = above_chance(track, wider[:, _SPREAD:-_SPREAD], reach=reach, price=_PRICE, cap=_CAP)
    moved, strengths = _nearby(wider, track)
    return SoundTrack(starts + moved, weights, strengths, score)


def _nearby(wider: FloatArray, track: Track) -> tuple[IntArray, FloatArray]:
    """Move each column to a clear maximum beside it: the track is smooth, but a single beat may be early or late.

    ``wider`` has `_SPREAD` columns more on either side than the image of the track.
    """
    around = np.take_along_axis(wider, track.columns[:, None] + np.arange(2 * _SPREAD + 1), axis=1)
    best = np.argmax(around, axis=1)
    height = around[np.arange(len(best)), best]
    moves = (height > 4.5) & (height > track.strengths + 2)
    columns = np.where(moves, track.columns - _SPREAD + best, track.columns)
    return columns, np.where(moves, height, track.strengths).astype(np.float32)


def _cut(rising: FloatArray, out: FloatArray | None = None) -> FloatArray:
    """Strength, limited so that a bang does not outweigh many beats."""
    return np.clip(rising, -1.5, _CAP, out=out)


def _smoothed_rows(rising: FloatArray, starts: IntArray, columns: int, width: int) -> FloatArray:
    """Limited strength in rows, smoothed over ``width`` frames, shape (rows, columns, bands)."""
    from scipy.ndimage import uniform_filter1d

    rows = rows_of(rising, starts - width, columns + 2 * width)
    _cut(rows, out=rows)
    uniform_filter1d(rows, width, axis=1, output=rows)
    return np.ascontiguousarray(rows[:, width:-width])


@dataclass(frozen=True, slots=True)
class _Scale:
    """Limited and smoothed strength at many frames of the whole sound, shape (frames, bands): its scatter is the unit."""

    sample: FloatArray

    @staticmethod
    def of(rising: FloatArray, width: int) -> _Scale:
        at = np.arange(0, len(rising), max(1, len(rising) // _SAMPLE))
        sample = np.zeros((len(at), rising.shape[1]), np.float32)
        for apart in range(-(width // 2), width - width // 2):
            sample += _cut(rising[np.clip(at + apart, 0, len(rising) - 1)])
        return _Scale(sample / np.float32(width))

    def weighted(self, image: FloatArray, weights: FloatArray) -> FloatArray:
        """One number from the bands, in units of the scatter, shape as ``image`` (rows, columns, bands) without its last."""
        share = (weights / np.sqrt(np.sum(weights**2))).astype(np.float32)
        series: FloatArray = self.sample @ share
        # Stretches without sound are exactly zero. If they are the majority they are left out: the scatter would be zero.
        sounding = series[series != 0]
        heard = np.sort(sounding if 100 < len(sounding) < 0.5 * len(series) else series)
        middle, upper = heard[len(heard) // 2], heard[int(0.84 * len(heard))]
        out: FloatArray = image @ share
        out -= middle
        out /= max(float(upper - middle), 1e-6)
        return out


def least_score(rows: int) -> float:
    """Score from which a track is followed. With few rows chance comes near any score; the sounds then decide later."""
    return LEAST_TRACK_SCORE if rows >= FEW_ROWS else 5.0


def pattern_at(rising: FloatArray, period_frames: float, *, width: int = 3) -> Pattern | None:
    """Follow the strongest sound of the period, and its partner half a period away; None where nothing holds.

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    period_frames : float
        Full period.
    width : int
        Frames over which the series is smoothed.
    """
    columns = int(period_frames)
    rows = max(2, int(np.ceil(len(rising) / period_frames)))
    middles = np.rint((np.arange(rows) + 0.5) * period_frames).astype(np.int64)
    first = follow(rising, middles, columns // 2, width=width, passes=2)
    if first.score < least_score(rows) - 2:
        return None
    # A sound near the edge of its row falls sometimes into the next row: centre the rows on it and repeat.
    shift = float(np.median(first.frames - middles))
    start = (shift + 0.5 * period_frames) % period_frames
    rows = int(np.ceil((len(rising) - start) / period_frames)) + 1
    middles = _near(
        rising, np.rint(start + (np.arange(rows) - 1) * period_frames).astype(np.int64), columns // 4
    )
    span = min(columns // 2 - 2, max(60, columns // 4))
    first = follow(rising, middles, span, width=width, weights=first.weights, passes=2)
    if first.score < least_score(rows) - 2:
        return None
    half = round(period_frames / 2)
    # The other side may be heard first: half a period before the first beat of this one.
    between = _near(rising, np.concatenate([[first.frames[0] - half], first.frames + half]), columns // 4)
    second = follow(rising, between, max(int(0.17 * period_frames), 16), width=width)
    return Pattern(period_frames, first, second if _stands(second, first, len(rising)) else None)


def _near(rising: FloatArray, frames: IntArray, margin: int) -> IntArray:
    """Those of the frames that lie within the sound, or at most ``margin`` outside."""
    return frames[(frames >= -margin) & (frames < len(rising) + margin)]


def _stands(second: SoundTrack, first: SoundTrack, frames: int) -> bool:
    """Whether a track is the other side of the beat: clear by itself, and not an artefact of a strong first side."""
    heights = second.strengths[(second.frames >= 0) & (second.frames < frames)]
    if second.score < least_score(len(second.frames)) or len(heights) == 0:
        return False
    mean = float(np.mean(np.minimum(heights, _CAP)))
    if second.score < LEAST_TRACK_SCORE and np.median(heights) < _CLEAR_HEIGHT:
        return False  # Few rows cannot score high, fewer still with a gap in them; then most must be clear.
    return mean > 2.2 and mean > 0.2 * float(np.mean(np.minimum(first.strengths, _CAP)))


def one_sided(pattern: Pattern) -> bool:
    """Whether only every second row of a track holds a sound: the other side of the beat is then elsewhere."""
    means = [float(np.mean(np.minimum(pattern.first.strengths[start::2], _CAP))) for start in (0, 1)]
    return min(means) < 0.4 * max(means)


def halves(rising: FloatArray, pattern: Pattern) -> Pattern:
    """The same beats as two sides: every second one of the first track belongs to the other side."""
    sides = []
    for start in (0, 1):
        frames = pattern.first.frames[start::2]
        sides.append(follow(rising, frames, 2 * _SPREAD, weights=pattern.first.weights, passes=2))
    scored = [
        SoundTrack(side.frames, side.weights, side.strengths, max(side.score, pattern.first.score))
        for side in sides
    ]
    return Pattern(2 * pattern.period_frames, scored[0], scored[1])


def sounds_round(rising: FloatArray, known: SoundTrack, period_frames: float) -> list[SoundTrack]:
    """All sounds of one beat, in the order in which they fall, the known one among them.

    First the sounds that can be followed from period to period by themselves. When none is left, those that stand out only
    in the stack of all beats of the side; their frames then keep a fixed distance.

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    known : SoundTrack
        A sound of the beat that is followed already.
    period_frames : float
        Full period.
    """
    span = int(LONGEST_LIFT * period_frames)
    found = [known]
    cleared = rising.copy()
    clear(cleared, known.frames)
    for _ in range(4):
        track = _next_sound(cleared, known, span)
        if track is None:
            break
        clear(cleared, track.frames)
        found.append(track)
    distances = [float(np.median(track.frames - known.frames)) for track in found]
    return [found[i] for i in np.argsort(distances)]


def clear(rising: FloatArray, frames: IntArray) -> None:
    """Remove a followed sound with its tail and its first echoes."""
    index = (frames[:, None] + np.arange(-NEAREST, 2 * NEAREST)[None, :]).ravel()
    rising[index[(index >= 0) & (index < len(rising))]] = 0


def _next_sound(cleared: FloatArray, known: SoundTrack, span: int) -> SoundTrack | None:
    """The clearest further sound within ``span`` frames of the known one: followed, or else from the stack."""
    if span < 4 * NEAREST:
        return None
    track = follow(cleared, known.frames, span, reach=_PASSAGE_REACH, passes=2)
    inside = (track.frames >= 0) & (track.frames < len(cleared))
    if track.score > LEAST_SOUND_SCORE and np.mean(track.strengths[inside] > 2.5) > 0.7:
        return track
    at, score, weights = _in_stack(cleared, known.frames, span)
    if score <= 0:
        return None
    return SoundTrack(known.frames + at, weights, np.zeros(len(known.frames), np.float32), 0.0)


def _in_stack(cleared: FloatArray, frames: IntArray, span: int) -> tuple[int, float, FloatArray]:
    """Clearest distance from ``frames`` in the stack of all beats; score 0 where nothing stands out."""
    reach = np.arange(-2 * span, 2 * span + 1)
    inside = (frames - 2 * span >= 0) & (frames + 2 * span < len(cleared))
    nothing = (0, 0.0, np.ones(cleared.shape[1], np.float32))
    if np.count_nonzero(inside) < 4:
        return nothing
    stack = np.zeros((len(reach), cleared.shape[1]), np.float32)
    for frame in frames[inside]:
        stack += _cut(cleared[frame - 2 * span : frame + 2 * span + 1])
    stack /= np.count_nonzero(inside)
    quality = _quality(stack)
    near = np.abs(reach) <= span
    middle = float(np.median(quality[~near]))
    spread = float(np.quantile(quality[~near], 0.9) - middle) / 1.2816
    score = (quality - middle) / max(spread, 1e-6)
    best = int(np.argmax(np.where(near, score, -1)))
    least = max(6.0, 1.3 * float(score[np.abs(reach) > 1.1 * span].max()))
    if score[best] < least:
        return nothing
    weights = np.maximum(stack[best], 0.05 * float(stack[best].max())).astype(np.float32)
    return int(reach[best]), float(score[best]), weights


def _quality(stack: FloatArray) -> FloatArray:
    """One number for each column of a stack: the root of the sum over bands of the squared rise."""
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(stack, 3, axis=0)
    spread = np.quantile(smooth, 0.84, axis=0) - np.median(smooth, axis=0)
    height = (smooth - np.median(smooth, axis=0)) / np.maximum(spread, 1e-6)
    out: FloatArray = np.sqrt(np.sum(np.maximum(height, 0) ** 2, axis=1)).astype(np.float32)
    return out
