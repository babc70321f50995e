"""The wheels between drive and escapement: after how many beats each comes round.

A train is written from the escapement towards the drive, ``15,60/8,72/10``: an escape wheel of 15 teeth; a wheel of
60 teeth that drives a pinion of 8 leaves on the escape wheel's arbor; a wheel of 72 that drives a pinion of 10 on the
arbor of the wheel of 60. An escape wheel of Z teeth gives up one tooth at every second beat and comes round in 2 Z
beats; each wheel further up takes its teeth over the leaves it drives times as long (counting teeth, no source needed).
"""

from __future__ import annotations

from dataclasses import dataclass

from torsionbeat.errors import InputError

__all__ = ["Train", "Turn", "Wheel", "turns_within"]

LEAST_TEETH, MOST_TEETH = 3, 400
"""Teeth of a wheel, leaves of a pinion: a lantern pinion has few, no wheel of a clock has more (common practice)."""

MOST_WHEELS = 8
"""Wheels in a train: a clock that goes for 400 days has five or six (common practice, no source)."""


LEAST_TURN_BEATS, MOST_TURN_BEATS = 6, 700
"""Turns searched where no train is given: an escape wheel has three teeth at least; turns longer than 700 beats show
in a row of nights, not in one."""


@dataclass(frozen=True, slots=True)
class Wheel:
    """A wheel of the train: its teeth, and the beats in which it comes round once."""

    name: str
    teeth: int
    beats: float


@dataclass(frozen=True, slots=True)
class Train:
    """Tooth counts from the escape wheel up.

    Parameters
    ----------
    escape_teeth : int
        Teeth of the escape wheel.
    pairs : tuple of (int, int)
        Teeth of each wheel further up, and leaves of the pinion that it drives, in order.

    Raises
    ------
    InputError
        A count that no wheel has.

    Examples
    --------
    >>> [(wheel.teeth, wheel.beats) for wheel in Train.from_text("15,60/8,72/10").wheels]
    [(15, 30.0), (60, 225.0), (72, 1620.0)]
    """

    escape_teeth: int
    pairs: tuple[tuple[int, int], ...] = ()

    def __post_init__(self) -> None:
        counts = [self.escape_teeth, *(count for pair in self.pairs for count in pair)]
        if len(self.pairs) >= MOST_WHEELS or not all(LEAST_TEETH <= count <= MOST_TEETH for count in counts):
            raise InputError(
                f"the train is {self}; give at most {MOST_WHEELS} wheels of {LEAST_TEETH} to {MOST_TEETH} teeth, from the "
                "escape wheel up, as 15,60/8,72/10"
            )

    def __str__(self) -> str:
        return ",".join([str(self.escape_teeth), *(f"{wheel}/{pinion}" for wheel, pinion in self.pairs)])

    @classmethod
    def from_text(cls, text: str) -> Train:
        """Read ``15,60/8,72/10``; see the module.

        Raises
        ------
        InputError
            The text is not of this form.
        """
        first, *rest = [part.strip() for part in text.split(",")]
        pairs = [tuple(part.split("/")) for part in rest]
        if not first.isdecimal() or any(
            len(pair) != 2 or not all(count.strip().isdecimal() for count in pair) for pair in pairs
        ):
            raise InputError(
                f"the train is {text[:80]!r}; write the escape wheel's teeth first, then each wheel over the pinion it "
                "drives, as 15,60/8,72/10"
            )
        return cls(int(first), tuple((int(wheel), int(pinion)) for wheel, pinion in pairs))

    @property
    def wheels(self) -> tuple[Wheel, ...]:
        """All wheels from the escape wheel up."""
        beats = 2.0 * self.escape_teeth
        found = [Wheel("the escape wheel", self.escape_teeth, beats)]
        for number, (teeth, leaves) in enumerate(self.pairs, start=1):
            beats *= teeth / leaves
            found.append(Wheel(f"the wheel of {teeth}, {number} above the escape wheel", teeth, beats))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class Turn:
    """A turn to search: its beats, and the teeth and name of the wheel that would have it."""

    beats: float
    teeth: int | None
    wheel: str = ""

    def same_as(self, other: Turn) -> bool:
        """Whether one turn is a whole number of times the other: the same fault shows at all of them."""
        ratio = max(self.beats, other.beats) / min(self.beats, other.beats)
        return abs(ratio - round(ratio)) < 1e-3 * ratio


def turns_within(most_beats: float, train: Train | None = None) -> tuple[Turn, ...]:
    """Turns of at most this many beats: those of a train's wheels, or where none is given all that an escape wheel may have.

    Examples
    --------
    >>> [turn.beats for turn in turns_within(240, Train.from_text("15,60/8,72/10"))]
    [30.0, 225.0]
    >>> [turn.teeth for turn in turns_within(12)]
    [3, 4, 5, 6]
    """
    if train is not None:
        return tuple(
            Turn(wheel.beats, wheel.teeth, wheel.name) for wheel in train.wheels if wheel.beats <= most_beats
        )
    last = int(min(most_beats, MOST_TURN_BEATS))
    return tuple(Turn(float(beats), beats // 2) for beats in range(LEAST_TURN_BEATS, last + 1, 2))
