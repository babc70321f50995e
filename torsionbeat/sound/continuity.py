"""Places of live blocks on the recording's time line, and the losses of sound between them.

Input: blocks with the moment of their arrival. Output: the same blocks with their place, gaps before them, and
a ``ClockRow`` a second, that of the second's earliest block.

A sound system may lose sound without reporting it; only the count of frames against the clock shows it. A late
block may be only delayed (the next ones catch up) or follow a loss (they never do). So when a block is later than
the earliest of the last half minute by more than a limit, it and its followers are held. They are released when
one of them is in time again, or after two seconds: then the least lateness among them is the length of the gap.
If a device's pace differs from its stated one, its blocks come later and later, or earlier. A pace shows in all of
the last half minute, a loss only at one place, so the pace is removed first. A block that is identical with an
earlier one was handed over twice; its second copy is left out.
"""

from __future__ import annotations

import hashlib
import math
from collections import deque
from typing import NamedTuple

import numpy as np

from torsionbeat.sound.block import Block, Samples
from torsionbeat.sound.timebase import ClockRow, counted_pace
from torsionbeat.theory.robust import median_deviation

__all__ = ["Arrival", "Continuity", "Gap", "Placed"]


LATE_S = 0.15
"""Lateness above this is a loss; a sound server may rearrange its buffers by tens of ms without one."""

LOSS_S = 0.005
"""If the sound system itself reports a loss, lateness above this measures it."""

HOLD_S = 2.0
"""Time in which a busy computer may catch up before its lateness counts as a loss."""

BASE_SECONDS = 30
"""The earliest block of this many seconds gives the lateness of a block in time: 200 ppm change it by 6 ms."""

SAME_S = 0.02
"""Blocks this close to the least lateness were recorded after the loss; later ones come from before it."""

ODD_PACE = 0.004
"""A pace further off than this is the device's, not a crystal's: in half a minute it makes 0.12 s, near a loss."""

PACE_SURE = 5.0
"""An odd pace is this many of its standard errors from zero; it is tested four times a second."""

PACE_BIN_NS = 250_000_000
"""The earliest block of each quarter of a second gives the pace; half a minute of them is used."""

PACE_BINS = 120
"""Half a minute of them."""
LEAST_PACE_BINS = 4
"""A second: in less time a busy start would pass for a pace."""
PACE_APART_BINS = 8
"""Two seconds: 60 ms of jitter make 0.5 % of them, and a loss is in an eighth of the rises of half a minute."""

FIRST_HOLD_S = 8.0
"""After the opening no loss is reported before the pace is known: a pace of 3 % takes this long to exceed 60 ms of jitter."""

COPIES = 8
"""Number of earlier blocks compared with a block to find a copy: sound systems hand over a few blocks together."""


RATE_ROWS = 3600
"""Rows that give the crystal well enough for a gap: 0.1 ppm over the hour before it."""


class Arrival(NamedTuple):
    """A block as it came from the device.

    ``first_frame`` counts from the opening of the device, blocks that were dropped on the way included.
    """

    first_frame: int
    samples: Samples
    monotonic_ns: int
    utc_ns: int
    overflow: bool = False
    raw_ns: int = 0

    @property
    def stop_frame(self) -> int:
        return self.first_frame + len(self.samples)


class Gap(NamedTuple):
    """Nothing was heard from ``start_frame`` up to ``stop_frame``."""

    start_frame: int
    stop_frame: int
    why: str


class Placed(NamedTuple):
    """A block at its place, with the gap and clock row that belong before it."""

    block: Block
    gap: Gap | None
    row: ClockRow | None


class _Earliest(NamedTuple):
    """The earliest block of a second: when it came, and how late it was."""

    at_s: float
    lag_s: float


