"""Where blocks that arrive live stand on the recording's time line, and where sound was lost between them.

In: blocks with the moment of their arrival. Out: the same blocks with their place, gaps before them, and
a ``ClockRow`` a second, that of the second's earliest block.

A sound system may lose sound without a word: only the count of frames against the clock shows it. A block
that is late may be just late (the next ones catch up) or stand behind a loss (they never do). So when a
block is later than the earliest of the last half minute by more than a limit, it and its followers are held
until one of them is in time again, or until two seconds have passed: then the least lateness among them is
the length of the gap.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from torsionbeat.sound.block import Block, Samples
from torsionbeat.sound.timebase import ClockRow, host_timebase

__all__ = ["Arrival", "Continuity", "Gap", "Placed"]

LATE_S = 0.15
"""A sound server may rearrange its buffers by tens of ms, which is no loss; above this it is one."""

LOSS_S = 0.005
"""Where the sound system itself reports a loss, lateness above this measures it."""

HOLD_S = 2.0
BASE_SECONDS = 30
SAME_S = 0.02
"""Blocks this close to the least lateness were recorded after the loss; later ones come from before it."""


class Arrival(NamedTuple):
    """A block as it came from the device.

    ``first_frame`` counts from the opening of the device, blocks that were dropped on the way included.
    """

    first_frame: int
    samples: Samples
    monotonic_ns: int
    utc_ns: int
    overflow: bool = False

    @property
    def stop_frame(self) -> int:
        return self.first_frame + len(self.samples)


class Gap(NamedTuple):
    """Nothing was heard from ``start_frame`` up to ``stop_frame``."""

    start_frame: int
    stop_frame: int
    why: str


class Placed(NamedTuple):
    """A block at its place, with what belongs before it."""

    block: Block
    gap: Gap | None
    row: ClockRow | None


class Continuity:
    """The time line of one live recording; frame 0 is the first that is used.

    Parameters
    ----------
    sample_rate_hz : float
    settle_s : float
        Sound left out after each opening of the device: its first blocks come at odd times.
    """

    def __init__(self, sample_rate_hz: float, settle_s: float = 2.0) -> None:
        self.rows: list[ClockRow] = []
        self.stop_frame = 0
        self._rate = sample_rate_hz
        self._settle_frames = int(settle_s * sample_rate_hz)
        self._stretch = 0
        self._earliest: ClockRow | None = None
        self._earliest_s = 0.0
        self._offset: int | None = None
        self._base_s: float | None = None
        self._least: deque[tuple[int, float]] = deque(maxlen=BASE_SECONDS)
        self._held: list[Arrival] = []
        self._reported = False
        self._why = ""
        self.begin("")

    def begin(self, why: str) -> list[Placed]:
        """The device was opened (again) and counts from 0; ``why`` sound is missing in between.

        Returns what was held of the sound before.
        """
        placed = self.flush()
        if self._offset is not None:
            self._base_s = self._base()
        self._offset = None
        self._least.clear()
        self._settling_s: float | None = None
        self._why = why
        return placed

    def take(self, arrival: Arrival) -> list[Placed]:
        """Place a block, together with those that were held for it; an empty list while it is not decided."""
        if self._offset is None and not self._settled(arrival):
            return []
        late_s = self._lag(arrival) - self._base()
        self._reported |= arrival.overflow
        if not self._held and not self._reported and late_s < LATE_S:
            return [self._place(arrival)]
        self._held.append(arrival)
        if late_s < LATE_S and not self._reported:
            return self._release()
        if (arrival.monotonic_ns - self._held[0].monotonic_ns) * 1e-9 < HOLD_S:
            return []
        return self.flush()

    def flush(self) -> list[Placed]:
        """Decide on what is held with what is known now."""
        if not self._held:
            return []
        least_s = min(self._lag(arrival) for arrival in self._held)
        excess_s = least_s - self._base()
        frames = round(excess_s * self._rate * self._true_rate())
        lost = frames if excess_s > (LOSS_S if self._reported else LATE_S) else 0
        if self._reported:
            lost = max(lost, 1)
        if not lost:
            return self._release()
        after = 0
        while not self._reported and self._lag(self._held[after]) > least_s + SAME_S:
            after += 1
        placed = [self._place(arrival) for arrival in self._held[:after]]
        del self._held[:after]
        assert self._offset is not None
        self._offset += lost
        self._least.clear()
        self._least.append((0, least_s - lost / self._rate))
        self._why = "the sound system lost sound" if self._reported else "sound was lost without a word"
        return placed + self._release()

    def _release(self) -> list[Placed]:
        placed = [self._place(arrival) for arrival in self._held]
        self._held.clear()
        self._reported = False
        return placed

    def _place(self, arrival: Arrival) -> Placed:
        assert self._offset is not None
        start = arrival.first_frame + self._offset
        gap = None
        if start > self.stop_frame:
            gap = Gap(self.stop_frame, start, self._why or "the computer was too busy to take the sound")
            self._stretch += 1
        self._why = ""
        self.stop_frame = start + len(arrival.samples)
        second, lag_s = arrival.monotonic_ns // 10**9, self._lag(arrival)
        row = None
        if self._earliest is not None and (gap or second > self._earliest.monotonic_ns // 10**9):
            row, self._earliest = self._earliest, None
            self.rows.append(row)
        if self._earliest is None or lag_s < self._earliest_s:
            self._earliest_s = lag_s
            self._earliest = ClockRow(self._stretch, self.stop_frame, arrival.monotonic_ns, arrival.utc_ns)
        if self._least and self._least[-1][0] == second:
            lag_s = min(lag_s, self._least.pop()[1])
        self._least.append((second, lag_s))
        return Placed(Block(start, arrival.samples), gap, row)

    def _settled(self, arrival: Arrival) -> bool:
        """Watch the first blocks of a device; then lay it on the time line by the earliest of them."""
        lag_s = arrival.monotonic_ns * 1e-9 - arrival.stop_frame / self._rate
        if self._settling_s is None or arrival.first_frame < self._settle_frames // 2:
            self._settling_s = lag_s  # the first half may come early as well as late
        self._settling_s = min(lag_s, self._settling_s)
        if arrival.first_frame < self._settle_frames:
            return False
        self._offset = -arrival.first_frame
        if self._base_s is not None:
            away_s = self._settling_s + arrival.first_frame / self._rate
            away_s -= self._base_s + self.stop_frame / self._rate
            self._offset += self.stop_frame + max(round(away_s * self._rate * self._true_rate()), 1)
        self._least.append((0, self._settling_s - self._offset / self._rate))
        return True

    def _lag(self, arrival: Arrival) -> float:
        """Moment of arrival less the moment that the count of frames stands for."""
        assert self._offset is not None
        return arrival.monotonic_ns * 1e-9 - (arrival.stop_frame + self._offset) / self._rate

    def _base(self) -> float:
        return min(lag_s for _, lag_s in self._least)

    def _true_rate(self) -> float:
        """Frames that the recorder counts in a second of the computer's clock, over the nominal rate."""
        found = host_timebase(self.rows, self._rate, True)
        return 1 + found.offset_ppm * 1e-6 if found.standard_uncertainty_ppm < 25 else 1.0
