"""Reference ticks: a quartz clock in the same recording measures the recorder's own crystal.

Input: band levels of a stretch of sound (a ``Chapter``) and the interval at which the clock is known to tick. Output:
that interval as the recorder counted it. The sound is arranged in rows of half a minute, folded by the
interval. A straight line through the rows (all slopes and phases tried) finds the ticks. Each tick is timed like the
sounds of the torsion clock, and a least-squares line with Huber's weights (P. J. Huber, Robust Estimation of a
Location Parameter, 1964) gives the interval. A recorder that runs fast counts more samples in each interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError, NothingHeardError
from torsionbeat.sound.timebase import Timebase
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN, median_deviation
from torsionbeat.tracks.bands import CHUNK_FRAMES, POOLED_FRAMES, BandEar, Chapter, Chunk, plan_bands, rising
from torsionbeat.tracks.exact import laid_anywhere, match
from torsionbeat.tracks.fine_power import FinePower

__all__ = [
    "ReferenceEar",
    "TickFit",
    "check_reference",
    "reference_ticks",
    "reference_timebase",
]

FloatArray = npt.NDArray[np.float64]

# Watches tick five times a second; a segment holds too few pips that are farther apart than 10 s.
SHORTEST_S, LONGEST_S = 0.2, 10.0
FARTHEST_PPM = 400.0
"""Largest combined error of recorder and quartz clock."""

ROW_S = 30.0
"""Ticks are stacked over half a minute, in which no crystal drifts."""
LEAST_HEIGHT = 9.0
"""Standard deviations: chance brings the highest of a hundred thousand lines to about 5."""

LEAST_TICKS, LEAST_SHARE = 60, 0.25
"""Least number of ticks, and least share of those expected. Without a reference clock, chance and the clock that is measured give
about a tenth (compared with the twin)."""

OWN_S = 0.15
"""A tick this near to a sound of the measured clock may be that sound, its echo, or another sound of the same beat."""

LEAST_APART = 0.4
"""Share of the ticks that must lie apart from those sounds. At least half of a reference clock's ticks do, at any phase;
without a reference clock a sixth or less of the chance finds do."""

WIDE_SEARCH, SEARCH = 48, 16
"""Frames searched either side of the rough place: at first, and when the line is known."""

HUBER = 1.345
"""95 % of the efficiency of least squares where errors are normal (Huber 1981, Robust Statistics)."""
CHAPTER_CHUNKS = 1200
"""Twenty minutes: a few hundred ticks give the interval to a tenth of a ppm, far below what a quartz clock keeps."""

_INSTEAD = {
    "host clock": "The computer's clock was used instead.",
    "stated": "What was stated of the recorder's crystal was used instead.",
    "reference ticks": "What the ticks told while the recording was made was used instead.",
    "unknown": "So nothing tells how true the recorder's crystal is.",
}


@dataclass(frozen=True, slots=True)
class TickFit:
    """An interval as the recorder counted it, in its own seconds, with standard uncertainty, and the ticks used.

    ``places`` (ticks,) are their positions: in frames of the chapter, or in samples of the recording.
    """

    interval_s: float
    uncertainty_s: float
    ticks: int
    places: FloatArray = field(default_factory=lambda: np.zeros(0), compare=False)


def reference_ticks(chapter: Chapter, interval_s: float) -> TickFit | None:
    """Measure a clock that ticks about every ``interval_s`` in a stretch of sound; None where it is not heard."""
    check_reference(interval_s)
    pooled_s = chapter.frame_s * POOLED_FRAMES
    up = rising(chapter.strength.astype(np.float32), 6.0)
    series = np.clip(up, -2, 6).sum(axis=1)
    rough = _rough_line(series, pooled_s, interval_s)
    if rough is None:
        return None
    first_s, spacing_s = rough
    ticks = np.arange(int((len(series) * pooled_s - first_s) / spacing_s))
    places = np.rint((first_s + ticks * spacing_s) / chapter.frame_s).astype(np.int64)
    inside = (places > 100) & (places < len(chapter.levels) - 200)
    ticks, places = ticks[inside], places[inside]
    if len(ticks) < LEAST_TICKS:
        return None
    fine = FinePower(chapter.levels, chapter.floors, None)
    rough_frames = match(fine, places, WIDE_SEARCH, passes=3).frames
    slope, _ = _line(ticks.astype(np.float64), rough_frames)
    middle = float(np.median(rough_frames - slope * ticks))
    places = np.rint(middle + slope * ticks).astype(np.int64)
    inside = (places > 100) & (places < len(chapter.levels) - 200)
    ticks, places = ticks[inside], places[inside]
    exact = match(fine, places, SEARCH)
    away = np.rint(
        places
        + np.random.default_rng(len(places)).uniform(0.3, 0.7, len(places)) * spacing_s / chapter.frame_s
    )
    away = away.astype(np.int64)
    chance, _ = laid_anywhere(fine, away[away < len(chapter.levels) - 200], SEARCH, exact.profile, None)
    heard = exact.evidence > max(float(np.quantile(chance, 0.8)), 0.0) + math.log(40)
    heard &= np.abs(exact.frames - places) < SEARCH - 0.5
    sounding = np.all([chapter.levels[places + step].any(axis=1) for step in (-8, 0, 40)], axis=0)
    if np.count_nonzero(heard) < max(LEAST_TICKS, LEAST_SHARE * np.count_nonzero(sounding)):
        return None
    slope, error = _line(ticks[heard].astype(np.float64), exact.frames[heard])
    used = exact.frames[heard]
    return TickFit(slope * chapter.frame_s, error * chapter.frame_s, len(used), used)


def reference_timebase(fits: list[TickFit], interval_s: float, tolerance_ppm: float) -> Timebase:
    """The recorder's crystal from the intervals measured in one or more stretches.

    Parameters
    ----------
    fits : list of TickFit
    interval_s : float
        True interval of the clock's ticks.
    tolerance_ppm : float
        Half-width within which that interval is known (a rectangular distribution, JCGM 100, 4.3.7).

    Raises
    ------
    NothingHeardError
        No such clock was heard.

    Examples
    --------
    >>> found = reference_timebase([TickFit(1.00005, 1e-8, 1200)], 1.0, 5.0)
    >>> found.source, round(found.offset_ppm, 3), round(found.standard_uncertainty_ppm, 2)
    ('reference ticks', 50.0, 2.89)
    """
    check_reference(interval_s, tolerance_ppm)
    if not fits:
        raise NothingHeardError(
            f"no clock that ticks every {interval_s:g} s is heard for long enough (a minute at least): put the "
            "reference clock nearer to the microphone, or leave the reference out"
        )
    values = np.array([fit.interval_s for fit in fits])
    weights = 1 / np.array([max(fit.uncertainty_s, 1e-9 * interval_s) for fit in fits]) ** 2
    mean = float(np.sum(weights * values) / weights.sum())
    spread = math.sqrt(1 / float(weights.sum()))
    if len(fits) > 1:  # if stretches differ by more than their uncertainties, Birge's ratio widens the answer
        spread *= max(1.0, math.sqrt(float(np.sum(weights * (values - mean) ** 2)) / (len(fits) - 1)))
    fitted_ppm = 1e6 * spread / interval_s
    return Timebase(
        "reference ticks", 1e6 * (mean / interval_s - 1), math.hypot(fitted_ppm, tolerance_ppm / math.sqrt(3))
    )


class ReferenceEar:
    """Hears the reference clock through a whole recording, in bounded memory.

    Parameters
    ----------
    sample_rate_hz : float
    interval_s : float
        True interval of its ticks: 1 for most quartz clocks with a stepping hand.
    tolerance_ppm : float
        Half-width within which that interval is known.
    """

    def __init__(self, sample_rate_hz: float, interval_s: float, tolerance_ppm: float) -> None:
        check_reference(interval_s, tolerance_ppm)
        self._plan = plan_bands(sample_rate_hz)
        self._interval_s, self._tolerance_ppm = interval_s, tolerance_ppm
        self._ear = BandEar(self._plan)
        self._rows: list[tuple[npt.NDArray[Any], ...]] = []
        self._fits: list[TickFit] = []
        self._samples = self._first_chunk = 0

    def feed(self, samples: npt.NDArray[np.float32], start_frame: int | None = None) -> None:
        """Take in the next block, shape (n,) or (n, channels); several channels count together."""
        sound = samples if samples.ndim == 1 else samples.mean(axis=1, dtype=np.float32)
        lost = 0 if start_frame is None else start_frame - self._samples
        if lost > 0:
            self._samples += lost
            self._take(self._ear.skip(lost))
        self._samples += len(sound)
        self._take(self._ear.feed(sound))

    def _take(self, chunks: list[Chunk]) -> None:
        for chunk in chunks:
            if not self._rows:
                self._first_chunk = chunk.number
            self._rows.append((chunk.levels, chunk.strength, chunk.floor, chunk.deviation))
            if len(self._rows) >= CHAPTER_CHUNKS:
                self._close()

    def _close(self) -> None:
        fit = self._fit()
        if fit is not None:
            self._fits.append(fit)
        self._rows.clear()

    def _fit(self) -> TickFit | None:
        if len(self._rows) * self._plan.frame_s * 2048 < LEAST_TICKS * self._interval_s:
            return None
        levels, strength, floors, deviations = zip(*self._rows, strict=True)
        chapter = Chapter(
            self._plan.frame_s,
            np.concatenate(levels),
            np.concatenate(strength),
            np.array(floors),
            np.array(deviations),
        )
        fit = reference_ticks(chapter, self._interval_s)
        if fit is None:
            return None
        return replace(fit, places=(self._first_chunk * CHUNK_FRAMES + fit.places) * self._plan.hop)

    def timebase(self, own: FloatArray | None = None) -> Timebase:
        """The recorder's crystal from all ticks so far.

        Parameters
        ----------
        own : array, shape (n,), optional
            Samples of the sounds of the measured clock, in any order. A clock that keeps time beats in step with every
            interval of which its period is a multiple. It must not serve as its own reference.

        Raises
        ------
        NothingHeardError
            The reference clock is not heard.
        """
        fits = list(self._fits)
        if not fits or len(self._rows) > CHAPTER_CHUNKS // 4:
            last = self._fit()
            fits += [] if last is None else [last]
        if own is not None and len(own):
            reach = OWN_S * self._plan.sample_rate_hz
            others = [fit for fit in fits if _share_apart(fit.places, np.sort(own), reach) > LEAST_APART]
            if fits and not others:
                raise NothingHeardError(
                    f"nothing that ticks every {self._interval_s:g} s is heard but the clock itself: put the reference "
                    "clock nearer to the microphone, or leave the reference out"
                )
            fits = others
        return reference_timebase(fits, self._interval_s, self._tolerance_ppm)

    def timebase_or(self, otherwise: Timebase, own: FloatArray | None = None) -> tuple[Timebase, str]:
        """The timebase by the ticks and an empty text, or ``otherwise`` and a text that says that no ticks are heard."""
        try:
            return self.timebase(own), ""
        except NothingHeardError as error:
            said = str(error)
            return otherwise, f"{said[:1].upper()}{said[1:]}. {_INSTEAD[otherwise.source]}"


def check_reference(interval_s: float, tolerance_ppm: float = 0.0) -> None:
    """Refuse a reference clock that cannot be used.

    Raises
    ------
    InputError
        The interval or the tolerance is out of range.
    """
    if not SHORTEST_S <= interval_s <= LONGEST_S:
        raise InputError(
            f"the reference ticks every {interval_s:g} s, it is said; {SHORTEST_S:g} to {LONGEST_S:g} s can be used "
            "(most quartz clocks step every second)"
        )
    if not 0 <= tolerance_ppm <= 1000:
        raise InputError(
            f"the reference's tolerance is {tolerance_ppm:g} ppm; it must lie between 0 and 1000"
        )


def _share_apart(places: FloatArray, own: FloatArray, reach: float) -> float:
    """Share of places farther than ``reach`` from all of the clock's own sounds (``own``, sorted)."""
    after = np.searchsorted(own, places)
    before = own[np.maximum(after - 1, 0)]
    nearest = np.minimum(np.abs(places - before), np.abs(own[np.minimum(after, len(own) - 1)] - places))
    return float(np.mean(nearest > reach)) if len(places) else 1.0


