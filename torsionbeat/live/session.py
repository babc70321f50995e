"""Live listening: connects the microphone, the keeper, the listener and the figures.

Input: a source of blocks, a clock, and optionally a keeper. Output: the state of the night about once a second, and at
the end its reading. This module displays nothing. The figures depend on the count of frames, so a replayed night gives the
same reading as a live one. The state depends on time, so a missing microphone is noticed.

A request for figures costs the listener about a second for each hour of sound. So requests come at growing intervals: they
take 0.6 % of the time, and in the first minutes a little more.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from torsionbeat.errors import DeviceError, NothingHeardError
from torsionbeat.hearing.heard import Heard, VoiceProfile
from torsionbeat.hearing.listener import Listener
from torsionbeat.live.beat_windows import BeatKeeping
from torsionbeat.live.level import Level, LevelMeter
from torsionbeat.reading.figures import Clock, Reading
from torsionbeat.reading.measuring import reading_of
from torsionbeat.reading.movement import with_movement
from torsionbeat.sound.block import Block
from torsionbeat.sound.keeper import Keeper
from torsionbeat.sound.remarks import Remark, as_remark
from torsionbeat.sound.timebase import Timebase
from torsionbeat.tracks.reference import ReferenceEar

__all__ = [
    "AWAY_S",
    "STATE_S",
    "Asking",
    "LiveResult",
    "LiveState",
    "Source",
    "first_asking",
    "listen_live",
    "moments_of",
    "silent_s",
]

ASKING_SHARE = 0.006
"""Share of one core that requests for figures may take: taking the sound down and hearing it take 2.1 % at 48 kHz, and all
together stays below 3 %."""

ASKING_AHEAD_S = 60.0
"""The first figures may come as early as if this much had been heard already."""

LONGEST_BETWEEN_S = 300.0
"""Longest interval between two requests (s), unless their cost makes it longer: late in a long night one takes seconds."""
SHORTEST_BETWEEN_S = 10.0
"""More frequent figures cost the computer more than they are worth."""
GROWTH = 0.25
"""Figures are recalculated after a quarter more sound: the total work of a night is then a few times its last."""
UNKNOWN_PERIOD_S = 12.0
"""First assumed period where none is given: that of the fastest 400-day kinds."""

AWAY_S = 2.0
"""A microphone that has delivered nothing for this long is shown as gone: no sound system holds back more than a second."""

STATE_S = 1.0
"""Interval between reports of the state while nothing arrives."""

WITHDRAWN = " The figures shown before are no longer sure."
"""Added if the newest request gives no figures: with few beats, one more can make two accounts possible."""

LUMP_S = 0.25
"""Sound taken in at once: a block of 43 ms costs as much to hand on as one of 250 ms. A kill loses this much more."""


class Source(Protocol):
    """Source of sound: a live microphone, or anything that behaves like one."""

    name: str
    sample_rate_hz: float
    channels: int
    on_event: Callable[..., None] | None

    @property
    def remarks(self) -> Sequence[str]:
        """Plain sentences on the faults so far."""

    @property
    def timebase(self) -> Timebase:
        """The recorder's crystal as known so far."""

    def blocks(self) -> Iterable[Block]:
        """Blocks as they arrive."""


@dataclass(frozen=True, slots=True)
class LiveState:
    """The night so far.

    Attributes
    ----------
    heard_s, planned_s : float
        Length so far, lost stretches included; planned length, or None.
    level : Level
    away : bool
        The microphone is away, or has delivered nothing for two seconds.
    silent_s : float
        Time for which it has delivered nothing, by the computer's clock; 0 while sound arrives.
    reading : Reading or None
        The latest figures, requested at ``reading_at_s``; None where no clock is heard yet: ``why`` gives the reason.
    standing_db : float or None
        Level of the drops above the room.
    remarks : tuple of Remark
        Faults of microphone and disk so far.
    kept : str
        Name of the folder in which the sound is kept; empty where nothing is, or no longer.
    voices : tuple of VoiceProfile
        Mean sounds of contact and drop, from the same moment as the reading; only in the process that listens.
    """

    heard_s: float = 0.0
    planned_s: float | None = None
    level: Level = Level()
    away: bool = False
    reading: Reading | None = None
    reading_at_s: float = 0.0
    why: str = "Nothing has been measured yet."
    standing_db: float | None = None
    remarks: tuple[Remark, ...] = ()
    kept: str = ""
    silent_s: float = 0.0
    voices: tuple[VoiceProfile, ...] = ()


