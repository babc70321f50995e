"""The room: all sounds besides the clock, as plain numbers.

Loudness is relative to full scale: `_rms` for steady noise, `peak` for single sounds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.twin.voices import VOICES

__all__ = ["Bangs", "Drips", "Fire", "OtherClock", "Room", "Talk"]


@dataclass(frozen=True, slots=True)
class Talk:
    """Sentences at random times."""

    per_hour: float = 60.0
    peak: float = 0.15


@dataclass(frozen=True, slots=True)
class Bangs:
    """Doors, tools, knocks at random times, each 20 to 300 ms long."""

    per_hour: float = 30.0
    peak: float = 0.5


@dataclass(frozen=True, slots=True)
class Drips:
    """A dripping tap."""

    interval_s: float = 1.7
    peak: float = 0.05


@dataclass(frozen=True, slots=True)
class Fire:
    """A crackling fire."""

    per_s: float = 8.0
    peak: float = 0.2


@dataclass(frozen=True, slots=True)
class OtherClock:
    """Another clock that ticks in the room.

    Attributes
    ----------
    beat_s : float
        Time between two ticks: 1 for a quartz clock, 0.9 for a pendulum, 0.2 for a balance.
    level_db : float
        Its peak relative to the drop's.
    alternation_ms : float
        Delay of every second tick.
    tick, tock : str
        Voices of the two sides.
    rate_ppm : float
        Excess of its beat over `beat_s`.
    jitter_ms : float
        Standard deviation of the time of each tick.
    """

    beat_s: float = 1.0
    level_db: float = -3.0
    alternation_ms: float = 0.0
    tick: str = "plastic_tap"
    tock: str = "plastic_tap"
    rate_ppm: float = 0.0
    jitter_ms: float = 0.1

    def __post_init__(self) -> None:
        if not self.beat_s >= 0.05:
            raise InputError(f"another clock's beat of {self.beat_s:g} s is too short: give 0.05 s or more.")

    def times_s(self, rng: np.random.Generator) -> Iterator[tuple[float, int]]:
        """Endless (time in s, side) in order; the first tick falls at random within one beat."""
        beat = self.beat_s * (1 + 1e-6 * self.rate_ppm)
        start = rng.uniform(0.01, 1.0) * beat
        last = 0.0
        number = 0
        while True:
            late = 1e-3 * self.alternation_ms * (number % 2) + 1e-3 * self.jitter_ms * rng.standard_normal()
            last = max(last + 1e-3, start + number * beat + late)
            yield last, number % 2
            number += 1


@dataclass(frozen=True, slots=True)
class Room:
    """A room and its sounds.

    `wetness` 0 is a room without echoes; `echo_decay_s` is the time in which the echo falls by 60 dB.
    """

    pink_rms: float = 1e-3
    white_rms: float = 2e-4
    rain_rms: float = 0.0
    hum_rms: float = 0.0
    hum_hz: float = 50.0
    wetness: float = 1.0
    echo_decay_s: float = 0.25
    talk: Talk | None = None
    bangs: Bangs | None = None
    drips: Drips | None = None
    fire: Fire | None = None
    others: tuple[OtherClock, ...] = ()

    def __post_init__(self) -> None:
        for name in ("pink_rms", "white_rms", "rain_rms", "hum_rms"):
            level = getattr(self, name)
            if not 0 <= level <= 1:
                raise InputError(f"{name} {level:g} is outside 0 to 1 (1 is full scale).")
        for other in self.others:
            for name in (other.tick, other.tock):
                if name not in VOICES:
                    raise InputError(f"there is no voice {name!r}: choose from {', '.join(sorted(VOICES))}.")
