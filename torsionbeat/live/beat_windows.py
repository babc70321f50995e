"""Keeping only the sound around each beat: predict the next beats, and call the keeper.

Input: the sounds heard so far, and the position reached in the sound. Output: calls to ``Keeper.keep``. Until the clock is
known all the sound is kept; then only the sound around each beat, at the time predicted from the last ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from torsionbeat.hearing.heard import Heard
from torsionbeat.sound.keeper import Keeper

__all__ = ["AROUND_S", "BeatKeeping"]

AROUND_S = 0.4
"""Sound kept before the contact and after the drop: enough for the room's noise beside the beat, and for a clock whose
beats move by that much between two updates."""

LEAST_DROPS, LAST_DROPS = 4, 20
"""Fewer drops of a side do not predict the next one: a contact may have been taken for a drop."""

UNKNOWN_BACK_S = 60.0
"""While no clock is known, sound is kept at this age: the first update comes sooner."""

UNHEARD_CONTACT = 0.02
"""Share of the period that is kept before a drop whose contact was never heard: the passage from contact to drop for a
lift of 20 deg in an arc of 320 deg."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One side's beats: the sample of one drop, and the passage from contact to drop in samples."""

    drop: float
    passage: float


class BeatKeeping:
    """Keeps the stretches around the beats of one recording.

    Parameters
    ----------
    keeper : Keeper
        In mode ``beats``, with a memory of at least two minutes.
    """

    def __init__(self, keeper: Keeper) -> None:
        self._keeper = keeper
        self._rate_hz = keeper.sample_rate_hz
        self._sides: list[_Side] = []
        self._period = 0.0
        self._kept_to = 0
        self._heard_to = 0

    def found(self, heard: Heard) -> None:
        """Take the clock as last heard; if none was, the earlier one stays valid."""
        sounds = heard.sounds
        if heard.period_samples is None or not len(sounds):
            return
        drops_at, passages = [], [part.passage_samples for part in heard.stacked_passages]
        periods = []
        for parity in (0, 1):
            mine = sounds.certain & (sounds.beat % 2 == parity)
            drops = np.flatnonzero(mine & (sounds.kind == "drop"))
            if len(drops) < LEAST_DROPS:
                continue
            last = drops[-LAST_DROPS:]
            periods.append(2 * float(np.polyfit(sounds.beat[last], sounds.sample[last], 1)[0]))
            contacts = np.flatnonzero(mine & (sounds.kind == "contact"))
            if len(contacts):
                both, at, of = np.intersect1d(sounds.beat[drops], sounds.beat[contacts], return_indices=True)
                passage = sounds.sample[drops[at]] - sounds.sample[contacts[of]]
                passages += [float(np.max(passage[-20:]))] if len(both) else []
            drops_at.append(float(sounds.sample[drops[-1]]))
        if drops_at:
            # a side whose contact is not heard is kept as far ahead of the drop as the other side
            longest = max(passages, default=0.0) or UNHEARD_CONTACT * heard.period_samples
            self._sides = [_Side(drop, longest) for drop in drops_at]
            self._period = float(np.mean(periods))

    def heard_to(self, frame: int) -> None:
        """Keep what is due, now that the sound has reached ``frame``."""
        self._heard_to = frame
        if not self._sides:
            until = frame - int(UNKNOWN_BACK_S * self._rate_hz)
            if until > self._kept_to + self._rate_hz:
                self._keep(self._kept_to, until)
            return
        while True:
            start, stop = self._next()
            if stop > frame:
                return
            self._keep(start, stop)

    def finish(self) -> None:
        """End of the sound: keep the beats that are still due, as far as each was heard; without a clock all that is left."""
        if not self._sides:
            self._keep(self._kept_to, self._heard_to)
            return
        self.heard_to(self._heard_to)
        start, _ = self._next()
        if start < self._heard_to:
            self._keep(start, self._heard_to)

    def _keep(self, start: int, stop: int) -> None:
        self._keeper.keep(start, stop)
        self._kept_to = stop

    def _next(self) -> tuple[int, int]:
        """The first stretch around a beat that ends after the sound already kept."""
        around = AROUND_S * self._rate_hz
        stretches = []
        for side in self._sides:
            periods = np.floor((self._kept_to - side.drop - around) / self._period) + 1
            drop = side.drop + periods * self._period
            stretches.append((int(drop - side.passage - around), int(np.ceil(drop + around))))
        start, stop = min(stretches, key=lambda stretch: stretch[1])
        return max(start, self._kept_to), max(stop, self._kept_to + 1)