@dataclass(frozen=True, slots=True)
class LiveResult:
    """The reading of a night, or the reason why there is none; the sounds heard; the length of the night.

    ``failure`` is the reason why keeping, or the whole night, ended early; empty if it did not. ``kept`` is the name of
    the folder in which sound is kept, empty if it holds none.
    """

    reading: Reading | None
    heard: Heard
    heard_s: float
    why: str = ""
    remarks: tuple[Remark, ...] = ()
    failure: str = ""
    kept: str = ""


@dataclass(slots=True)
class Asking:
    """Schedule of requests to the listener. Times in seconds of sound; cost in seconds of work."""

    next_s: float
    least_s: float
    spent_s: float = 0.0

    def asked(self, at_s: float, cost_s: float, period_s: float | None) -> None:
        """Plan the next request, after one at ``at_s`` that cost ``cost_s`` and found a clock of ``period_s``, or none.

        Parameters
        ----------
        at_s, cost_s : float
        period_s : float or None
        """
        self.spent_s += cost_s
        least_s = self.least_s if period_s is None else max(SHORTEST_BETWEEN_S, 2 * period_s)
        wanted_s = at_s + min(max(GROWTH * at_s, least_s), LONGEST_BETWEEN_S)
        # the work so far and the next request, assumed as costly as this one, stay within the share
        afforded_s = (self.spent_s + cost_s) / ASKING_SHARE - ASKING_AHEAD_S
        self.next_s = max(wanted_s, afforded_s)


def first_asking(nominal_period_s: float | None) -> Asking:
    """The schedule of a night that begins, with its first request."""
    first_s = 2.2 * (nominal_period_s or UNKNOWN_PERIOD_S)
    return Asking(max(first_s, SHORTEST_BETWEEN_S), max(first_s / 2.2, SHORTEST_BETWEEN_S))


