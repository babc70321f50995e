"""The swing: the motion integrated from event to event, and the push that sustains a wanted arc.

Input: balance, escapement and drive as plain numbers (degrees, seconds). Output: every beat with the instants of
its sounds, its side and the arc of its swing (`balance` steps the motion).

One beat: at the first edge of the lift the roller meets the fork (contact). Over a small angle the balance unlocks the
train against a resistance. Then it is pushed until the other edge (drop). The positive direction of the angle is side
``b``; side ``a`` is the swing towards the negative, so an offset above 0 makes the interval a to b the longer one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.twin.balance import Balance, Motion
from torsionbeat.twin.parts import (
    BeatShift,
    CaseKnock,
    Change,
    Drive,
    DriveChange,
    Escapement,
    Halt,
    Temperature,
)
from torsionbeat.twin.wheels import TrainFault, lift_factor, push_factor

__all__ = ["Beat", "steady_swing", "swing_beats"]


@dataclass(frozen=True, slots=True)
class Beat:
    """One passage through the lift. Times in seconds without jitter, nan for an event that did not happen.

    `number` counts swings from the start; `middle_s` is the passage through the lift's middle; `arc_deg` is the angle
    from the turning point before to the one after, at `turn_s`; `push_deg` is the push at this beat.
    """

    number: int
    side: str
    contact_s: float
    unlocking_s: float
    middle_s: float
    drop_s: float
    turn_s: float
    arc_deg: float
    offset_deg: float
    push_deg: float
    knock_s: float = math.nan


@dataclass(slots=True)
class _State:
    time_s: float
    angle: float
    speed: float
    side: int
    phase: str = "approach"
    offset: float = 0.0
    drive: float = 1.0
    push: float = 0.0
    number: int = 0
    marks: dict[str, float] = field(default_factory=dict)


def steady_swing(balance: Balance, escapement: Escapement, drive: Drive) -> tuple[float, float]:
    """Push and first turning point of the steady swing.

    Parameters
    ----------
    balance : Balance
    escapement : Escapement
    drive : Drive

    Returns
    -------
    push_deg, turning_point_deg : float
        With this push a balance released at this angle repeats its swing. If the drive states the push, the sustained
        arc is calculated.

    Raises
    ------
    InputError
        The balance cannot swing steadily at this arc or with this push.
    """
    from scipy.optimize import root

    still = replace(drive, wander_percent=0.0, drift_percent_per_hour=0.0)
    lift = escapement.lift_deg
    work_deg = lift - escapement.unlocking_deg * (1 + escapement.unlocking_resistance)
    if work_deg <= 0:
        raise InputError(
            f"unlocking takes more than the push gives over a lift of {lift:g} deg: "
            "lower its angle or resistance."
        )

    def two_swings(turning_deg: float, push_deg: float) -> tuple[float, float]:
        beats = swing_beats(
            balance,
            escapement,
            still,
            turning_deg=turning_deg,
            push_deg=push_deg,
            duration_s=balance.period_s * 3,
            rng=np.random.default_rng(0),
        )
        first, second = next(beats), next(beats)
        return turning_deg - first.arc_deg + second.arc_deg, 0.5 * (first.arc_deg + second.arc_deg)

    def drag_deg(arc_deg: float) -> float:  # push that balances drag and rubbing over one swing
        return (math.pi / (8 * balance.q) * arc_deg**2 + balance.dry_friction_deg * arc_deg) / work_deg

    if drive.arc_deg is not None:
        wanted = drive.arc_deg
        least = lift + 2 * abs(escapement.offset_deg)
        if wanted <= least * 1.02:
            raise InputError(
                f"an arc of {wanted:g} deg does not clear the lift: it must exceed {least * 1.02:g} deg."
            )

        def miss(guess: np.ndarray) -> list[float]:
            turning, arc = two_swings(guess[0], max(guess[1], 0.0) * drag_deg(wanted))
            return [turning - guess[0], arc - wanted]

        found = root(miss, [wanted / 2, 1.0], tol=1e-13)
        push, turning = float(found.x[1]) * drag_deg(wanted), float(found.x[0])
        if max(abs(gap) for gap in miss(found.x)) > 1e-6 * wanted:
            raise InputError(
                f"no steady arc of {wanted:g} deg was found: raise Q ({balance.q:g}), the lift or the arc."
            )
        return push, turning
    push = float(drive.push_deg or 0.0)
    return push, _sustained(two_swings, balance, escapement, push, work_deg)


def _sustained(
    two_swings: Callable[[float, float], tuple[float, float]],
    balance: Balance,
    escapement: Escapement,
    push: float,
    work_deg: float,
) -> float:
    """The turning point that a push sustains, by iteration; each step is extrapolated to the settled state."""
    arc = math.sqrt(8 * balance.q * push * work_deg / math.pi)
    turning = arc / 2
    for _ in range(400):
        if turning <= escapement.lift_deg / 2 + abs(escapement.offset_deg):
            raise InputError(f"a push of {push:g} deg cannot keep this balance swinging past its lift.")
        new, _arc = two_swings(turning, push)
        step = (new - turning) * balance.q / math.pi  # about the remaining change until the arc is settled
        turning += step
        if abs(step) < 1e-11 * turning:
            break
    return turning


def swing_beats(
    balance: Balance,
    escapement: Escapement,
    drive: Drive,
    *,
    turning_deg: float,
    push_deg: float,
    duration_s: float,
    rng: np.random.Generator,
    start_s: float = 0.0,
    temperature: Temperature | None = None,
    period_walk_ppm_per_sqrt_h: float = 0.0,
    changes: tuple[Change, ...] = (),
    train_faults: tuple[TrainFault, ...] = (),
) -> Iterator[Beat]:
    """Integrate the motion from event to event and yield every beat in order of time.

    Parameters
    ----------
    turning_deg : float
        The turning point at which the balance is released at `start_s`; above 0 the first beat is of side ``a``.
    push_deg : float
        Push of the drive without factor, drift and wander.
    rng : numpy.random.Generator
        Draws the wander of the drive and of the period.
    train_faults : tuple of BadTooth or Eccentric
        Faults of the train at some beats.
    """
    course = _Course(balance, escapement, drive, turning_deg, push_deg, rng, start_s, train_faults)
    course.temperature, course.walk_ppm = temperature, period_walk_ppm_per_sqrt_h
    course.queue = sorted(changes, key=lambda change: change.at_s)
    while course.state.time_s < duration_s or course.state.marks:
        if course.at_turn and not course.begin_swing():
            return
        yield from course.step()
        if course.halted:
            return


class _Course:
    """The motion between two events, and the effect of each event."""

    def __init__(
        self,
        balance: Balance,
        escapement: Escapement,
        drive: Drive,
        turning_deg: float,
        push_deg: float,
        rng: np.random.Generator,
        start_s: float,
        train_faults: tuple[TrainFault, ...],
    ) -> None:
        turning = math.radians(turning_deg)
        side = -1 if turning_deg > 0 else 1
        self.state = _State(start_s, turning, 0.0, side, offset=escapement.offset_deg)
        self.balance, self.escapement, self.drive, self.rng = balance, escapement, drive, rng
        self.train_faults = train_faults
        self.push = math.radians(push_deg)
        self.rubbing = math.radians(balance.dry_friction_deg)
        self.half_lift = math.radians(escapement.lift_deg) / 2
        self.unlock = math.radians(escapement.unlocking_deg)
        knock = escapement.knock_arc_deg
        self.knock = math.inf if knock is None else math.radians(knock) / 2
        self.keep = math.exp(-1 / drive.wander_beats)
        self.kick = drive.wander_percent / 100 * math.sqrt(1 - self.keep * self.keep)
        self.wander = drive.wander_percent / 100 * rng.standard_normal()
        self.temperature: Temperature | None = None
        self.walk = self.walk_ppm = 0.0
        self.queue: list[Change] = []
        self.shifts: list[float] = []
        self.turn_angle = turning
        self.omega = 2 * math.pi / balance.period_s
        self.at_turn, self.halted = True, False

    def begin_swing(self) -> bool:
        """Apply the slow changes of the surroundings for this swing; return whether the balance moves again."""
        state, balance = self.state, self.balance
        self.at_turn = False
        self.walk += self.walk_ppm * math.sqrt(balance.period_s / 7200) * self.rng.standard_normal()
        warm = self.temperature.at(state.time_s) * balance.period_ppm_per_k if self.temperature else 0.0
        self.omega = 2 * math.pi / (balance.period_s * (1 + 1e-6 * (warm + self.walk)))
        state.offset += sum(self.shifts)
        self.shifts.clear()
        state.phase, state.marks = "approach", {}
        first_edge = math.radians(state.offset) - state.side * self.half_lift
        if state.side * (state.angle - first_edge) >= 0:
            state.phase = "leave"
        pull = state.angle * (1 + balance.cubic_per_rad2 * state.angle**2)
        # False if stuck by rubbing, or stopped against the train.
        return not (abs(pull) <= self.rubbing or state.side * pull > 0)

    def target(self) -> float:
        """Angle at which the present phase of the swing ends."""
        state, middle = self.state, math.radians(self.state.offset)
        if state.phase == "leave":
            return state.side * self.knock
        if state.phase == "push":
            late = lift_factor(self.train_faults, state.number) if self.train_faults else 1.0
            # The contact does not change; the drop is late.
            return middle + state.side * self.half_lift * (2 * late - 1)
        short = self.unlock if state.phase == "unlock" else 0.0
        return middle - state.side * (self.half_lift - short)

    def step(self) -> Iterator[Beat]:
        """Move to the next event; yields the beat that it ends."""
        state = self.state
        forces = {"unlock": -self.escapement.unlocking_resistance * state.push, "push": state.push}
        force = state.side * (forces.get(state.phase, 0.0) - self.rubbing)
        motion = Motion(state.angle, state.speed, force, self.balance.q, self.balance.cubic_per_rad2)
        target = self.target()
        end, event = self._next_event(motion, target)
        self._mark_middle(motion, end)
        state.time_s += end / self.omega
        state.angle, state.speed = motion.angle(end), motion.speed(end)
        if event == "edge":
            state.angle = target
            event = self._pass_edge()
        if event == "turn":
            if state.marks:
                yield _beat(state, self.turn_angle)
            self._turn()
        elif event == "change":
            yield from self._change(self.queue.pop(0))

    def _next_event(self, motion: Motion, target: float) -> tuple[float, str]:
        """Phase to the next event, and its kind."""
        end, event = motion.length, "step"
        due = self.queue[0].at_s if self.queue else math.inf
        if (due - self.state.time_s) * self.omega <= end:
            end, event = max((due - self.state.time_s) * self.omega, 0.0), "change"
        turn = motion.turns(end) if end > 0 else None
        if turn is not None:
            end, event = turn, "turn"
        reached = motion.passes(target, end) if end > 0 and math.isfinite(target) else None
        return (end, event) if reached is None else (reached, "edge")

    def _mark_middle(self, motion: Motion, end: float) -> None:
        state, middle = self.state, math.radians(self.state.offset)
        if state.phase == "leave" or "middle" in state.marks or state.angle == middle:
            return
        through = motion.passes(middle, end) if end > 0 else None
        if through is not None:
            state.marks["middle"] = state.time_s + through / self.omega

    def _pass_edge(self) -> str:
        """Go to the next phase of the swing; return the event."""
        state, drive = self.state, self.drive
        if state.phase == "approach":
            state.marks["contact"] = state.time_s
            self.wander = self.keep * self.wander + self.kick * self.rng.standard_normal()
            drift = 1 + drive.drift_percent_per_hour / 100 * state.time_s / 3600
            state.push = self.push * max(state.drive * drift * (1 + self.wander), 0.0)
            if self.train_faults:
                state.push *= push_factor(self.train_faults, state.number)
            state.phase = "unlock" if self.unlock > 0 else "push"
        elif state.phase == "unlock":
            state.marks["unlocking"] = state.time_s
            state.phase = "push"
        elif state.phase == "push":
            state.marks["drop"] = state.time_s
            state.phase = "leave"
        else:  # the roller strikes the fork from outside and bounces back with half its speed
            state.marks["knock"] = state.time_s
            state.speed *= -0.5
            return "turn"
        return "edge"

    def _turn(self) -> None:
        state = self.state
        if "knock" not in state.marks:
            state.speed = 0.0
        self.turn_angle = state.angle
        state.side = -state.side
        state.number += 1
        self.at_turn = True

    def _change(self, change: Change) -> Iterator[Beat]:
        state = self.state
        if isinstance(change, DriveChange):
            state.drive = change.factor
        elif isinstance(change, BeatShift):
            self.shifts.append(change.by_deg)
        elif isinstance(change, Halt):
            if state.marks:
                yield _beat(state, math.nan)
            self.halted = True
        else:
            side, marks = state.side, state.marks
            _kick(state, change, self.omega, self.half_lift)
            if state.side != side:
                if marks:
                    yield _beat(replace(state, side=side), math.nan)
                state.marks, self.turn_angle = {}, state.angle


def _beat(state: _State, turn_angle: float) -> Beat:
    marks = state.marks
    nan = math.nan
    return Beat(
        number=state.number,
        side="b" if state.side > 0 else "a",
        contact_s=marks.get("contact", nan),
        unlocking_s=marks.get("unlocking", nan),
        middle_s=marks.get("middle", nan),
        drop_s=marks.get("drop", nan),
        turn_s=state.time_s,
        arc_deg=math.degrees(abs(state.angle - turn_angle)),
        offset_deg=state.offset,
        push_deg=math.degrees(state.push),
        knock_s=marks.get("knock", nan),
    )


def _kick(state: _State, knock: CaseKnock, omega: float, half_lift: float) -> None:
    state.angle += math.radians(knock.angle_deg)
    state.speed += math.radians(knock.speed_deg_per_s) / omega
    middle = math.radians(state.offset)
    if state.speed == 0:
        return
    side = 1 if state.speed > 0 else -1
    along = side * (state.angle - middle)
    if along < -half_lift:
        state.phase = "approach"
    elif along < half_lift and side == state.side and state.phase in ("unlock", "push"):
        state.phase = "push"
    else:
        state.phase = "leave"
    state.side = side
