"""Beginnings: where a sound begins in the mean of all its beats, and how uncertain that is.

Input: the beats of one sound, stacked. Output: the frame at which it begins, with a standard uncertainty that is common to all
beats. Real ticks swell, or have parts tens of milliseconds apart, of which the first is the weakest. The share of the greatest
power at which such a sound begins is a choice, and the beginning is no more certain than that choice. Teeth and pallets need not
all sound alike: where the beats are clearly of several variants, each has its own mean, and its beats their own beginning.

Where no single beat shows the contact: `together`. Frames are 0.5 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from torsionbeat.theory.edges import AFTER, BEFORE
from torsionbeat.theory.two_sides import pairs_of_choices
from torsionbeat.tracks.exact import ExactTimes
from torsionbeat.tracks.fine_power import FinePower, aligned

__all__ = [
    "BEGINS",
    "HIDDEN_LEAD",
    "HIDES_NONE",
    "LOOK_BACK",
    "SHARE_PAIRS",
    "SHARE_WEIGHTS",
    "Beginning",
    "PartBefore",
    "beginning_of",
]

FloatArray = npt.NDArray[np.float64]
Powers = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

LOOK_BACK = 100
"""Frames (50 ms) before a sound's place that are searched for its first part: two-part ticks of real clocks begin 14 to 19 ms
before their peak (realsounds)."""
BEGINS = 0.02
"""Share of its greatest power at which a sound begins."""
_SHARE_SPREAD = 0.5
"""Spread of the natural logarithm of the share that is truly passed at the beginning. A room adds more to the rest of a sound
than to its beginning; bands and frames blur it. From 162 mean sounds of six real ticks in rooms, 20 dB and more, taken apart by
variants, 0.4 to 0.5 is the likeliest (realsounds, open seeds below 100; 0.6 is less likely by a factor beyond 1000)."""
_SHARES = BEGINS * 1.33 ** np.arange(-4.0, 5.0)  # four steps either way: 2.3 spreads
_SIDES_ALIKE = 0.5
"""Correlation of that logarithm between the sides, for sounds of one kind: one fork makes both in one room. From 161 pairs of the
same sounds 0.8 is the likeliest, 0.5 to 0.95 are within a factor of 20; with 0.7 the beat error's intervals held 89 in 100."""
# A normal distribution of the logarithm, cut at the last share.
SHARE_PAIRS: FloatArray = pairs_of_choices(np.log(_SHARES / BEGINS) / _SHARE_SPREAD, _SIDES_ALIKE)
"""Probability of each pair of shares at which the sounds of a kind begin on the two sides, shape (shares, shares)."""
SHARE_WEIGHTS: FloatArray = SHARE_PAIRS.sum(axis=0)
"""Probability of each share for one sound."""
_AVERAGED, _SURE, _LEAST_MEAN = 3, 3.0, 3
"""Frames averaged, standard errors above zero, and least number of beats: criteria for a part to be heard in the mean."""
_BAND_SHOWS = 4.0
"""Height in standard errors of the mean power; the highest of 80 frames of noise hardly reaches it."""
_QUIET, _PART = 24, 5
"""Frames of quiet (12 ms) that separate two sounds; frames between the crossings of two successive shares from which different
parts pass them."""
_AHEAD = 3
"""A part in the mean that begins this many frames ahead of the edge is one that no single beat shows. The edge is extrapolated to
zero, so the mean of a sound without such a part passes `BEGINS` after the edge."""
_READ_OFF = 0.4
"""Frames (0.2 ms) to which the crossing of a share locates the beginning: half of 77 sharp real ticks are within."""
_SURELY_ANOTHER = 5.0
"""Standard errors above zero from which power before the quiet stretch is a sound of its own: some thirty frames are examined."""
HIDDEN_LEAD = 12.0
"""Frames (6 ms) by which a sound may begin before its first audible part, where the room hides `_HIDES_MOST` of it or more, or
where there are too few beats to examine their mean. Of six real ticks one has a part of a tenth of its power 19 ms before it,
four have none. With two beats a side, two of 50 starts had the beat error from such a part on one side only, 17 ms off."""
HIDES_NONE, _HIDES_MOST = BEGINS * float(np.exp(-_SHARE_SPREAD)), 0.1
"""Shares of its greatest power between which what the room hides makes the beginning doubtful: by the logarithm of the share.
Less than one spread below `BEGINS` belongs to no beginning. Of 754 mean sounds of real ticks (realsounds, open seeds below 400)
that is likelier than a doubt from 0.005 on, whole at 0.02, by a factor of exp(43) to exp(56); a doubt of 5 to 7 ms, whole at
0.07 to 0.15, is as likely."""
_SOFTER, _LEAST_SOFTER = 0.005, 4.0
"""A sound has a softer part before it where this share of its power is passed this many frames (2 ms) earlier."""
_DRAWS = 24
"""Bootstrap resamplings of the beats: their scatter is then known to a seventh."""
_VARIANT, _LEAST_VARIANT, _VARIANTS = 0.4, 4, 6
"""Share of the scatter of the beats' logarithms that a division into two variants must explain; least beats of a variant, and
most variants. Noise alone gives a division of 20 beats a tenth; 0.25 to 0.45 find the same ticks in realsounds."""
_VARIANT_FRAMES = 60
"""Frames before the place from which on the beats are compared (30 ms): the first part of a tick, and little of the room."""
_TOUCHED = 1.5
"""Factor by which another clock may raise the room's power from which on a beat is not compared: less than the 2 dB by which
beats of one variant differ."""


