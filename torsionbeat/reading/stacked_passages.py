"""Lift passages of a side whose single contacts are not heard: their mean, and how they travel with the arc.

Input: the passages that the hearing found with many beats stacked (averaged). Output: a passage for every beat,
and what the unknown travel of the arc adds to the period: a contact that moves away from its drop moves the middle
of the lift, from which the period is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.heard import SegmentPassage

__all__ = ["StackedPassage", "stacked_passages"]

FloatArray = npt.NDArray[np.float64]

USUAL_TRAVEL_PER_H = 0.01
"""Share of its arc that a clock in order gains or loses in an hour (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StackedPassage:
    """Passage of one side: its mean and standard uncertainty in s, and the share by which it grows from beat to beat."""

    mean_s: float
    uncertainty_s: float
    middle_beat: float
    travel: float
    travel_uncertainty: float

    def at(self, beat: npt.NDArray[np.int64]) -> FloatArray:
        """Passage at each beat, in s."""
        return np.asarray(self.mean_s * (1 + self.travel * (beat - self.middle_beat)), np.float64)


def stacked_passages(
    parts: tuple[SegmentPassage, ...], seconds_per_sample: float, half_period_s: float
) -> dict[int, StackedPassage]:
    """Passages by side (0 for a, 1 for b). Both sides of one balance share the travel."""
    sides = {}
    usual = USUAL_TRAVEL_PER_H / 3600 * half_period_s
    lever, moment = 1 / usual**2, 0.0
    for side in (0, 1):
        own = [part for part in parts if part.side == "ab"[side]]
        if not own:
            continue
        values = np.array([part.passage_samples for part in own]) * seconds_per_sample
        weights = 1 / (np.array([part.uncertainty_samples for part in own]) * seconds_per_sample) ** 2
        beats = np.array([(part.first_beat + part.last_beat) / 2 for part in own])
        mean, middle = float(np.average(values, weights=weights)), float(np.average(beats, weights=weights))
        # Shares of the mean passage, so that both sides can be added.
        lever += float(np.sum(weights * mean**2 * (beats - middle) ** 2))
        moment += float(np.sum(weights * mean**2 * (beats - middle) * (values / mean - 1)))
        sides[side] = (mean, float(1 / np.sqrt(weights.sum())), middle)
    travel, spread = moment / lever, float(1 / np.sqrt(lever))
    return {side: StackedPassage(*figures, travel, spread) for side, figures in sides.items()}
