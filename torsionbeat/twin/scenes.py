"""Ready-made cases: a clock, a room and a recorder for each situation that a reading must handle.

Every scene is a function of a seed and a duration. The seed also draws the clock's build and its voices, so many seeds
make many clocks. The scene also states what a restorer would know (nominal period, lift).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from torsionbeat.twin.balance import Balance
from torsionbeat.twin.clock import TwinClock
from torsionbeat.twin.levels import at_sigmas
from torsionbeat.twin.parts import BeatShift, CaseKnock, Drive, DriveChange, Escapement, Halt
from torsionbeat.twin.recorder import Recorder
from torsionbeat.twin.rendering import Rendering, simulate
from torsionbeat.twin.room import Bangs, Drips, Fire, OtherClock, Room, Talk
from torsionbeat.twin.voices import VoiceSet

__all__ = ["SCENES", "Scene"]

MINUTE_S = 60.0  # seconds of a minute
DROPS = ("clear_ring", "bright_tooth", "dull_plate", "long_ring", "dry_knack")
CONTACTS = ("soft_pin", "thin_pin", "dry_knack", "slow_seat")
# A shop by day: a sentence a minute, a bang every two minutes.
BUSY = Room(talk=Talk(per_hour=60), bangs=Bangs(per_hour=30))


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything for one recording.

    Attributes
    ----------
    nominal_period_s, lift_deg : float or None
        Values that a restorer would state; None without a clock. The lift is also None where no contact is heard.
    suffix : str
        File ending of the scene (``.ogg`` for the lossy one).
    """

    name: str
    clock: TwinClock | None
    room: Room
    duration_s: float
    seed: int
    nominal_period_s: float | None = None
    lift_deg: float | None = None
    recorder: Recorder = field(default_factory=Recorder)
    second_clock: TwinClock | None = None
    suffix: str = ".flac"

    def render(self) -> Rendering:
        """The recording with its truth."""
        return simulate(
            self.clock,
            self.room,
            self.recorder,
            self.duration_s,
            self.seed,
            second_clock=self.second_clock,
        )


def sixty_second_clock(seed: int) -> TwinClock:
    """An air-pressure-wound kind: period about 60 s, arc 360 to 540 deg, contact and drop heard."""
    rng = np.random.default_rng([seed, 100])
    drops, contacts = rng.permutation(DROPS)[:2], rng.permutation(CONTACTS)[:2]
    period_s = 60.0 * (1 + 3e-4 * rng.standard_normal())
    return TwinClock(
        balance=Balance(period_s, q=float(rng.uniform(200, 500)), cubic_per_rad2=1.5e-5),
        escapement=Escapement(
            lift_deg=float(np.round(rng.uniform(18, 24), 1)), offset_deg=float(rng.uniform(-6, 6))
        ),
        drive=Drive(arc_deg=float(rng.uniform(360, 540)), wander_percent=1.0),
        voices=VoiceSet(
            drop_a=str(drops[0]),
            drop_b=str(drops[1]),
            contact_a=str(contacts[0]),
            contact_b=str(contacts[1]),
            drop_peak=0.08,
        ),
        start_s=-float(rng.uniform(0, 0.5)) * period_s,
        start_side=str(rng.choice(["a", "b"])),
    )


def four_hundred_day_clock(seed: int) -> TwinClock:
    """A 400-day kind: period 12 to 20 s, arc 240 to 400 deg, only the drop heard."""
    clock = sixty_second_clock(seed)
    rng = np.random.default_rng([seed, 101])
    nominal_s = float(rng.choice([12.0, 15.0, 20.0]))
    period_s = nominal_s * (1 + 5e-4 * rng.standard_normal())
    return replace(
        clock,
        balance=Balance(period_s, q=float(rng.uniform(200, 400)), cubic_per_rad2=1.5e-5),
        escapement=replace(clock.escapement, lift_deg=float(np.round(rng.uniform(10, 16), 1))),
        drive=Drive(arc_deg=float(rng.uniform(240, 400)), wander_percent=1.0),
        sounds=("drop",),
        start_s=-float(rng.uniform(0, 0.5)) * period_s,
    )


def _scene(
    name: str, clock: TwinClock | None, room: Room, duration_s: float, seed: int, **more: object
) -> Scene:
    nominal_s = lift_deg = None
    if clock is not None:
        options = np.array([12.0, 15.0, 20.0, 60.0])
        nominal_s = float(options[np.argmin(np.abs(options - clock.balance.period_s))])
        lift_deg = clock.escapement.lift_deg if "contact" in clock.sounds else None
    return Scene(name, clock, room, duration_s, seed, nominal_s, lift_deg, **more)  # type: ignore[arg-type]


