"""The clock's parts besides the balance, and the events that may happen in a night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from torsionbeat.errors import InputError

__all__ = [
    "BeatShift",
    "CaseKnock",
    "Change",
    "Drive",
    "DriveChange",
    "Escapement",
    "Halt",
    "Temperature",
]


@dataclass(frozen=True, slots=True)
class Escapement:
    """Angles of the escapement.

    Attributes
    ----------
    lift_deg : float
        Angle from contact to drop.
    offset_deg : float
        Middle of the lift relative to the position of rest (out of beat).
    unlocking_deg : float
        First part of the lift, in which the train is unlocked.
    unlocking_resistance : float
        Resistance while unlocking, as a fraction of the push.
    knock_arc_deg : float or None
        Arc at which the roller strikes the fork from outside and bounces back; None: it never does.
    """

    lift_deg: float = 20.0
    offset_deg: float = 0.0
    unlocking_deg: float = 2.0
    unlocking_resistance: float = 0.3
    knock_arc_deg: float | None = None

    def __post_init__(self) -> None:
        if not 0.5 <= self.lift_deg <= 120:
            raise InputError(
                f"lift {self.lift_deg:g} deg is outside 0.5 to 120: give the angle from contact to drop."
            )
        if not abs(self.offset_deg) <= 180:
            raise InputError(
                f"offset {self.offset_deg:g} deg is outside -180 to 180: give the lift's middle against rest."
            )
        if not 0 <= self.unlocking_deg < self.lift_deg:
            raise InputError(
                f"unlocking {self.unlocking_deg:g} deg must lie within the lift of "
                f"{self.lift_deg:g} deg, from 0 up."
            )
        if not 0 <= self.unlocking_resistance <= 2:
            raise InputError(
                f"unlocking resistance {self.unlocking_resistance:g} is outside 0 to 2 times the push."
            )


@dataclass(frozen=True, slots=True)
class Drive:
    """The drive that pushes the balance.

    Attributes
    ----------
    arc_deg : float or None
        Steady arc, from which the push is calculated; or
    push_deg : float or None
        the push itself, given as the angle at which it would hold the balance.
    wander_percent, wander_beats : float
        Standard deviation of the push, and its correlation length in beats.
    drift_percent_per_hour : float
        Steady growth of the push.
    """

    arc_deg: float | None = 300.0
    push_deg: float | None = None
    wander_percent: float = 0.0
    wander_beats: float = 30.0
    drift_percent_per_hour: float = 0.0

    def __post_init__(self) -> None:
        if (self.arc_deg is None) == (self.push_deg is None):
            raise InputError("the drive needs either a steady arc or a push, and not both.")
        if self.arc_deg is not None and not 1 <= self.arc_deg <= 1500:
            raise InputError(
                f"arc {self.arc_deg:g} deg is outside 1 to 1500: "
                "give the angle from one turning point to the other."
            )
        if self.push_deg is not None and not 0 <= self.push_deg <= 360:
            raise InputError(
                f"push {self.push_deg:g} deg is outside 0 to 360: "
                "give the angle it would hold the balance at."
            )
        if not 0 <= self.wander_percent <= 50:
            raise InputError(f"drive wander {self.wander_percent:g} % is outside 0 to 50.")
        if not self.wander_beats > 0:
            raise InputError(f"drive wander over {self.wander_beats:g} beats: give more than 0.")


@dataclass(frozen=True, slots=True)
class Temperature:
    """Course of the temperature: straight lines between given points, in kelvin from the reference."""

    times_s: tuple[float, ...]
    kelvin: tuple[float, ...]

    def __post_init__(self) -> None:
        if (
            not self.times_s
            or len(self.times_s) != len(self.kelvin)
            or list(self.times_s) != sorted(self.times_s)
        ):
            raise InputError(
                f"{len(self.times_s)} times and {len(self.kelvin)} temperatures: "
                "give as many of each, times rising."
            )

    def at(self, time_s: float) -> float:
        """Temperature difference from the reference in kelvin."""
        return float(np.interp(time_s, self.times_s, self.kelvin))


@dataclass(frozen=True, slots=True)
class DriveChange:
    """From `at_s` on the push is `factor` times the nominal push: 0 drive lost, 1 drive regained."""

    at_s: float
    factor: float


@dataclass(frozen=True, slots=True)
class BeatShift:
    """At the first turning point after `at_s` the beat setting slips by `by_deg`."""

    at_s: float
    by_deg: float


@dataclass(frozen=True, slots=True)
class CaseKnock:
    """A knock against the case: the balance jumps by an angle and a speed, and a thump is heard."""

    at_s: float
    angle_deg: float = 0.0
    speed_deg_per_s: float = 0.0
    peak: float = 0.3


@dataclass(frozen=True, slots=True)
class Halt:
    """At `at_s` the balance is stopped and stays still."""

    at_s: float


Change = DriveChange | BeatShift | CaseKnock | Halt
