"""Listening live: a microphone as an endless recording.

Input: a device. Output: blocks at their place, as from a file, with gaps as jumps in ``start_frame``; the clock
rows from which the timebase is found; and events for the journal. The sound system's callback does nothing
but copy into a bounded queue. If a microphone goes away the source waits for it, and continues at the place given by
the clock.
"""

from __future__ import annotations

import contextlib
import platform
import queue
import threading
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, Self

from torsionbeat.errors import DeviceError
from torsionbeat.sound.block import Block, Samples, regrouped
from torsionbeat.sound.continuity import Arrival, Continuity, Gap, Placed
from torsionbeat.sound.devices import Backend, Device, PortAudio, Stream, find_device, hold_device, negotiated
from torsionbeat.sound.hostclock import HostClock, HostState
from torsionbeat.sound.remarks import Remark, clock_remarks, gap_remarks, timebase_remarks
from torsionbeat.sound.timebase import Timebase, host_timebase, unknown_timebase

__all__ = ["LiveSource"]

CLOCK_SET_S = 0.1
"""Smallest step of the clock of day that is reported: well above the delay of a busy computer between two readings."""

SYNCHRONISED_AGAIN_NS = 600 * 10**9
"""Interval between queries of the computer's clock state: a daemon of network time corrects it every one to 30 minutes."""

TICK_S = 0.1
"""Longest wait for the queue before the clock is checked: short enough to stop promptly."""

ENDING_SLACK_S = 1.0
"""Listening ends by the clock this much later than planned, so that a working device ends by its frames."""


class _Intake:
    """Copies blocks into a queue; runs in the sound system's own thread and must not wait."""

    def __init__(self, arrivals: queue.Queue[Arrival], clock: HostClock) -> None:
        self._arrivals = arrivals
        self._clock = clock
        self._frames = 0

    def __call__(self, samples: Samples, overflow: bool) -> None:
        first, self._frames = self._frames, self._frames + len(samples)
        clock = self._clock
        seen = clock.monotonic_ns(), clock.utc_ns(), overflow, clock.raw_ns()  # type: ignore[misc]
        arrival = Arrival(first, samples.copy(), *seen)
        with contextlib.suppress(queue.Full):  # the next block's count of frames shows what is missing
            self._arrivals.put_nowait(arrival)