class _Night:
    """One night in progress."""

    def __init__(
        self,
        source: Source,
        clock: Clock,
        keeper: Keeper | None,
        planned_s: float | None,
        reference: ReferenceEar | None,
        work_clock: Callable[[], float],
    ) -> None:
        self.source, self.clock, self.keeper = source, clock, keeper
        self.reference = reference
        self.planned_s, self._work_clock = planned_s, work_clock
        self.rate_hz = source.sample_rate_hz
        self.listener = Listener(self.rate_hz, source.channels, nominal_period_s=clock.nominal_period_s)
        self.name = keeper.folder.name if keeper is not None else source.name
        self.recorder = str(getattr(source, "recorder", ""))
        self._waiting: list[Block] = []
        self.away = False
        self.shown_s = time.monotonic()
        self.meter = LevelMeter.of(self.rate_hz)
        self.asking = first_asking(clock.nominal_period_s)
        self.beats = BeatKeeping(keeper) if keeper is not None and keeper.keeps == "beats" else None
        self.reading: Reading | None = None
        self.shown = False
        self.reading_at_s = 0.0
        self.standing_db: float | None = None
        self.voices: tuple[VoiceProfile, ...] = ()
        self.why = "Listening; the first figures need a few swings."
        self.failure = ""
        self.no_reference = ""
        self.stumble = ""

    def note(self, what: str, **details: object) -> None:
        if what in ("device lost", "device back"):
            self.away = what == "device lost"
        if self.keeper is not None:
            self._keeping(lambda: self.keeper.note(what, **details))  # type: ignore[union-attr]

    def _keeping(self, what: Callable[[], None]) -> None:
        """Do something with the keeper; if the disk fails, listening continues without it."""
        try:
            what()
        except DeviceError as error:
            self.fail(f"{error}. Listening went on without keeping.")
            self.keeper = self.beats = None

    def fail(self, why: str) -> None:
        self.failure = why[:1].upper() + why[1:]

    def take(self, block: Block) -> bool:
        """Collect blocks, and take them in when enough wait; True when there is something new to show."""
        new = False
        if self._waiting and block.start_frame != self._waiting[-1].stop_frame:
            new = self.take_waiting()
        self._waiting.append(block)
        if block.stop_frame - self._waiting[0].start_frame >= LUMP_S * self.rate_hz:
            new |= self.take_waiting()
        return new

    def take_waiting(self) -> bool:
        """Take in the blocks that wait; True when there is something new to show."""
        if not self._waiting:
            return False
        samples = [block.samples for block in self._waiting]
        block = Block(self._waiting[0].start_frame, np.concatenate(samples) if samples[1:] else samples[0])
        self._waiting.clear()
        if self.keeper is not None:
            self._keeping(lambda: self.keeper.hear(block))  # type: ignore[union-attr]
        self.listener.feed(block.samples, block.start_frame)
        if self.reference is not None:
            self.reference.feed(block.samples, block.start_frame)
        if self.beats is not None:
            self._keeping(lambda: self.beats.heard_to(block.stop_frame))  # type: ignore[union-attr]
        new = self.meter.take(block.samples)
        if self.heard_s >= self.asking.next_s:
            self.ask()
            new = True
        return new

    def wait(self) -> bool:
        """Note that nothing has arrived; True when there is something to show, new or again."""
        new, now_s = self.take_waiting(), time.monotonic()
        if now_s - self.shown_s < STATE_S:
            return new
        self.shown_s = now_s
        return True

    @property
    def silent_s(self) -> float:
        since_s = silent_s(self.source)
        return since_s if since_s >= STATE_S else 0.0

    @property
    def heard_s(self) -> float:
        return self.listener.samples / self.rate_hz

    def ask(self) -> None:
        begun = self._work_clock()
        period_s = None
        try:
            heard = self.listener.heard_so_far()
            self.measure(heard)
            period_s = None if heard.period_samples is None else heard.period_samples / self.rate_hz
            self.stumble = ""
        except Exception as error:  # any error: the night's sound is worth more than the figures so far
            self.stumble = (
                f"The figures so far could not be worked out ({type(error).__name__}: {error}); "
                "the sound is taken down all the same. Tell the makers."
            )
        self.asking.asked(self.heard_s, self._work_clock() - begun, period_s)

    def measure(self, heard: Heard) -> None:
        self.reading_at_s = self.heard_s
        self.standing_db, self.voices = heard.standing_db, heard.voices
        if self.beats is not None:
            self.beats.found(heard)
        timebase = self.timebase(heard)
        try:
            self.reading = reading_of(heard, self.clock, timebase, self.name, self.remarks(), self.recorder)
            self.why, self.shown = "", True
        except NothingHeardError as error:
            self.reading = None
            self.why = f"{error}{WITHDRAWN if self.shown else ''}"

    def measure_at_last(self, heard: Heard) -> None:
        """The night's reading; after any error the night's sound stays and ``why`` gives the reason."""
        try:
            self.measure(heard)
            if self.reading is not None:
                self.reading = with_movement(self.reading, heard)
        except Exception as error:
            self.reading = None
            self.why = (
                f"The night's figures could not be worked out ({type(error).__name__}: {error}); "
                "what was heard is kept, where it was to be. Tell the makers."
            )

    def timebase(self, heard: Heard) -> Timebase:
        """The timebase by the reference ticks if they are wanted and heard, else by the computer's clock."""
        if self.reference is None:
            return self.source.timebase
        timebase, self.no_reference = self.reference.timebase_or(self.source.timebase, heard.sounds.sample)
        if not self.no_reference:
            ppm, doubt_ppm = timebase.offset_ppm, timebase.standard_uncertainty_ppm
            self.note("reference", offset_ppm=ppm, standard_uncertainty_ppm=doubt_ppm)
        return timebase

    def remarks(self) -> tuple[Remark, ...]:
        return (
            *map(as_remark, self.source.remarks),
            *(
                Remark(code, text)
                for code, text in (
                    ("reference-not-heard", self.no_reference),
                    ("figures-failed", self.stumble),
                    ("keeping-failed", self.failure),
                )
                if text
            ),
        )

    def state(self) -> LiveState:
        return LiveState(
            self.heard_s,
            self.planned_s,
            Level() if self.silent_s else self.meter.level,
            self.away or self.silent_s >= AWAY_S,
            self.reading,
            self.reading_at_s,
            self.why,
            self.standing_db,
            self.remarks(),
            self.kept(),
            self.silent_s,
            self.voices,
        )

    def kept(self) -> str:
        return self.keeper.folder.name if self.keeper is not None and self.keeper.kept_frames else ""


