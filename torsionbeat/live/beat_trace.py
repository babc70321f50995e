"""Beat error while it is being set: the figure after each swing, sure again within two swings after a change.

Input: beats one by one. Output: the beat error of the swings since the setting last changed. Three beats in a row
give one value: half of the difference of the intervals before and after the middle one. While new values agree with
those before, all are combined and the interval narrows. A value that does not agree is shown alone; if the next one
agrees with it, the two begin a new series.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from uncertainties import ufloat

from torsionbeat.live.follower import FollowedBeat
from torsionbeat.reading.figures import UFloat
from torsionbeat.reading.mean_arc import offset_of
from torsionbeat.theory.robust import median_deviation
from torsionbeat.theory.swing import arc_and_offset_deg

__all__ = ["BeatSetting", "BeatTrace"]

FIRST_SCATTER_MS = 1.0
"""Scatter of one value before enough values measure it: that of a clock heard well."""

LEAST_SCATTER_MS = 0.3  # a run of equal values must not look exact (no source)
EDGE_MS = 0.6
"""Uncertainty of the learnt beginnings of each side's sounds, from a few beats (compared with the twin)."""
AGREES = 4.0
"""Four standard deviations: an unchanged setting exceeds it once in 16 000 values of a normal distribution."""
LEAST_CHANGE_MS = 3.0
"""A smaller change cannot be distinguished from the scatter of one swing."""
ARC_BEATS = 6
"""Beats (three swings) whose median arc is shown."""
LONGEST = 200
"""Values kept: with more the interval no longer narrows visibly."""


@dataclass(frozen=True, slots=True)
class BeatSetting:
    """The beat setting after a swing.

    ``beat_error_ms`` and ``offset_deg`` (None where no arc is known) are uncertain numbers; ``swings`` is the number of
    values used; ``settled`` is False right after a change, until a second value has confirmed it.
    """

    side: str
    beat_error_ms: UFloat
    offset_deg: UFloat
    arc_deg: UFloat
    swings: int
    settled: bool


class BeatTrace:
    """Computes the beat setting from beats.

    Parameters
    ----------
    sample_rate_hz : float
    lift_deg : float or None
        If given, and contacts are heard, the arc is measured.
    arc_deg : float or None
        The arc as counted by eye, used if it is not measured.
    """

    def __init__(
        self, sample_rate_hz: float, lift_deg: float | None = None, arc_deg: float | None = None
    ) -> None:
        self._rate_hz, self._lift_deg, self._arc_deg = sample_rate_hz, lift_deg, arc_deg
        self._beats: list[FollowedBeat] = []
        self._errors_ms: list[float] = []
        self._odd_one: float | None = None
        self._arcs: list[float] = []

    def take(self, beat: FollowedBeat, period_s: float) -> BeatSetting | None:
        """Take in the next beat; the setting, or None while there are too few beats in a row."""
        self._beats = [*self._beats[-2:], beat]
        numbers = [one.number for one in self._beats]
        if numbers != list(range(numbers[-1] - 2, numbers[-1] + 1)):
            return None
        first, middle, last = self._times_s()
        error_ms = 1e3 * ((middle - first) - (last - middle)) / 2
        if numbers[0] % 2:  # the first interval was b to a
            error_ms = -error_ms
        settled = self._enter(error_ms)
        self._enter_arc(beat, error_ms, period_s)
        return self._setting(beat.side, period_s, settled)

    def _times_s(self) -> list[float]:
        """Times of the middles of the lift if all three beats have a contact, else of the drops."""
        whole = all(beat.contact is not None for beat in self._beats)
        return [
            (beat.drop + (beat.contact if whole and beat.contact is not None else beat.drop))
            / 2
            / self._rate_hz
            for beat in self._beats
        ]

    def _enter(self, error_ms: float) -> bool:
        limit = max(AGREES * self._scatter_ms(), LEAST_CHANGE_MS)
        agrees = not self._errors_ms or abs(error_ms - float(np.mean(self._errors_ms))) <= limit
        if agrees:
            self._errors_ms = [*self._errors_ms, error_ms][-LONGEST:]
            self._odd_one = None
            return True
        if self._odd_one is not None and abs(error_ms - self._odd_one) <= limit:
            self._errors_ms = [self._odd_one, error_ms]
            self._odd_one = None
            return True
        self._odd_one = error_ms
        return False

    def _scatter_ms(self) -> float:
        if len(self._errors_ms) < 6:
            return FIRST_SCATTER_MS
        values = np.array(self._errors_ms[-40:])
        return max(median_deviation(values - np.median(values)), LEAST_SCATTER_MS)

    def _enter_arc(self, beat: FollowedBeat, error_ms: float, period_s: float) -> None:
        if self._lift_deg is None or beat.contact is None:
            return
        passage_s = (beat.drop - beat.contact) / self._rate_hz
        if abs(error_ms) < 450 * period_s:
            arc, _ = arc_and_offset_deg(passage_s, error_ms, period_s, self._lift_deg)
            if math.isfinite(arc) and arc > self._lift_deg:
                self._arcs = [*self._arcs, float(arc)][-ARC_BEATS:]

    def _setting(self, side: str, period_s: float, settled: bool) -> BeatSetting:
        scatter = self._scatter_ms()
        values = self._errors_ms if settled or self._odd_one is None else [self._odd_one]
        # values share beats: the scatter of the mean of m values falls with the root of m/3, not of m
        spread = scatter / math.sqrt(max(len(values) / 3, 1.0))
        error = ufloat(float(np.mean(values)), math.hypot(spread, EDGE_MS))
        arc = self._arc()
        # Degrees by an arc that was stated come within a per cent without a lift too.
        offset = offset_of(error, arc, period_s, self._lift_deg or 0.0)
        return BeatSetting(side, error, offset, arc, len(values), settled)

    def _arc(self) -> UFloat:
        if len(self._arcs) >= 3:
            return ufloat(float(np.median(self._arcs)), max(float(np.std(self._arcs, ddof=1)), 0.5))
        if self._arc_deg is not None:
            return ufloat(self._arc_deg, 0.02 * self._arc_deg)
        return None
