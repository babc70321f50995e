"""What the listener heard: events with their beat numbers, in samples, and defects of the sound.

Samples are counted from the start of the recording, lost stretches included, and may be fractions. Seconds come
later, when the timebase is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.beginnings import SHARE_WEIGHTS

__all__ = [
    "DropsAgain",
    "Heard",
    "HeardSounds",
    "OtherAccount",
    "SegmentPassage",
    "VoiceProfile",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class HeardSounds:
    """Sounds of the escapement, one row each, in order of beat number and kind. All arrays but the last have shape (n,).

    ``beat`` number of the beat (side a even, side b odd); ``kind`` 'contact' or 'drop'; ``sample`` where the sound
    begins; ``level_db`` above the room; ``evidence`` log-likelihood gained over silence; ``certain`` whether the
    evidence of this one sound is above what the room gives by chance.
    """

    beat: IntArray
    kind: npt.NDArray[np.str_]
    sample: FloatArray
    level_db: FloatArray
    evidence: FloatArray
    certain: npt.NDArray[np.bool_]
    edge_uncertainty: FloatArray
    """Standard uncertainty, in samples, of where the mean sound of this kind and side begins; common to all its beats."""
    softer_before: FloatArray
    """Samples from a softer part of the mean sound to that beginning, 0 without one; common to all of a kind and side."""
    choices: FloatArray = field(default_factory=lambda: np.zeros((0, len(SHARE_WEIGHTS))))
    """Samples by which the sound begins later for each of the shares of its power that `beginnings.SHARE_WEIGHTS` weighs, shape
    (n, shares); zeros where not given."""

    def __post_init__(self) -> None:
        if len(self.choices) != len(self.beat):
            object.__setattr__(self, "choices", np.zeros((len(self.beat), len(SHARE_WEIGHTS))))

    def __len__(self) -> int:
        return len(self.beat)

    def softer_samples(self, kind: str) -> tuple[float, float]:
        """Samples from a softer part to the sounds of a kind, on side a and on side b; 0 without such a part."""
        chosen = self.certain & (self.kind == kind)
        sides = (self.softer_before[chosen & (self.beat % 2 == side)] for side in (0, 1))
        one, two = (float(np.median(side)) if len(side) else 0.0 for side in sides)
        return one, two

    @staticmethod
    def joined(parts: list[HeardSounds]) -> HeardSounds:
        """All parts in order of beat; where two parts hold the same sound the one with more evidence stays."""
        if not parts:
            nothing, none = np.zeros(0), np.zeros(0, np.int64)
            kinds, certain = nothing.astype("U7"), nothing.astype(bool)
            return HeardSounds(none, kinds, nothing, nothing, nothing, certain, nothing, nothing)
        every = HeardSounds(
            *(np.concatenate([getattr(part, name) for part in parts]) for name in HeardSounds.__slots__)
        )
        order = np.lexsort((-every.evidence, ~every.certain, every.kind == "drop", every.beat))
        beat, kind = every.beat[order], every.kind[order]
        first = np.ones(len(order), bool)
        first[1:] = (beat[1:] != beat[:-1]) | (kind[1:] != kind[:-1])
        return HeardSounds(*(getattr(every, name)[order][first] for name in HeardSounds.__slots__))


@dataclass(frozen=True, slots=True)
class DropsAgain:
    """Sounds like a drop that were heard again: one row each, shape (n,), in order of beat.

    ``stretch`` 0 is the one after the drop; 1 and up are control stretches, in which no drop can be. ``samples`` count from
    the drop, or from the beginning of a control stretch; ``sure`` whether the sound is surely like the drop. ``searched``,
    shape (beats,), are all beats that were searched, with ``controls`` control stretches each.
    """

    beat: IntArray
    stretch: IntArray
    samples: FloatArray
    sure: npt.NDArray[np.bool_]
    searched: IntArray
    controls: int = 0

    @staticmethod
    def joined(parts: Sequence[DropsAgain]) -> DropsAgain:
        """All parts in order of beat; for a beat that two parts searched the first one is kept."""
        rows: list[tuple[npt.NDArray[Any], ...]] = []
        searched = np.zeros(0, np.int64)
        for part in parts:
            new = ~np.isin(part.beat, searched)
            rows.append((part.beat[new], part.stretch[new], part.samples[new], part.sure[new]))
            searched = np.union1d(searched, part.searched)
        if not rows:
            nothing = np.zeros(0, np.int64)
            return DropsAgain(nothing, nothing, np.zeros(0), np.zeros(0, bool), nothing)
        beat, stretch, samples, sure = (np.concatenate(column) for column in zip(*rows, strict=True))
        order = np.lexsort((samples, stretch, beat))
        controls = min(part.controls for part in parts)
        return DropsAgain(beat[order], stretch[order], samples[order], sure[order], searched, controls)


@dataclass(frozen=True, slots=True)
class SegmentPassage:
    """Lift passage of one side from all its beats, where most single contacts are not heard.

    ``first_beat`` to ``last_beat``; passage and its standard uncertainty in samples, and the uncertainty from what the room
    hides of the contact (0 where the doubt of single contacts has it).
    """

    side: str
    first_beat: int
    last_beat: int
    passage_samples: float
    uncertainty_samples: float
    lead_samples: float


@dataclass(frozen=True, slots=True)
class OtherAccount:
    """Another account of which sound is which, less likely than the one reported, but not certainly wrong.

    ``share`` of all probability; ``later_samples``: additional delay of the middles of side b against half a period after side
    a's (the beat error grows by it); lift passages of sides a and b, None where the account has no contact.
    """

    share: float
    later_samples: float
    passage_samples: tuple[float | None, float | None]

    def like(self, other: OtherAccount, within_samples: float) -> bool:
        """Whether two accounts agree within ``within_samples``."""
        pairs = zip(self.passage_samples, other.passage_samples, strict=True)
        apart = [abs((one or 0.0) - (two or 0.0)) for one, two in pairs]
        return max(*apart, abs(self.later_samples - other.later_samples)) < within_samples

    def turned(self) -> OtherAccount:
        """The same account with the sides exchanged."""
        return replace(self, later_samples=-self.later_samples, passage_samples=self.passage_samples[::-1])


@dataclass(frozen=True, slots=True)
class VoiceProfile:
    """Mean sound of one kind and side: power over the room's floor, shape (frames, bands).

    ``floor`` is the room's power in each band, full scale 1; empty where it was not kept.
    """

    side: str
    kind: str
    frame_s: float
    start_s: float
    """Time of the first frame from the beginning of the sound."""
    profile: npt.NDArray[np.float32]
    beats: int
    floor: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Heard:
    """All that was heard in a recording, or so far in a live one."""

    samples: int
    sample_rate_hz: float
    channel: int
    channels: int
    period_samples: float | None
    sounds: HeardSounds
    stacked_passages: tuple[SegmentPassage, ...] = ()
    voices: tuple[VoiceProfile, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    """Stretches without any sound: lost, or digital silence; (first sample, one past the last)."""
    other_intervals_s: tuple[float, ...] = ()
    """Intervals of faster clocks heard in the room."""
    second_period_s: float | None = None
    """Period of another torsion clock heard beside this one."""
    other_channels: tuple[tuple[int, float], ...] = ()
    """Channels on which another clock is heard instead, and its period (samples)."""
    one_sided: bool = False
    unsure: bool = False
    """A clock is heard, but it is not yet certain which sound is which; no figure is given."""
    drops_again: DropsAgain = field(default_factory=lambda: DropsAgain.joined(()))
    other_accounts: tuple[OtherAccount, ...] = ()
    """Other accounts of which sound is which that are not certainly wrong."""
    clipped_samples: int = 0
    bad_samples: int = 0
    peak: float = 0.0
    standing_db: float | None = None
    """Median level of the drops above the room."""

    def laid_out(self, steps: Sequence[tuple[int, float]], silent: Sequence[tuple[int, float]]) -> Heard:
        """The same with every sound moved to its true place, by the losses that the timebase knows.

        Parameters
        ----------
        steps : sequence of (sample, samples)
            After each sample all sounds are this many samples later than counted.
        silent : sequence of (sample, samples)
            Those of the steps at which sound was lost without being reported: they become gaps.
        """
        if not steps:
            return self
        at, size = np.array(sorted(steps), np.float64).T
        later = np.concatenate([[0.0], np.cumsum(size)])

        def moved(samples: npt.ArrayLike) -> npt.NDArray[np.float64]:
            places = np.asarray(samples, np.float64)
            return np.asarray(places + later[np.searchsorted(at, places, "left")], np.float64)

        gaps = [(round(float(moved(first))), round(float(moved(last)))) for first, last in self.gaps]
        gaps += [(round(float(moved(first))), round(float(moved(first)) + lost)) for first, lost in silent]
        return replace(
            self,
            samples=round(float(moved(self.samples))),
            sounds=replace(self.sounds, sample=moved(self.sounds.sample)),
            gaps=tuple(sorted(gaps)),
        )
