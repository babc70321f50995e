"""Faults of the train: a bad tooth, a wheel out of true, and an escapement that flutters.

Input: the number of a beat. Output: the effect of the fault on push, lift and loudness at that beat. A wheel turns once
in ``turn_beats`` beats (two beats for each tooth of an escape wheel).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from torsionbeat.errors import InputError

__all__ = ["BadTooth", "Eccentric", "Flutter", "TrainFault", "drop_db", "lift_factor", "push_factor"]


@dataclass(frozen=True, slots=True)
class BadTooth:
    """A tooth that is bent, worn or dirty.

    Attributes
    ----------
    turn_beats : float
        Beats in one turn of its wheel.
    at : tuple of int
        Beats of the turn at which the tooth begins to pass: one on each side for an escape wheel, one for other wheels.
    beats : float
        Number of beats that it takes to pass.
    drop_db : float
        Change of the drop's loudness there.
    passage_percent : float
        Relative increase of the lift there: the tooth releases late.
    push_factor : float
        Share of the push that remains there.
    """

    turn_beats: float
    at: tuple[int, ...]
    beats: float = 1.0
    drop_db: float = 0.0
    passage_percent: float = 0.0
    push_factor: float = 1.0

    def __post_init__(self) -> None:
        if not self.turn_beats >= 2 or not all(0 <= one < self.turn_beats for one in self.at):
            raise InputError(
                f"a turn of {self.turn_beats:g} beats with the tooth at {self.at}: "
                "give 2 beats or more, and places from 0 up within the turn."
            )
        if not 0 < self.beats <= self.turn_beats or not 0 <= self.push_factor <= 2:
            raise InputError(
                f"a tooth of {self.beats:g} beats with {self.push_factor:g} of the push: give no more beats than the "
                "turn has, and 0 to 2 of the push."
            )

    def passes(self, number: int) -> bool:
        """Whether this beat is one at which the tooth passes."""
        return any((number - one) % self.turn_beats < self.beats for one in self.at)


@dataclass(frozen=True, slots=True)
class Eccentric:
    """A wheel out of true: lift and push vary as a sine, once a turn.

    Attributes
    ----------
    turn_beats : float
        Beats in one turn of the wheel.
    lift_percent, push_percent : float
        Amplitude of the sine.
    phase_beats : float
        Beat at which the sine crosses zero upwards.
    """

    turn_beats: float
    lift_percent: float = 0.0
    push_percent: float = 0.0
    phase_beats: float = 0.0

    def __post_init__(self) -> None:
        if not self.turn_beats >= 2 or not max(abs(self.lift_percent), abs(self.push_percent)) <= 50:
            raise InputError(
                f"a wheel of {self.turn_beats:g} beats a turn, {self.lift_percent:g} and {self.push_percent:g} % out of "
                "true: give 2 beats or more, and 50 % at most."
            )

    def wave(self, number: int) -> float:
        """Value of the sine at a beat, -1 to 1."""
        return math.sin(2 * math.pi * (number - self.phase_beats) / self.turn_beats)


TrainFault = BadTooth | Eccentric


@dataclass(frozen=True, slots=True)
class Flutter:
    """The fork slips over more teeth than one in some swings: a burst of drops, one after the other.

    Attributes
    ----------
    share : float
        Share of the beats that flutter.
    burst_beats : float
        Mean number of beats that flutter in a row.
    most_extra : int
        Extra drops in a swing, 1 to this many.
    apart_ms : float
        Time from drop to drop, with a scatter of a fifth.
    """

    share: float = 0.02
    burst_beats: float = 3.0
    most_extra: int = 3
    apart_ms: float = 70.0

    def __post_init__(self) -> None:
        if (
            not 0 <= self.share <= 0.5
            or not self.burst_beats >= 1
            or self.most_extra < 1
            or not self.apart_ms > 0
        ):
            raise InputError(
                f"flutter in {self.share:g} of the beats, {self.burst_beats:g} in a row, up to {self.most_extra} extra drops "
                f"{self.apart_ms:g} ms apart: give 0 to 0.5, 1 or more, 1 or more, and above 0."
            )

    def extra_s(self, beats: int, rng: np.random.Generator) -> list[tuple[float, ...]]:
        """For each beat the times after its drop at which further teeth drop; most are empty."""
        stop = 1 / self.burst_beats
        start = self.share * stop / (1 - self.share)
        fluttering, rows = False, []
        for _ in range(beats):
            fluttering = rng.random() >= stop if fluttering else rng.random() < start
            many = int(rng.integers(1, self.most_extra + 1)) if fluttering else 0
            gaps = 1e-3 * self.apart_ms * (1 + 0.2 * rng.uniform(-1, 1, many))
            rows.append(tuple(np.cumsum(gaps).tolist()))
        return rows


def push_factor(faults: tuple[TrainFault, ...], number: int) -> float:
    """Share of the push that remains at a beat."""
    factor = 1.0
    for fault in faults:
        if isinstance(fault, Eccentric):
            factor *= 1 + fault.push_percent / 100 * fault.wave(number)
        elif fault.passes(number):
            factor *= fault.push_factor
    return factor


def lift_factor(faults: tuple[TrainFault, ...], number: int) -> float:
    """Factor by which the lift is longer at a beat."""
    factor = 1.0
    for fault in faults:
        if isinstance(fault, Eccentric):
            factor *= 1 + fault.lift_percent / 100 * fault.wave(number)
        elif fault.passes(number):
            factor *= 1 + fault.passage_percent / 100
    return factor


def drop_db(faults: tuple[TrainFault, ...], number: int) -> float:
    """Increase of the drop's level at a beat, in dB."""
    return sum(fault.drop_db for fault in faults if isinstance(fault, BadTooth) and fault.passes(number))