def listen_live(
    source: Source,
    clock: Clock | None = None,
    *,
    keeper: Keeper | None = None,
    planned_s: float | None = None,
    reference: ReferenceEar | None = None,
    on_state: Callable[[LiveState], None] | None = None,
    work_clock: Callable[[], float] = time.thread_time,
) -> LiveResult:
    """Listen until the source ends, and measure.

    Parameters
    ----------
    source : Source
        A ``LiveSource``, open; ``source.stop()`` from anywhere ends the night.
    clock : Clock, optional
        Known data of the clock.
    keeper : Keeper, optional
        Keeps sound and journal. If it fails, listening continues, and a remark says so. It is left open.
    planned_s : float, optional
        End after this long, lost stretches included. A source that knows the time (``moments``) ends by it, so a
        device that delivers nothing ends too.
    reference : ReferenceEar, optional
        Hears a quartz clock in the same room, which then gives the recorder's crystal.
    on_state : callable, optional
        Called with the state about once a second, and at every new figure; blocks wait until it returns.
    work_clock : callable
        Seconds of work, which give the cost of a request.

    Raises
    ------
    DeviceError
        The microphone cannot be opened. One that fails later ends the night, which is then measured.
    """
    night = _Night(source, clock or Clock(), keeper, planned_s, reference, work_clock)
    source.on_event = night.note
    try:
        for block in moments_of(source, planned_s):
            new = night.wait() if block is None else night.take(block)
            if new and on_state is not None:
                on_state(night.state())
            if (
                block is not None
                and planned_s is not None
                and block.stop_frame >= planned_s * source.sample_rate_hz
            ):
                break
    except DeviceError as error:
        night.take_waiting()
        if not night.listener.samples:
            raise
        night.fail(f"{error}. The night ended there.")
    finally:
        # Otherwise source and night would keep each other, and the night's sound, in memory.
        source.on_event = None
    night.take_waiting()
    heard = night.listener.finish()
    night.stumble = ""
    night.measure_at_last(heard)
    if night.beats is not None:
        night._keeping(night.beats.finish)
    return LiveResult(
        night.reading, heard, night.heard_s, night.why, night.remarks(), night.failure, night.kept()
    )


def moments_of(source: Source, planned_s: float | None = None) -> Iterator[Block | None]:
    """Blocks, and None while nothing arrives, if the source knows the time.

    Parameters
    ----------
    source : Source
    planned_s : float, optional
        A source that knows the time ends by it.
    """
    moments = getattr(source, "moments", None)
    return iter(source.blocks()) if moments is None else moments(planned_s)


def silent_s(source: Source) -> float:
    """Time for which a source has delivered nothing (s), if known; else 0."""
    return float(getattr(source, "silent_s", 0.0))
