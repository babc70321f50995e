"""How loud the sound is. Input: blocks. Output: mean and peak of about each second, in dB against full scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from torsionbeat.sound.block import Samples

__all__ = ["Level", "LevelMeter"]

LEVEL_S = 1.0
"""Often enough to follow a hand on a level control, with only one line of output a second."""

CLIPPED = 0.98
"""A sample is at the limit from this value; converters of cheap recorders stop a little below full scale."""


@dataclass(frozen=True, slots=True)
class Level:
    """Loudness of the last second in the loudest channel, in dB against full scale; -inf is digital silence."""

    rms_db: float = -math.inf
    peak_db: float = -math.inf
    clipped: bool = False


@dataclass(slots=True)
class LevelMeter:
    """Loudness of about the last second.

    Parameters
    ----------
    frames : int
        Frames after which a new level is ready.
    """

    frames: int
    level: Level = field(default_factory=Level)
    _power: float = 0.0
    _peak: float = 0.0
    _count: int = 0

    @staticmethod
    def of(sample_rate_hz: float) -> LevelMeter:
        """Make a meter that gives a new level once a second."""
        return LevelMeter(int(LEVEL_S * sample_rate_hz))

    def take(self, samples: Samples) -> bool:
        """Take in a block; True when a new level is ready."""
        sound = np.nan_to_num(samples) if not np.isfinite(samples.sum()) else samples
        self._power += float(np.square(sound).sum(axis=0).max())
        self._peak = max(self._peak, float(sound.max(initial=0)), -float(sound.min(initial=0)))
        self._count += len(sound)
        if self._count < self.frames:
            return False
        self.level = Level(_db(self._power / self._count) / 2, _db(self._peak), self._peak >= CLIPPED)
        self._power = self._peak = 0.0
        self._count = 0
        return True


def _db(ratio: float) -> float:
    return 20 * math.log10(ratio) if ratio > 0 else -math.inf
