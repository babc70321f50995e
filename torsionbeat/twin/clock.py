"""The whole clock: its build, its sounds, and its run over a given time."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.twin.balance import Balance
from torsionbeat.twin.parts import Change, Drive, Escapement, Temperature
from torsionbeat.twin.swing import Beat, steady_swing, swing_beats
from torsionbeat.twin.truth import KINDS, Events
from torsionbeat.twin.voices import VoiceSet
from torsionbeat.twin.wheels import Flutter, TrainFault, drop_db

__all__ = ["TwinClock"]


@dataclass(frozen=True, slots=True)
class TwinClock:
    """A clock to simulate.

    Attributes
    ----------
    sounds : tuple of str
        The kinds of sound that are heard: ``contact``, ``unlocking``, ``drop``, ``banking``, ``knock``.
    jitter_ms : float
        Standard deviation of the start of each sound about the instant of the motion.
    banking_ms : float
        Time from drop to banking.
    start_arc_deg : float or None
        Arc of the first swing; None starts at the steady arc.
    start_s : float
        Time at which the balance is released at its turning point; 0 or before.
    start_side : str
        Side of the first beat.
    train_faults : tuple of BadTooth or Eccentric
        Periodic faults of the wheels.
    flutter : Flutter or None
        Bursts of drops; in the truth they are sounds of the kind ``flutter``.
    """

    balance: Balance = field(default_factory=lambda: Balance(60.0))
    escapement: Escapement = field(default_factory=Escapement)
    drive: Drive = field(default_factory=Drive)
    voices: VoiceSet = field(default_factory=VoiceSet)
    sounds: tuple[str, ...] = ("contact", "drop")
    jitter_ms: float = 0.5
    banking_ms: float = 35.0
    start_arc_deg: float | None = None
    start_s: float = 0.0
    start_side: str = "a"
    temperature: Temperature | None = None
    period_walk_ppm_per_sqrt_h: float = 0.0
    changes: tuple[Change, ...] = ()
    train_faults: tuple[TrainFault, ...] = ()
    flutter: Flutter | None = None

    def __post_init__(self) -> None:
        strange = set(self.sounds) - set(KINDS)
        if strange:
            raise InputError(
                f"unknown kind of sound {', '.join(sorted(strange))}: choose from {', '.join(KINDS)}."
            )
        if not 0 <= self.jitter_ms <= 50:
            raise InputError(f"jitter {self.jitter_ms:g} ms is outside 0 to 50.")
        if self.start_arc_deg is not None and not 0 < self.start_arc_deg <= 1500:
            raise InputError(f"a first arc of {self.start_arc_deg:g} deg is outside 0 to 1500.")
        if not self.start_s <= 0:
            raise InputError(f"the balance must be let go at or before 0 s, not at {self.start_s:g} s.")

    def run(self, duration_s: float, seed: int) -> tuple[tuple[Beat, ...], Events]:
        """Run the clock for `duration_s`: all beats that begin within this time, and the sounds."""
        push_deg, turning_deg = steady_swing(self.balance, self.escapement, self.drive)
        if self.start_arc_deg is not None:
            turning_deg = self.start_arc_deg / 2
        beats = tuple(
            beat
            for beat in swing_beats(
                self.balance,
                self.escapement,
                self.drive,
                turning_deg=turning_deg if self.start_side == "a" else -turning_deg,
                push_deg=push_deg,
                duration_s=duration_s,
                rng=np.random.default_rng([seed, 1]),
                start_s=self.start_s,
                temperature=self.temperature,
                period_walk_ppm_per_sqrt_h=self.period_walk_ppm_per_sqrt_h,
                changes=self.changes,
                train_faults=self.train_faults,
            )
            if 0 <= beat.contact_s < duration_s
        )
        return beats, self._events(beats, duration_s, np.random.default_rng([seed, 2]))

    def steady_period_s(self) -> float:
        """Mean full period at the steady arc, without wander or changes."""
        calm = replace(
            self,
            drive=replace(self.drive, wander_percent=0.0, drift_percent_per_hour=0.0),
            start_arc_deg=None,
            start_s=0.0,
            temperature=None,
            period_walk_ppm_per_sqrt_h=0.0,
            changes=(),
            train_faults=(),
        )
        middles = [beat.middle_s for beat in calm.run(3 * self.balance.period_s, 0)[0]]
        return middles[2] - middles[0]

    def with_period(self, period_s: float) -> TwinClock:
        """The same clock, with the balance adjusted so that the full period at the steady arc is `period_s`."""
        scale = period_s / self.steady_period_s()
        return replace(self, balance=replace(self.balance, period_s=self.balance.period_s * scale))

    def _events(self, beats: tuple[Beat, ...], duration_s: float, rng: np.random.Generator) -> Events:
        rows: list[tuple[float, str, str]] = []
        worse_db: list[float] = []
        for beat in beats:
            times = {
                "contact": beat.contact_s,
                "unlocking": beat.unlocking_s,
                "drop": beat.drop_s,
                "banking": beat.drop_s + 1e-3 * self.banking_ms,
                "knock": beat.knock_s,
            }
            mine = [(times[kind], beat.side, kind) for kind in self.sounds if math.isfinite(times[kind])]
            worse_db += [drop_db(self.train_faults, beat.number) if row[2] == "drop" else 0.0 for row in mine]
            rows += mine
        if self.flutter is not None:
            for beat, extra in zip(beats, self.flutter.extra_s(len(beats), rng), strict=True):
                rows += [(beat.drop_s + after, beat.side, "flutter") for after in extra]
                worse_db += [0.0] * len(extra)
        clean = np.array([row[0] for row in rows], dtype=float)
        heard = clean + 1e-3 * self.jitter_ms * rng.standard_normal(len(rows))
        level = np.array([self.voices.level_db(row[2]) for row in rows], dtype=float)
        level += self.voices.scatter_db * rng.standard_normal(len(rows)) + np.array(worse_db)
        order = np.argsort(heard, kind="stable")
        order = order[(heard[order] >= 0) & (heard[order] < duration_s)]
        side = np.array([row[1] for row in rows], dtype="<U1")[order]
        kind = np.array([row[2] for row in rows], dtype="<U9")[order]
        return Events(heard[order], clean[order], side, kind, level[order])