class Continuity:
    """The time line of one live recording; frame 0 is the first that is used.

    Parameters
    ----------
    sample_rate_hz : float
    settle_s : float
        Sound left out after each opening of the device: its first blocks arrive irregularly.
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
        self._least: deque[_Earliest] = deque(maxlen=BASE_SECONDS)
        self._held: list[Arrival] = []
        self._reported = False
        self._why = ""
        self._pace = 0.0
        self._trail: deque[tuple[int, float]] = deque(maxlen=PACE_BINS)
        self._copies: deque[bytes] = deque(maxlen=COPIES)
        self.doubled_frames = 0
        self.begin("")

    def begin(self, why: str) -> list[Placed]:
        """Begin to count from 0, because the device was opened (again); ``why`` is the reason of the gap in between.

        Returns the blocks that were held before.
        """
        placed = self.flush()
        if self._offset is not None:
            self._base_s = self._base()
        self._offset = None
        self._least.clear()
        self._copies.clear()
        self._trail.clear()
        self._settling_s: float | None = None
        self._why = why
        return placed

    def take(self, arrival: Arrival) -> list[Placed]:
        """Place a block, together with those held before it; an empty list while the decision is open."""
        if self._is_copy(arrival):
            self.doubled_frames += len(arrival.samples)
            if self._offset is not None:
                self._offset -= len(arrival.samples)
            return []
        self._watch_pace(arrival)
        if self._offset is None and not self._settled(arrival):
            return []
        late_s = self._lag(arrival) - self._base(arrival.monotonic_ns)
        self._reported |= arrival.overflow
        if not self._held and not self._reported and late_s < LATE_S:
            return [self._place(arrival)]
        self._held.append(arrival)
        if late_s < LATE_S and not self._reported:
            return self._release()
        watched_s = len(self._trail) * PACE_BIN_NS * 1e-9
        held_s = (arrival.monotonic_ns - self._held[0].monotonic_ns) * 1e-9
        if held_s < HOLD_S or (watched_s < FIRST_HOLD_S and held_s < FIRST_HOLD_S):
            return []
        return self.flush()

    def flush(self) -> list[Placed]:
        """Decide on the held blocks now."""
        if not self._held:
            return []
        lags = [self._lag(arrival) - self._pace_since(arrival.monotonic_ns) for arrival in self._held]
        least_s = min(lags)
        excess_s = least_s - self._base()
        # an odd pace is removed from the lateness already; a crystal's few ppm are not, so the true rate corrects them
        frames = round(excess_s * self._rate * (1.0 if self._pace else self._true_rate()))
        lost = frames if excess_s > (self._reported_loss_s() if self._reported else LATE_S) else 0
        if not lost:
            return self._release()
        after = 0
        while not self._reported and lags[after] > least_s + SAME_S:
            after += 1
        placed = [self._place(arrival) for arrival in self._held[:after]]
        del self._held[:after]
        assert self._offset is not None
        self._offset += lost
        in_time_s = least_s + self._pace_since(self._held[0].monotonic_ns) - lost / self._rate
        self._least.clear()
        self._least.append(_Earliest(self._held[0].monotonic_ns * 1e-9, in_time_s))
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
            self._earliest = ClockRow(
                self._stretch, self.stop_frame, arrival.monotonic_ns, arrival.utc_ns, arrival.raw_ns
            )
        earliest = _Earliest(arrival.monotonic_ns * 1e-9, lag_s)
        if self._least and int(self._least[-1].at_s) == second:
            earliest = min(earliest, self._least.pop(), key=lambda one: one.lag_s)
        self._least.append(earliest)
        return Placed(Block(start, arrival.samples), gap, row)

    def _is_copy(self, arrival: Arrival) -> bool:
        """Whether the block was handed over before; digital silence does not count, as it always repeats."""
        samples = arrival.samples
        if not np.any(samples):
            return False
        content = hashlib.blake2b(np.ascontiguousarray(samples).tobytes(), digest_size=16).digest()
        if content in self._copies:
            return True
        self._copies.append(content)
        return False

    def _watch_pace(self, arrival: Arrival) -> None:
        """Fit the pace again four times a second; reported losses stay in the data."""
        lag_s = arrival.monotonic_ns * 1e-9 - (arrival.stop_frame - self.doubled_frames) / self._rate
        at = arrival.monotonic_ns // PACE_BIN_NS
        if self._trail and at <= self._trail[-1][0]:
            self._trail[-1] = (self._trail[-1][0], min(lag_s, self._trail[-1][1]))
            return
        self._pace = self._odd_pace()
        self._trail.append((at, lag_s))

    def _odd_pace(self) -> float:
        """Lateness gained a second if the device's pace is outside a crystal's range, else 0.

        It is the median of many rises over two seconds: a loss is in few of them, a pace in all.
        """
        count = len(self._trail)
        apart = min(PACE_APART_BINS, count // 2)
        if apart < LEAST_PACE_BINS:
            return self._pace
        at, lag_s = np.array(self._trail, np.float64).T
        rise = (lag_s[apart:] - lag_s[:-apart]) / ((at[apart:] - at[:-apart]) * PACE_BIN_NS * 1e-9)
        pace = float(np.median(rise))
        # a median's standard error; of overlapping rises only count / apart are independent
        doubt = 1.25 * median_deviation(rise - pace) / math.sqrt(count / apart)
        return pace if abs(pace) > max(ODD_PACE, PACE_SURE * doubt) else 0.0

    def _pace_since(self, monotonic_ns: int) -> float:
        """Lateness caused by an odd pace since the last second of the base."""
        return self._pace * (monotonic_ns * 1e-9 - self._least[-1].at_s) if self._pace else 0.0

    def _reported_loss_s(self) -> float:
        """Lateness after an overflow flag that counts as a loss; the scatter of normal seconds is less."""
        last = self._least[-1].at_s
        lags = np.array([one.lag_s + self._pace * (last - one.at_s) for one in self._least])
        return max(LOSS_S, 3 * float(np.median(lags - lags.min())))

    def _settled(self, arrival: Arrival) -> bool:
        """Watch the first blocks of a device, then place it on the time line by the earliest of them."""
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
        least_s = self._lag(arrival) if self._pace else self._settling_s - self._offset / self._rate
        self._least.append(_Earliest(arrival.monotonic_ns * 1e-9, least_s))
        return True

    def _lag(self, arrival: Arrival) -> float:
        """Moment of arrival minus the moment given by the count of frames."""
        assert self._offset is not None
        return arrival.monotonic_ns * 1e-9 - (arrival.stop_frame + self._offset) / self._rate

    def _base(self, monotonic_ns: int | None = None) -> float:
        """The lateness of a block that is in time: at the given moment, or at the last known second."""
        last = self._least[-1].at_s
        base_s = min(one.lag_s + self._pace * (last - one.at_s) for one in self._least)
        return base_s if monotonic_ns is None else base_s + self._pace_since(monotonic_ns)

    def _true_rate(self) -> float:
        """Frames that the recorder counts in a second of the computer's clock, over the nominal rate."""
        if self._pace:
            return 1 - self._pace
        return counted_pace(self.rows[-RATE_ROWS:], self._rate)
