"""Beat error as it is being set: the figure after each swing, sure again within two swings after a change.

Input: beats one by one. Output: the beat error of the swings since the setting last changed. Three beats in a row
give one value: half of the interval before the middle one less the interval after it. As long as new values agree
with those before, all are taken together and the interval narrows; when one does not, the newest stands alone, and
when the next agrees with it, they are the new beginning.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from uncertainties import ufloat

from torsionbeat.live.follower import FollowedBeat
from torsionbeat.reading.figures import UFloat
from torsionbeat.theory.robust import median_deviation
from torsionbeat.theory.swing import arc_and_offset_deg, offset_deg

__all__ = ["BeatSetting", "BeatTrace"]

FIRST_SCATTER_MS = 1.0
"""Scatter of one value until enough have been heard to measure it: that of a clock heard well."""

LEAST_SCATTER_MS = 0.3  # a run of equal values must not look exact (no source)
EDGE_MS = 0.6
"""Where the sounds of either side begin is learnt from a few beats, no better than this (held against the twin)."""
AGREES = 4.0
"""Four standard deviations: an unchanged setting misses it once in 16 000 values of a normal distribution."""
LEAST_CHANGE_MS = 3.0
"""A smaller change cannot be distinguished from the scatter of one swing."""
ARC_BEATS = 6
"""Arcs of the last three swings give the mean."""
LONGEST = 200
"""Values kept: beyond, the interval no longer narrows to the eye."""


@dataclass(frozen=True, slots=True)
class BeatSetting:
    """Where the beat stands after a swing.

    ``beat_error_ms`` and ``offset_deg`` (None where no arc is known) are uncertain numbers; ``swings`` counts the
    values they rest on; ``settled`` is False right after a change, until a second value has confirmed it.
    """

    side: str
    beat_error_ms: UFloat
    offset_deg: UFloat
    arc_deg: UFloat
    swings: int
    settled: bool


class BeatTrace:
    """Takes beats, gives the setting.

    Parameters
    ----------
    sample_rate_hz : float
    lift_deg : float or None
        With it and with contacts heard the arc is measured.
    arc_deg : float or None
        The arc as counted by eye, where it is not measured.
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
        """Middles of the lift where all three have a contact, else the drops."""
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
        # single values share beats: the mean of m of them scatters as one over the root of m/3, not of m
        spread = scatter / math.sqrt(max(len(values) / 3, 1.0))
        error = ufloat(float(np.mean(values)), math.hypot(spread, EDGE_MS))
        arc = self._arc()
        offset = None
        if arc is not None and abs(error.nominal_value) < 450 * period_s:
            lift = self._lift_deg or 0.0
            value = float(offset_deg(error.nominal_value, arc.nominal_value, period_s, lift))
            by_error = (
                float(offset_deg(error.nominal_value + error.std_dev, arc.nominal_value, period_s, lift))
                - value
            )
            by_arc = value * arc.std_dev / arc.nominal_value
            offset = ufloat(value, math.hypot(by_error, by_arc))
        return BeatSetting(side, error, offset, arc, len(values), settled)

    def _arc(self) -> UFloat:
        if len(self._arcs) >= 3:
            return ufloat(float(np.median(self._arcs)), max(float(np.std(self._arcs, ddof=1)), 0.5))
        if self._arc_deg is not None:
            return ufloat(self._arc_deg, 0.02 * self._arc_deg)
        return None