def clear(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """A 60 s clock close to the microphone in a workshop where people talk and things fall."""
    clock, room = at_sigmas(sixty_second_clock(seed), BUSY, drop_sigma=2000, contact_sigma=300)
    return _scene("clear", clock, room, duration_s, seed)


def noisy(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Drop 10 and contact 4 sigma above the noise, talk and bangs.

    In two of these a stock onset detector (librosa's, window 50 ms) found 26 % of the events, and 92 % of its
    detections were false.
    """
    clock, room = at_sigmas(sixty_second_clock(seed), BUSY, drop_sigma=10, contact_sigma=4)
    return _scene("noisy", clock, room, duration_s, seed)


def buried(seed: int = 0, duration_s: float = 90 * MINUTE_S) -> Scene:
    """Contact under the noise (1.5 sigma), drop just at it (4 sigma), talk and bangs."""
    clock, room = at_sigmas(sixty_second_clock(seed), BUSY, drop_sigma=4, contact_sigma=1.5)
    return _scene("buried", clock, room, duration_s, seed)


def _with_other(name: str, other: OtherClock, seed: int, duration_s: float) -> Scene:
    clock, room = at_sigmas(
        sixty_second_clock(seed), replace(BUSY, others=(other,)), drop_sigma=500, contact_sigma=80
    )
    return _scene(name, clock, room, duration_s, seed)


def quartz_room(seed: int = 0, duration_s: float = 40 * MINUTE_S, level_db: float = -3.0) -> Scene:
    """A quartz clock ticks every second, at `level_db` relative to the drop."""
    rate_ppm = float(np.random.default_rng([seed, 102]).uniform(-10, 10))
    return _with_other("quartz_room", OtherClock(1.0, level_db, rate_ppm=rate_ppm), seed, duration_s)


def pendulum_room(seed: int = 0, duration_s: float = 40 * MINUTE_S, level_db: float = -3.0) -> Scene:
    """A pendulum clock beats every 0.9 s and limps."""
    other = OtherClock(0.9, level_db, 25.0, "wood_knock", "dull_plate", rate_ppm=150, jitter_ms=0.4)
    return _with_other("pendulum_room", other, seed, duration_s)


def balance_room(seed: int = 0, duration_s: float = 40 * MINUTE_S, level_db: float = -10.0) -> Scene:
    """A small alarm clock beats five times a second."""
    other = OtherClock(0.2, level_db, 2.0, "thin_pin", "dry_knack", rate_ppm=-230, jitter_ms=0.3)
    return _with_other("balance_room", other, seed, duration_s)


def two_torsion_clocks(seed: int = 0, duration_s: float = 40 * MINUTE_S, level_db: float = -6.0) -> Scene:
    """A second torsion clock of the 400-day kind in the same room."""
    clock, room = at_sigmas(sixty_second_clock(seed), BUSY, drop_sigma=500, contact_sigma=80)
    second = four_hundred_day_clock(seed + 1)
    second = replace(
        second, voices=replace(second.voices, drop_peak=clock.voices.drop_peak * 10 ** (level_db / 20))
    )
    return _scene("two_torsion_clocks", clock, room, duration_s, seed, second_clock=second)


def _with_clock(name: str, seed: int, duration_s: float, change: Callable[[TwinClock], TwinClock]) -> Scene:
    plain = clear(seed, duration_s)
    assert plain.clock is not None
    return replace(plain, name=name, clock=change(plain.clock))


def changing_arc(seed: int = 0, duration_s: float = 60 * MINUTE_S) -> Scene:
    """The balance is released 90 deg below its steady arc, and the arc still grows."""

    def slow_start(clock: TwinClock) -> TwinClock:
        steady = clock.drive.arc_deg or 400.0
        return replace(clock, balance=replace(clock.balance, q=150.0), start_arc_deg=steady - 90)

    return _with_clock("changing_arc", seed, duration_s, slow_start)


def drive_lost(seed: int = 0, duration_s: float = 60 * MINUTE_S) -> Scene:
    """The drive is lost half way, and the balance swings down freely."""
    return _with_clock(
        "drive_lost",
        seed,
        duration_s,
        lambda clock: replace(clock, changes=(DriveChange(duration_s / 2, 0.0),)),
    )


def drive_regained(seed: int = 0, duration_s: float = 90 * MINUTE_S) -> Scene:
    """The drive fails for the middle third."""
    both = (DriveChange(duration_s / 3, 0.0), DriveChange(2 * duration_s / 3, 1.0))
    return _with_clock("drive_regained", seed, duration_s, lambda clock: replace(clock, changes=both))


def beat_shift(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """The beat setting slips by 4 deg half way."""
    slip = (BeatShift(duration_s / 2, 4.0),)
    return _with_clock("beat_shift", seed, duration_s, lambda clock: replace(clock, changes=slip))


def case_knock(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """A knock against the case half way makes the balance jump."""
    knock = (CaseKnock(duration_s / 2 + 7.0, angle_deg=3.0, speed_deg_per_s=2.0),)
    return _with_clock("case_knock", seed, duration_s, lambda clock: replace(clock, changes=knock))


def stopped(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """The clock stops half way."""
    return _with_clock(
        "stopped", seed, duration_s, lambda clock: replace(clock, changes=(Halt(duration_s / 2),))
    )


def extra_sounds(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Unlocking is heard between contact and drop, banking after the drop."""
    all_four = ("contact", "unlocking", "drop", "banking")
    return _with_clock("extra_sounds", seed, duration_s, lambda clock: replace(clock, sounds=all_four))


def four_hundred_day(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """A 400-day clock, drop only, clear."""
    clock, room = at_sigmas(four_hundred_day_clock(seed), BUSY, drop_sigma=2000)
    return _scene("four_hundred_day", clock, room, duration_s, seed)


def four_hundred_day_noisy(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """A 400-day clock, drop 10 sigma above the noise."""
    clock, room = at_sigmas(four_hundred_day_clock(seed), BUSY, drop_sigma=10)
    return _scene("four_hundred_day_noisy", clock, room, duration_s, seed)


def gaps(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Three stretches of digital silence, 3 to 40 s long."""
    holes = tuple(
        (part * duration_s, part * duration_s + length) for part, length in ((0.2, 3), (0.45, 40), (0.8, 9))
    )
    return replace(clear(seed, duration_s), name="gaps", recorder=Recorder(silences=holes))


def lost_samples(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Half way 16 s are not written: later sounds are too early in the file."""
    lost = ((duration_s / 2, duration_s / 2 + 16.0),)
    return replace(clear(seed, duration_s), name="lost_samples", recorder=Recorder(losses=lost))


def clipped(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Recorded far too loud, with a constant offset: every drop hits the limit."""
    return replace(clear(seed, duration_s), name="clipped", recorder=Recorder(gain_db=32.0, dc=0.02))


def phone16k(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """A voice recording by telephone: 16 kHz, 150 to 7000 Hz."""
    taken = Recorder(sample_rate_hz=16_000, band_hz=(150.0, 7000.0))
    return replace(clear(seed, duration_s), name="phone16k", recorder=taken)


def phone8k(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """A narrow-band telephone: 8 kHz, 300 to 3400 Hz."""
    taken = Recorder(sample_rate_hz=8_000, band_hz=(300.0, 3400.0))
    return replace(clear(seed, duration_s), name="phone8k", recorder=taken)


def lossy(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Recorded in a lossy format."""
    return replace(clear(seed, duration_s), name="lossy", suffix=".ogg")


def stereo(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """Two channels, the clock louder in the first."""
    return replace(clear(seed, duration_s), name="stereo", recorder=Recorder(channels=2))


def fast_crystal(seed: int = 0, duration_s: float = 40 * MINUTE_S) -> Scene:
    """The recorder's crystal runs 60 ppm fast."""
    return replace(clear(seed, duration_s), name="fast_crystal", recorder=Recorder(crystal_ppm=60.0))


def _empty(name: str, room: Room, seed: int, duration_s: float) -> Scene:
    return _scene(name, None, room, duration_s, seed)


def quiet_room(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No clock: a quiet room with a little hum."""
    return _empty("quiet_room", Room(hum_rms=3e-4), seed, duration_s)


def rain(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No clock: rain on the roof."""
    return _empty("rain", Room(rain_rms=0.02), seed, duration_s)


def fire(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No clock: a crackling fire."""
    return _empty("fire", Room(pink_rms=3e-3, fire=Fire()), seed, duration_s)


def drip(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No clock: a dripping tap."""
    return _empty("drip", Room(drips=Drips()), seed, duration_s)


def speech(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No clock: people talking all the time, and bangs."""
    return _empty("speech", Room(talk=Talk(per_hour=700), bangs=Bangs(per_hour=60)), seed, duration_s)


def quartz_alone(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No torsion clock: a quartz clock and nothing else."""
    return _empty("quartz_alone", Room(others=(OtherClock(),)), seed, duration_s)


def ordinary_clocks(seed: int = 0, duration_s: float = 20 * MINUTE_S) -> Scene:
    """No torsion clock: a quartz clock, and for even seeds a balance, for odd ones a pendulum."""
    second = (
        OtherClock(0.2, -6.0, 2.0, "thin_pin", "dry_knack", rate_ppm=-230, jitter_ms=0.3)
        if seed % 2 == 0
        else OtherClock(0.6, -3.0, 25.0, "wood_knock", "dull_plate", rate_ppm=150, jitter_ms=0.4)
    )
    return _empty("ordinary_clocks", Room(others=(OtherClock(), second)), seed, duration_s)


SCENES: dict[str, Callable[..., Scene]] = {
    make.__name__: make
    for make in (
        clear,
        noisy,
        buried,
        quartz_room,
        pendulum_room,
        balance_room,
        two_torsion_clocks,
        changing_arc,
        drive_lost,
        drive_regained,
        beat_shift,
        case_knock,
        stopped,
        extra_sounds,
        four_hundred_day,
        four_hundred_day_noisy,
        gaps,
        lost_samples,
        clipped,
        phone16k,
        phone8k,
        lossy,
        stereo,
        fast_crystal,
        quiet_room,
        rain,
        fire,
        drip,
        speech,
        quartz_alone,
        ordinary_clocks,
    )
}