@dataclass(frozen=True, slots=True)
class PartBefore:
    """A sound that ends well before another begins: its first frame, the one past its last, and its greatest power as a share of
    the other's. Frames count from the place of the other's profile."""

    first: int
    end: int
    share: float


@dataclass(frozen=True, slots=True)
class Beginning:
    """Where a mean sound begins, in frames from the place of its profile, with its standard uncertainty.

    ``softer_before``: frames from a softer part of it to the beginning, 0 without such a part. ``choices``, shape (shares,):
    frames by which it begins later for each of the shares that `SHARE_WEIGHTS` weighs; their scatter about 0 is part of the
    uncertainty. ``hidden``: share of its greatest power that may be hidden before it. ``before``: the sound that a quiet stretch
    separates from it, None without one. ``own``, shape (beats,): frames by which each beat begins later than ``frames``, because
    it is of another variant; None where all are of one.
    """

    frames: float
    uncertainty: float
    softer_before: float
    choices: FloatArray
    hidden: float
    before: PartBefore | None = None
    own: FloatArray | None = None


def beginning_of(
    fine: FinePower, found: ExactTimes, certain: npt.NDArray[np.bool_], *, by_variants: bool = True
) -> Beginning:
    """Where the first part of a sound that is heard in the mean of all beats begins.

    A sound begins where its power first passes `BEGINS` of its greatest; the mean of many beats shows power far below the
    room's. Power before a quiet stretch belongs to another sound, or to its decay. A first part that only the mean shows is not
    extrapolated: its beginning is the mean over the possible shares.

    Parameters
    ----------
    fine : FinePower
        Power at the finest frames.
    found : ExactTimes
    certain : ndarray of bool
        shape (n,): which beats were surely heard.
    by_variants : bool
        Whether beats that sound otherwise than the others may begin elsewhere.
    """
    plain = Beginning(
        found.edge,
        float(np.hypot(found.edge_uncertainty, HIDDEN_LEAD)),
        0.0,
        np.zeros(len(_SHARES)),
        hidden=1.0,
    )
    if np.count_nonzero(certain) < _LEAST_MEAN:
        return plain
    at = found.frames[certain]
    whole = np.floor(at).astype(np.int64)
    sound = fine.around(whole, LOOK_BACK + 1, AFTER + 1)
    laid = aligned(sound, at - whole + 1, LOOK_BACK + AFTER)
    # Weight of each band: the part of the sound's greatest power there that noise does not reach, against the room's.
    highest = np.maximum(found.profile.max(axis=0).astype(np.float64) - _BAND_SHOWS / np.sqrt(len(at)), 1e-6)
    share = np.median(fine.floors, axis=0) * highest / (1 + highest)
    bands = (share / max(float(share.sum()), 1e-30)).astype(np.float32)
    each = ((laid - 1) @ bands).astype(np.float64)
    first = round(found.edge) + LOOK_BACK
    course = _Course.of(each, first)
    if course.top <= 0 or course.first < 4 * _AVERAGED:
        return plain
    rises = course.rises()
    bang = rises - course.first >= HIDDEN_LEAD
    if bang:  # what was laid there is one beat's bang: the mean of all is quiet from there on to the sound
        course = _Course.of(each, rises)
    start, softest = course.passes(BEGINS), course.passes(_SOFTER)
    before = course.before(start)
    # A part that the account treats as a separate sound is not part of this one.
    if before is not None and softest - LOOK_BACK < before.end:
        softest = start
    variants = _variants(each, laid, first, _beside_none(fine, whole)) if by_variants else []
    variants = variants or [(np.arange(len(each)), course)]
    weights = np.array([len(rows) for rows, _ in variants]) / sum(len(rows) for rows, _ in variants)
    passed = np.array([variant.begins_at_each(_SHARES) for _, variant in variants])
    if before is not None:
        passed = np.where(passed - LOOK_BACK < before.end, start, passed)
    middle = float(SHARE_WEIGHTS @ (weights @ passed))
    choices = weights @ passed - middle
    shows = len(variants) > 1 or bang or course.first - start >= _AHEAD
    begins, by_rise = (middle - LOOK_BACK, _READ_OFF) if shows else (found.edge, found.edge_uncertainty)
    by_share = float(np.sqrt(SHARE_WEIGHTS @ choices**2))
    scatter = float(np.linalg.norm(weights * [variant.scatter() for _, variant in variants]))
    hides = [variant.hidden() for _, variant in variants]
    hidden = float(weights @ [_lead_hidden_by(share) for share in hides])
    softer = begins - float(softest - LOOK_BACK)
    own = None
    if len(variants) > 1:
        own = np.zeros(len(certain))
        for (rows, _), places in zip(variants, passed, strict=True):
            own[np.flatnonzero(certain)[rows]] = float(SHARE_WEIGHTS @ places) - middle
    return Beginning(
        begins,
        float(np.linalg.norm((by_rise, by_share, scatter, hidden))),
        softer if softer > _LEAST_SOFTER else 0.0,
        choices,
        float(weights @ hides),
        before,
        own,
    )