def _rough_line(
    series: npt.NDArray[np.float32], pooled_s: float, interval_s: float
) -> tuple[float, float] | None:
    """Time of the first tick and spacing, both to about a pooled frame over the stretch; None if chance explains them."""
    ticks_a_row = max(round(ROW_S / interval_s), 4)
    columns = int(interval_s / pooled_s)
    rows = int(len(series) * pooled_s / (ticks_a_row * interval_s)) - 1
    if rows < 2:
        return None
    starts = np.arange(rows * ticks_a_row) * interval_s / pooled_s
    index = np.rint(starts)[:, None].astype(np.int64) + np.arange(columns)[None, :]
    image = series[index].reshape(rows, ticks_a_row, columns).sum(axis=1)
    image += np.roll(image, 1, axis=1)  # a tick that lies across two columns
    image -= np.median(image, axis=1, keepdims=True)
    image /= np.maximum(SIGMA_PER_MEDIAN * np.median(np.abs(image), axis=1, keepdims=True), 1e-6)
    np.clip(image, -3, 12, out=image)
    most = FARTHEST_PPM * 1e-6 * rows * ticks_a_row * interval_s / pooled_s
    drifts = np.arange(-math.ceil(most), math.ceil(most) + 1)
    column, row = np.arange(columns)[None, :], np.arange(rows)[:, None]
    best = (-math.inf, 0, 0)
    for drift in drifts.tolist():
        place = (column + np.rint(drift * row / rows).astype(np.int64)) % columns
        totals = np.take_along_axis(image, place, axis=1).sum(axis=0)
        top = int(np.argmax(totals))
        best = max(best, (float(totals[top]), drift, top))
    total, drift, top = best
    if total / math.sqrt(rows) < LEAST_HEIGHT:
        return None
    # the sum of two columns is half a column late
    spacing_s = interval_s + drift * pooled_s / (rows * ticks_a_row)
    return (top - 0.5) * pooled_s, spacing_s


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope by Huber's weights, with an offset for odd ticks, and its standard error from blocks of the residual."""
    odd = x % 2 - 0.5
    columns = np.column_stack([np.ones(len(x)), x - x.mean(), odd])
    weight = np.ones(len(x))
    for _ in range(20):
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(columns * root[:, None], y * root, rcond=None)[0]
        rest = y - columns @ solution
        scale = max(median_deviation(rest), 1e-6)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(rest), 1e-12))
    clipped = np.clip(rest, -HUBER * scale, HUBER * scale)
    inside = float(np.mean(np.abs(rest) <= HUBER * scale))
    # slow wander of the ticks matters more than their scatter: the variance of block means, scaled to one tick
    size = max(len(x) // 20, 1)
    blocks = clipped[: len(x) // size * size].reshape(-1, size).mean(axis=1)
    variance = max(float(np.mean(clipped**2)), size * float(np.mean(blocks**2))) / inside**2
    return float(solution[1]), math.sqrt(variance / float(np.sum((x - x.mean()) ** 2)))