class LiveSource:
    """A microphone being listened to; a context manager.

    Parameters
    ----------
    device : int or str, optional
        Number or part of the name; the default input if left out.
    sample_rate_hz, channels : float, int
        Requested settings; the attributes of the same name are those that the device accepted.
    block_frames : int
        Frames a block, always fixed.
    on_event : callable, optional
        Called with each event as ``Keeper.note`` takes it; may be set later as the attribute.
    silence_s : float
        A device that delivers nothing for this long counts as gone.
    settle_s : float
        Sound left out after each opening of the device.
    patience_s : float, optional
        Time to wait for a device that went away; no limit if left out.
    queue_blocks : int
        Blocks that may wait for a slow listener; any more are lost and become a gap.

    Raises
    ------
    DeviceError
        No such device, or it accepts none of the usual settings, or PortAudio is missing.
    """

    frames_stated = None
    path = None
    not_kept: tuple[tuple[int, int], ...] = ()

    def __init__(
        self,
        device: int | str | None = None,
        *,
        sample_rate_hz: float = 48_000,
        channels: int = 1,
        block_frames: int = 2048,
        on_event: Callable[..., None] | None = None,
        silence_s: float = 3.0,
        settle_s: float = 2.0,
        patience_s: float | None = None,
        queue_blocks: int = 1024,
        rejoin_every_s: float = 1.0,
        backend: Backend | None = None,
        clock: HostClock | None = None,
    ) -> None:
        self._backend = backend or PortAudio()
        self._clock = clock or HostClock()
        self.device = find_device(device, self._backend.devices())
        self.name = self.device.name
        self.recorder = f"{self.name} ({self.device.system}) at {platform.node() or 'this computer'}"
        # a stand-in for the sound system has no microphone that another program could hold
        self._hold = contextlib.ExitStack() if backend else hold_device(f"{self.name} ({self.device.system})")
        self.sample_rate_hz, self.channels = negotiated(self._backend, self.device, sample_rate_hz, channels)
        self._remarks: list[Remark] = []
        self._gaps: list[Gap] = []
        self._steps_s: list[float] = []
        if (self.sample_rate_hz, self.channels) != (sample_rate_hz, channels):
            self._remarks.append(
                Remark(
                    "device-settings",
                    f"{self.name} gives {self.sample_rate_hz:g} Hz and {self.channels} channels; "
                    f"{sample_rate_hz:g} Hz and {channels} were wanted.",
                )
            )
        self.on_event = on_event
        self._block_frames = block_frames
        self._silence_s, self._patience_s, self._rejoin_every_s = silence_s, patience_s, rejoin_every_s
        self._settle_s = settle_s
        self._begun_ns: int | None = None
        self._yielded_ns = 0
        self._last_arrival_s = time.monotonic()
        self._queue_blocks = queue_blocks
        self._queue: queue.Queue[Arrival] = queue.Queue()
        self._line = Continuity(self.sample_rate_hz, settle_s)
        self._stopped, self._ended = threading.Event(), threading.Event()
        self._stream: Stream | None = None
        self._away_since: float | None = None
        self._utc_ahead_ns: int | None = None
        self._synchronised: set[bool | None] = {self._clock.synchronised()}
        self._asked_ns = self._clock.monotonic_ns()
        self._host_states: list[HostState] = []
        self._host_noted = False
        self._fitted: tuple[int, Timebase] | None = None
        self._doubled_told = 0

    @property
    def remarks(self) -> list[Remark]:
        """Plain sentences on the faults so far."""
        rate_hz, doubled = self.sample_rate_hz, self._line.doubled_frames
        said = self._remarks + gap_remarks(self._gaps, rate_hz) + clock_remarks(self._steps_s)
        # by the last fit: a new one at each call would be expensive
        found = unknown_timebase() if self._fitted is None else self._fitted[1]
        return said + timebase_remarks(found, rate_hz, doubled)

    @property
    def synchronised(self) -> bool | None:
        """Whether network time kept the computer's clock throughout."""
        said = self._synchronised
        return False if False in said else True if said == {True} else None

    @property
    def timebase(self) -> Timebase:
        """The recorder's crystal as known so far; ``unknown`` in the first minute."""
        rows = len(self._line.rows)
        if self._fitted is None or self._fitted[0] != rows:
            found = host_timebase(
                self._line.rows, self.sample_rate_hz, self.synchronised, self._host_states, self._gaps
            )
            self._fitted = (rows, found)
        return self._fitted[1]

    @property
    def elapsed_s(self) -> float:
        """Seconds by the computer's clock from the opening of the device to the last block yielded; 0 before."""
        return 0.0 if self._begun_ns is None else (self._yielded_ns - self._begun_ns) * 1e-9

    @property
    def silent_s(self) -> float:
        """Seconds since the device last delivered anything, by the computer's clock."""
        return time.monotonic() - self._last_arrival_s

    def stop(self) -> None:
        """End the blocks soon; may be called from any thread or a signal handler."""
        self._stopped.set()

    def blocks(self, frames: int | None = None) -> Iterator[Block]:
        """Yield the sound until `stop`: as it arrives, or ``frames`` frames at a time.

        Raises
        ------
        DeviceError
            The device cannot be opened, or stayed away for longer than ``patience_s``.
        """
        heard = (block for block in self.moments() if block is not None)
        return heard if frames is None else regrouped(heard, frames)

    def moments(self, for_s: float | None = None) -> Iterator[Block | None]:
        """Yield the sound as it arrives, and None ten times a second while nothing arrives.

        So the caller can notice a device that delivers nothing: `silent_s` gives the time.

        Parameters
        ----------
        for_s : float, optional
            End this long after the device was opened (and settled), by the computer's clock, whatever has arrived.

        Raises
        ------
        DeviceError
            The device cannot be opened, or stayed away for longer than ``patience_s``.
        """
        try:
            self._open()
            self._begun_ns = self._yielded_ns = self._clock.monotonic_ns()
            self._last_arrival_s = time.monotonic()
            for block in self._heard():
                if block is None:
                    self._yielded_ns = self._clock.monotonic_ns()
                yield block
                if for_s is not None and self.elapsed_s >= for_s + self._settle_s + ENDING_SLACK_S:
                    self.stop()
        finally:
            self._shut()

    def _heard(self) -> Iterator[Block | None]:
        while not self._stopped.is_set():
            yield from self._blocks_until_lost()
            if not self._stopped.is_set():
                yield from self._told(self._line.begin("the microphone was away"))
                yield from self._rejoin()
        yield from self._told(self._line.flush())
        self._note_host()

    def _blocks_until_lost(self) -> Iterator[Block | None]:
        """Yield until stopped, or until the device ends or falls silent."""
        opened_s = time.monotonic()
        while not self._stopped.is_set():
            try:
                arrival = self._queue.get(timeout=TICK_S)
            except queue.Empty:
                silent_s = time.monotonic() - max(self._last_arrival_s, opened_s)
                if self._ended.is_set() or silent_s > self._silence_s:
                    return
                yield None
                continue
            self._last_arrival_s = time.monotonic()
            self._yielded_ns = arrival.monotonic_ns  # blocks in the queue are not counted yet
            if self._away_since is not None:
                self._away_since = None
                self._tell("device back", frame=self._line.stop_frame)
            self._watch_clock(arrival)
            if arrival.overflow:
                self._tell("overflow", frame=self._line.stop_frame)
            yield from self._told(self._line.take(arrival))
            if self._line.doubled_frames >= self._doubled_told + self.sample_rate_hz:
                self._tell_doubled()

    def _told(self, placed: list[Placed]) -> Iterator[Block]:
        for block, gap, row in placed:
            if gap is not None:
                self._gaps.append(gap)
                self._tell("gap", **gap._asdict())
            if row is not None:
                self._tell("clock", **row._asdict())
            yield block

    def _tell_doubled(self) -> None:
        self._doubled_told = self._line.doubled_frames
        self._tell("doubled", frame=self._line.stop_frame, frames=self._doubled_told)

    def _note_host(self) -> None:
        """Note the state of the computer's clock, if its system reports one."""
        if self._line.doubled_frames > self._doubled_told:
            self._tell_doubled()
        state = self._clock.state()  # type: ignore[misc]
        if state is not None:
            self._host_states.append(state)
            self._fitted = None
            self._tell("host clock", frame=self._line.stop_frame, **state._asdict())

    def _watch_clock(self, arrival: Arrival) -> None:
        if not self._host_noted:
            self._host_noted = True
            self._note_host()
        ahead_ns = arrival.utc_ns - arrival.monotonic_ns
        if self._utc_ahead_ns is not None:
            step_s = (ahead_ns - self._utc_ahead_ns) * 1e-9
            if abs(step_s) >= CLOCK_SET_S:
                self._steps_s.append(step_s)
                self._tell("clock set", frame=self._line.stop_frame, step_s=step_s)
        self._utc_ahead_ns = ahead_ns
        if arrival.monotonic_ns - self._asked_ns >= SYNCHRONISED_AGAIN_NS:
            self._asked_ns = arrival.monotonic_ns
            self._note_host()
            now = self._clock.synchronised()
            if now not in self._synchronised:
                self._synchronised.add(now)
                self._tell("network time", frame=self._line.stop_frame, synchronised=now)

    def _tell(self, what: str, **details: Any) -> None:
        if self.on_event is not None:
            self.on_event(what, **details)

    def _open(self) -> None:
        """Open the device with a queue of its own, so that an abandoned stream cannot add to it."""
        self._queue = queue.Queue(self._queue_blocks)
        self._ended = threading.Event()
        self._stream = self._backend.open(
            self.device,
            self.sample_rate_hz,
            self.channels,
            self._block_frames,
            _Intake(self._queue, self._clock),
            self._ended.set,
        )

    def _shut(self) -> None:
        """Abort, then close: a stop would wait for a device that delivers nothing."""
        stream, self._stream = self._stream, None
        if stream is not None:
            with contextlib.suppress(Exception):  # a device that is gone may raise anything here
                stream.abort()
            with contextlib.suppress(Exception):
                stream.close()

    def _rejoin(self) -> Iterator[None]:
        """Wait until the device is there again and open it; yield while waiting."""
        if self._away_since is None:
            self._away_since = time.monotonic()
            self._tell("device lost", frame=self._line.stop_frame)
        while not self._stopped.is_set():
            self._shut()
            if self._patience_s is not None and time.monotonic() - self._away_since > self._patience_s:
                raise DeviceError(
                    f"{self.name} went away and did not come back within {self._patience_s:g} s; "
                    "check its plug, then begin again"
                )
            with contextlib.suppress(DeviceError):
                self._backend.restart()
                self.device = self._same_device()
                self._open()
                return
            waited_to = time.monotonic() + self._rejoin_every_s
            while not self._stopped.is_set() and time.monotonic() < waited_to:
                yield None
                self._stopped.wait(min(TICK_S, self._rejoin_every_s))

    def _same_device(self) -> Device:
        """The device with the same name, whatever its number is now; DeviceError while it is away."""
        named = [device for device in self._backend.devices() if device.name == self.name]
        same = [device for device in named if device.system == self.device.system] or named
        device = find_device(same[0].number if same else self.name, self._backend.devices())
        if not self._backend.accepts(device, self.sample_rate_hz, self.channels):
            raise DeviceError(f"{self.name} no longer accepts {self.sample_rate_hz:g} Hz")
        return device

    def close(self) -> None:
        """Stop and release the device."""
        self.stop()
        self._shut()
        self._hold.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
