"""A recording for practice, teaching and tests, from the names of a clock and a room and a few figures.

Input: a ``Demonstration``. Output: its rendering, with sound and truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from torsionbeat.errors import InputError
from torsionbeat.twin.balance import Balance
from torsionbeat.twin.clock import TwinClock
from torsionbeat.twin.levels import at_sigmas
from torsionbeat.twin.parts import Drive, DriveChange, Escapement
from torsionbeat.twin.recorder import Recorder
from torsionbeat.twin.rendering import Rendering, simulate
from torsionbeat.twin.room import Bangs, Drips, Fire, OtherClock, Room, Talk
from torsionbeat.twin.voices import VoiceSet

__all__ = ["PERIODS_S", "ROOMS", "Demonstration", "demonstrate"]

PERIODS_S = {"60s": 60.0, "20s": 20.0, "15s": 15.0, "12s": 12.0}
"""Kinds of clocks and their periods. The first has audible contact and drop, the others (400-day kinds) the drop only."""

ROOMS = {
    "quiet": "a quiet room",
    "workshop": "a workshop where people talk and things fall",
    "noisy": "a noisy workshop",
    "buried": "a loud workshop that buries the contacts",
    "quartz": "a room with a quartz clock",
    "pendulum": "a room with a pendulum clock",
    "alarm": "a room with a small alarm clock",
    "rain": "a room under rain",
    "fire": "a room with a crackling fire",
    "drip": "a room with a dripping tap",
    "talk": "a room full of talk",
}
"""Rooms by name, with their description in words."""

SIGMAS = {"quiet": (20_000, 4_000), "workshop": (2_000, 300), "noisy": (10, 4), "buried": (4, 1.5)}
"""Level of drop and contact above the room's noise, in standard deviations of the noise; other rooms have 500 and 80."""


@dataclass(frozen=True, slots=True)
class Demonstration:
    """The recording to make.

    Parameters
    ----------
    kind : str
        A key of ``PERIODS_S``.
    period_s : float or None
        Nominal period; None: the kind's.
    rate_s_per_day : float
        Rate of the clock at its steady arc.
    lift_deg, offset_deg : float
    arc_deg, start_arc_deg : float or None
        Steady arc (end to end), and arc at which the balance is released. None: that of the kind, and the steady arc.
    q : float
    wander_percent : float
        Wander of the drive.
    drop_peak : float
        Loudness of the drop: its peak, 1 is full scale.
    jitter_ms : float
    drive_lost_at_min : float or None
    duration_s : float
    room : str
        A key of ``ROOMS``.
    has_clock : bool
    recorder : Recorder
    seed : int
        The same seed gives the same recording.
    """

    kind: str = "60s"
    period_s: float | None = None
    rate_s_per_day: float = 0.0
    lift_deg: float = 20.0
    arc_deg: float | None = None
    offset_deg: float = 0.0
    q: float = 300.0
    start_arc_deg: float | None = None
    wander_percent: float = 1.0
    drop_peak: float = 0.08
    jitter_ms: float = 0.5
    drive_lost_at_min: float | None = None
    duration_s: float = 1200.0
    room: str = "workshop"
    has_clock: bool = True
    recorder: Recorder = Recorder()
    seed: int = 0

    def __post_init__(self) -> None:
        if self.kind not in PERIODS_S:
            raise InputError(f"there is no kind {self.kind!r}: choose from {', '.join(PERIODS_S)}.")
        if self.room not in ROOMS:
            raise InputError(f"there is no room {self.room!r}: choose from {', '.join(ROOMS)}.")
        if not abs(self.rate_s_per_day) <= 20_000:
            raise InputError(
                f"a rate of {self.rate_s_per_day:g} s/day is outside -20000 to 20000: more than that is no clock."
            )
        if self.seed < 0:
            raise InputError(f"seed {self.seed} is negative: give 0 or more.")

    @property
    def nominal_period_s(self) -> float:
        """Period at which the train keeps time."""
        return PERIODS_S[self.kind] if self.period_s is None else self.period_s

    @property
    def room_words(self) -> str:
        """The room in words."""
        return ROOMS[self.room]


def demonstrate(what: Demonstration) -> Rendering:
    """Make a demonstration; its ``write`` puts sound and truth on the disk.

    Parameters
    ----------
    what : Demonstration

    Raises
    ------
    InputError
        A figure that is impossible for a clock, room or recorder.
    """
    clock, room = _in_room(_clock(what), what.room)
    return simulate(clock if what.has_clock else None, room, what.recorder, what.duration_s, what.seed)


def _clock(what: Demonstration) -> TwinClock:
    nominal_s, sixty = what.nominal_period_s, what.kind == "60s"
    ringing = VoiceSet("long_ring", "dull_plate", "dry_knack", "soft_pin")
    arc_deg = what.arc_deg if what.arc_deg is not None else (440.0 if sixty else 300.0)
    lost_at = what.drive_lost_at_min
    clock = TwinClock(
        balance=Balance(nominal_s, q=what.q, cubic_per_rad2=1.5e-5),
        escapement=Escapement(
            lift_deg=what.lift_deg, offset_deg=what.offset_deg, unlocking_deg=what.lift_deg / 10
        ),
        drive=Drive(arc_deg=arc_deg, wander_percent=what.wander_percent),
        voices=replace(ringing if what.seed % 2 else VoiceSet(), drop_peak=what.drop_peak),
        sounds=("contact", "drop") if sixty else ("drop",),
        jitter_ms=what.jitter_ms,
        start_arc_deg=what.start_arc_deg,
        start_s=-0.1 * nominal_s,
        changes=() if lost_at is None else (DriveChange(60 * lost_at, 0.0),),
    )
    return clock.with_period(nominal_s / (1 + what.rate_s_per_day / 86_400))


def _in_room(clock: TwinClock, name: str) -> tuple[TwinClock, Room]:
    """The room by its name, and the clock with its level there."""
    busy = Room(talk=Talk(), bangs=Bangs())
    rooms = {
        "quiet": Room(),
        "quartz": replace(busy, others=(OtherClock(rate_ppm=4.0),)),
        "pendulum": replace(busy, others=(OtherClock(0.9, -3.0, 25.0, "wood_knock", "dull_plate", 150.0),)),
        "alarm": replace(busy, others=(OtherClock(0.2, -10.0, 2.0, "thin_pin", "dry_knack", -230.0),)),
        "rain": Room(rain_rms=0.01),
        "fire": replace(busy, fire=Fire()),
        "drip": replace(busy, drips=Drips()),
        "talk": Room(talk=Talk(per_hour=700), bangs=Bangs(per_hour=60)),
    }
    drop, contact = SIGMAS.get(name, (500, 80))
    return at_sigmas(
        clock,
        rooms.get(name, busy),
        drop_sigma=drop,
        contact_sigma=contact if "contact" in clock.sounds else None,
    )