def _beside_none(fine: FinePower, places: IntArray) -> npt.NDArray[np.bool_]:
    """Which beats another clock's tick does not touch: what it may add is taken off, and with it parts of the sound."""
    shade = fine.shade(places, LOOK_BACK - BEFORE)
    return np.ones(len(places), bool) if shade is None else np.all(shade < _TOUCHED, axis=(1, 2))


def _variants(
    each: FloatArray, laid: Powers, first: int, clear: npt.NDArray[np.bool_]
) -> list[tuple[IntArray, _Course]]:
    """Variants of a sound that show where they begin, by rows; none if all beats sound alike, or most are of none of these.

    Parameters
    ----------
    each : ndarray
        shape (beats, frames): power of every beat over the room's.
    laid : ndarray
        shape (beats, frames, bands): the same by band, not less the room's.
    first : int
        Frame at which the mean of all beats surely sounds.
    clear : ndarray of bool
        shape (beats,): which beats to compare.
    """
    alike = [np.flatnonzero(clear)[rows] for rows in _alike(laid[clear])]
    if len(alike) < 2:
        return []
    out: list[tuple[IntArray, _Course]] = []
    earliest = max(first - _VARIANT_FRAMES // 2, 4 * _AVERAGED)
    for rows in alike:
        # Beats of another variant may be laid elsewhere: each is followed back from its own top.
        top = earliest + int(np.argmax(_averaged(_without_bangs(each[rows]).mean(axis=0))[earliest:]))
        course = _Course.of(each[rows], top)
        if course.top > 0 and course.hidden() < BEGINS and course.passes(BEGINS) < top:
            out.append((rows, course))
    return out if sum(len(rows) for rows, _ in out) >= len(each) / 2 else []


def _alike(laid: Powers) -> list[IntArray]:
    """Rows of the beats that sound alike, at any loudness: Ward's clusters of the logarithms of their power.

    J. H. Ward, Journal of the American Statistical Association 58 (1963) 236. A cluster is divided where that explains enough of
    its scatter.
    """
    if len(laid) < 2 * _LEAST_VARIANT:
        return [np.arange(len(laid))]
    from scipy.cluster.hierarchy import linkage, to_tree

    power = np.maximum(uniform_filter1d(laid[:, LOOK_BACK - _VARIANT_FRAMES :], _AVERAGED, axis=1) - 1, 0)
    loud = power.sum(axis=(1, 2), keepdims=True)
    power /= np.clip(loud / max(float(np.median(loud)), 1e-9), 0.25, 4.0)
    shapes = np.log1p(power).reshape(len(laid), -1).astype(np.float64)
    left = [to_tree(linkage(shapes, "ward"))]
    out: list[IntArray] = []
    while left:
        node = left.pop(0)
        rows = np.sort(np.array(node.pre_order()))
        parts = [np.array(part.pre_order()) for part in (node.left, node.right) if part is not None]
        divided = len(out) + len(left) + 2 <= _VARIANTS and all(len(part) >= _LEAST_VARIANT for part in parts)
        if divided and sum(map(_scatter_of, (shapes[part] for part in parts))) < (1 - _VARIANT) * _scatter_of(
            shapes[rows]
        ):
            left += [node.left, node.right]
        else:
            out.append(rows)
    return out


def _scatter_of(shapes: FloatArray) -> float:
    """Sum of squares about the mean."""
    return float(np.sum((shapes - shapes.mean(axis=0)) ** 2))


def _without_bangs(each: FloatArray) -> FloatArray:
    """Power of every beat, with no frame beyond four times what it is in most beats."""
    most: FloatArray = np.maximum(4 * np.median(np.maximum(each, 0), axis=0), 4.0)
    return np.asarray(np.minimum(each, most), np.float64)


@dataclass(frozen=True, slots=True)
class _Course:
    """Power of every beat over the room's, shape (beats, frames); its mean, standard error, and greatest value from frame
    ``first`` on, where the sound is surely present."""

    each: FloatArray
    mean: FloatArray
    doubt: FloatArray
    first: int
    top: float

    @staticmethod
    def of(each: FloatArray, first: int) -> _Course:
        each = _without_bangs(each)
        mean = _averaged(each.mean(axis=0))
        doubt = _averaged(each.std(axis=0)) / np.sqrt(len(each) * _AVERAGED / 2)
        return _Course(each, mean, doubt, first, float(mean[first:].max(initial=0.0)))

    def rises(self) -> int:
        """First frame from ``first`` on at which the mean surely sounds."""
        return self.first + int(np.argmax(self.mean[self.first :] > self._least(BEGINS)[self.first :]))

    def passes(self, share: float) -> int:
        """Frame at which the mean first passes a share of its greatest value, and is surely above the room.

        Shares greater than `BEGINS` are searched from the frame at which `BEGINS` is passed. A stretch between two parts that is
        quiet only at the greater share does not separate them.
        """
        heard = self.mean > self._least(share)
        if share <= BEGINS:
            return _first_of(heard, self.first)
        begins = self.passes(BEGINS)
        return (
            begins + int(np.argmax(heard[begins : self.first + 1]))
            if heard[begins : self.first].any()
            else self.first
        )

    def _least(self, share: float) -> FloatArray:
        return np.maximum(share * self.top, _SURE * self.doubt)

    def _crosses(self, share: float, frame: int) -> float:
        """The same to a fraction of a frame: linear interpolation between the last frame below and the first above."""
        low, high = float(self.mean[frame - 1]), float(self.mean[frame])
        return (
            frame - 1 + float(np.clip((self._least(share)[frame] - low) / max(high - low, 1e-12), 0.0, 1.0))
        )

    def begins_at_each(self, shares: FloatArray) -> FloatArray:
        """Frame at which the sound begins for each share: where the share is passed. Where another part passes it than passed the
        share before, the frame at which the rise of that part begins."""
        out: list[float] = []
        for share in shares:
            frame = self.passes(float(share))
            at = self._crosses(float(share), frame)
            if out and at - out[-1] > _PART:
                while self.mean[frame - 1] < self.mean[frame]:
                    frame -= 1
                at = float(frame)
            out.append(at)
        return np.array(out)

    def before(self, begins: int) -> PartBefore | None:
        """The sound before a quiet stretch ahead of ``begins``; None without one, and for one that never stops."""
        least = np.maximum(_SOFTER * self.top, _SURELY_ANOTHER * self.doubt)
        earlier = np.flatnonzero(self.mean[: max(begins - _QUIET, 0)] > least[: max(begins - _QUIET, 0)])
        if not len(earlier):
            return None
        last = int(earlier[-1])
        # Followed to the frame at which it is no longer surely above the room, like the sound itself.
        heard = self.mean > np.maximum(_SOFTER * self.top, _SURE * self.doubt)
        first = _first_of(heard, last)
        power = float(self.mean[first : last + 1].max())
        first = _first_of(heard & (self.mean > BEGINS * power), last)
        if first < 2 * _AVERAGED:
            return None
        return PartBefore(first - LOOK_BACK, last + 1 - LOOK_BACK, power / self.top)

    def scatter(self) -> float:
        """Standard deviation of that frame, for `BEGINS`, over bootstrap resamplings of the beats."""
        rng = np.random.default_rng(len(self.each))
        count = len(self.each)
        drawn = rng.multinomial(count, np.full(count, 1 / count), _DRAWS) / count
        frames = []
        for mean in drawn @ self.each:
            smooth = _averaged(mean)
            # A resampling has the noise of the beats and as much again from the drawing.
            least = np.maximum(BEGINS * float(smooth[self.first :].max()), np.sqrt(2) * _SURE * self.doubt)
            frames.append(_first_of(smooth > least, self.first))
        return float(np.std(frames))

    def hidden(self) -> float:
        """Share of the greatest power that may be hidden before the sound: by the room, or with what was taken off for the tail
        of a louder sound, where that was too much."""
        quiet = slice(2, max(self.first - 4, 8))
        by_room = _SURE * float(np.median(self.doubt[quiet]))
        return max(by_room, -float(np.median(self.mean[quiet]))) / self.top


def _lead_hidden_by(share: float) -> float:
    """Standard uncertainty, in frames, from parts before the first audible one, where such a share of the power may be hidden."""
    beyond = np.log(max(share, HIDES_NONE) / HIDES_NONE)
    return HIDDEN_LEAD * float(min(beyond / np.log(_HIDES_MOST / HIDES_NONE), 1.0))


def _averaged(series: FloatArray) -> FloatArray:
    """Running mean over `_AVERAGED` frames."""
    return np.convolve(series, np.ones(_AVERAGED) / _AVERAGED, "same")


def _first_of(heard: npt.NDArray[np.bool_], first: int) -> int:
    """Go back from ``first`` while no `_QUIET` frames in a row are unheard: the earliest frame heard.

    A sound without a pause before ``first`` is the decay of another one: the result is then ``first``.
    """
    earliest, quiet = first, 0
    for frame in range(first - 1, -1, -1):
        if heard[frame]:
            earliest, quiet = frame, 0
        else:
            quiet += 1
            if quiet >= _QUIET:
                return earliest
    return first
