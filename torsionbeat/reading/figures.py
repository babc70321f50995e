"""The values a reading is made of: frozen, validated once, with the unit at the end of each name.

A measured figure is an ``uncertainties`` value (nominal value and standard uncertainty, JCGM 100); ``None`` stands
for a figure that was not measured, and a remark in the reading then says why. ``value +- 1.96 u`` is the 95 %
interval: where few beats were heard ``u`` already carries Student's factor, so the same rule holds for every figure.

Signs: rate > 0 gains; sample clock ppm > 0 when the recorder's crystal runs fast.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field, fields
from typing import Any, TextIO

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.sound.remarks import Remark, as_remark
from torsionbeat.sound.timebase import Timebase
from torsionbeat.theory.robust import COVERAGE
from torsionbeat.theory.train import Train

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
TextArray = npt.NDArray[np.str_]

__all__ = [
    "Clock",
    "Events",
    "FlutterBeat",
    "FlutterReport",
    "OwnSides",
    "Reading",
    "RecordingInfo",
    "Swings",
    "Timebase",
    "WheelFault",
]

UFloat = Any
"""An ``uncertainties`` value: ``.nominal_value`` and ``.std_dev``."""


def _fixed(values: npt.ArrayLike, dtype: Any) -> Any:
    array = np.array(values, dtype=dtype)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True)
class Clock:
    """What is known of a clock before it is heard.

    Parameters
    ----------
    name : str
        The name in the bench log; empty for a clock that has none.
    nominal_period_s : float or None
        Full period (out and back) for which the train keeps time.
    lift_deg : float or None
        Angle through which the balance turns from contact to drop.
    lift_tolerance_deg : float
        Half-width of a rectangular distribution about ``lift_deg``; 0 takes the lift as exact.
    arc_low_deg, arc_high_deg : float or None
        Arc (end to end) within which this clock is healthy.
    knock_arc_deg : float or None
        Arc at which the roller, coming all the way round, strikes the fork from outside.
    train : Train or None
        Tooth counts from the escape wheel up.
    """

    name: str = ""
    nominal_period_s: float | None = None
    lift_deg: float | None = None
    lift_tolerance_deg: float = 0.0
    arc_low_deg: float | None = None
    arc_high_deg: float | None = None
    knock_arc_deg: float | None = None
    train: Train | None = None

    def __post_init__(self) -> None:
        period = self.nominal_period_s
        if period is not None and not 0.1 <= period <= 600:
            raise InputError(
                f"nominal period is {period:g} s; it must lie between 0.1 and 600 s (full period, out and back)"
            )
        if self.lift_deg is not None and not 0 < self.lift_deg <= 180:
            raise InputError(f"lift is {self.lift_deg:g} deg; it must lie above 0 and at most 180 deg")
        if not 0 <= self.lift_tolerance_deg <= 90:
            raise InputError(
                f"lift tolerance is {self.lift_tolerance_deg:g} deg; it must lie between 0 and 90 deg"
            )


@dataclass(frozen=True, slots=True)
class RecordingInfo:
    """What was recorded. Times in seconds from the start, timebase applied; ``gaps`` is (start_s, end_s) pairs.

    ``recorder`` names the recorder, whose crystal counted the samples; empty where it is not known.
    """

    name: str
    duration_s: float
    sample_rate_hz: float
    channels: int
    gaps: tuple[tuple[float, float], ...] = ()
    recorder: str = ""


@dataclass(frozen=True, slots=True)
class Events:
    """Sounds of the escapement, in order of time. All arrays have shape (n,).

    ``time_s`` seconds from the start of the recording, the moment at which the sound begins; ``side`` 'a' or 'b';
    ``kind`` 'contact' or 'drop'; ``level_db`` height above the room's noise at that moment.
    """

    time_s: FloatArray
    side: TextArray
    kind: TextArray
    level_db: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "time_s", _fixed(self.time_s, np.float64))
        object.__setattr__(self, "side", _fixed(self.side, "U1"))
        object.__setattr__(self, "kind", _fixed(self.kind, "U7"))
        object.__setattr__(self, "level_db", _fixed(self.level_db, np.float64))

    def __len__(self) -> int:
        return len(self.time_s)

    def __repr__(self) -> str:
        """Say how many there are and where, in place of the arrays."""
        return f"<Events: {_rows_words(self.time_s, 'sounds')}>"

    def to_labels(self, file: TextIO) -> None:
        """Write a label track that audio editors open: start (s), end (s) and text, tab between them.

        Examples
        --------
        >>> import sys
        >>> Events([1.5, 1.75], ["a", "a"], ["contact", "drop"], [20, 40]).to_labels(sys.stdout)
        1.500000	1.500000	a contact
        1.750000	1.750000	a drop
        """
        for time, side, kind in zip(self.time_s, self.side, self.kind, strict=True):
            file.write(f"{time:.6f}\t{time:.6f}\t{side} {kind}\n")


@dataclass(frozen=True, slots=True)
class Swings:
    """One row per beat heard, in order of time. All arrays have shape (n,).

    ``number`` counts the beats of the clock (two a period), so a missed beat leaves a hole in it; ``time_s`` the
    middle of the lift passage (the drop where no contact was heard); ``period_s`` the time since the same side's
    last beat (nan where that was missed); ``lift_passage_s`` contact to drop (nan where no contact was heard);
    ``arc_deg`` the arc (end to end) that this passage gives (nan where it gives none).
    """

    number: IntArray
    time_s: FloatArray
    side: TextArray
    period_s: FloatArray
    lift_passage_s: FloatArray
    arc_deg: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "number", _fixed(self.number, np.int64))
        object.__setattr__(self, "side", _fixed(self.side, "U1"))
        for name in ("time_s", "period_s", "lift_passage_s", "arc_deg"):
            object.__setattr__(self, name, _fixed(getattr(self, name), np.float64))

    def __len__(self) -> int:
        return len(self.time_s)

    def __repr__(self) -> str:
        """Say how many there are and where, in place of the arrays."""
        return f"<Swings: {_rows_words(self.time_s, 'beats')}>"

    def columns(self) -> dict[str, npt.NDArray[Any]]:
        """Give the columns by name, in the order in which they are written."""
        return {entry.name: getattr(self, entry.name) for entry in fields(self)}

    def to_csv(self, file: TextIO) -> None:
        """Write the column names, then one line per beat; a missing value is left empty."""
        columns = self.columns()
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            rows.writerow("" if value != value else value.item() for value in row)

    def to_pandas(self) -> Any:
        """Give a ``pandas.DataFrame`` of the columns, the beat's number as its index.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        try:
            import pandas
        except ImportError:
            raise InputError("to_pandas needs pandas, which is not installed: pip install pandas") from None
        return pandas.DataFrame(self.columns()).set_index("number")


@dataclass(frozen=True, slots=True)
class OwnSides:
    """Whether the letters a and b of a reading are those of its clock, not only of this one recording.

    Parameters
    ----------
    probability : float
        Probability that they are, 0.5 to 1. Below ``SURE`` of `torsionbeat.history.side_matching` no side may be named.
    a, b : str
        What the balance goes towards at a beat of that side, as observed at the bench; empty where it was not.
    """

    probability: float
    a: str = ""
    b: str = ""


@dataclass(frozen=True, slots=True)
class WheelFault:
    """Something that recurs after a fixed number of beats.

    Parameters
    ----------
    every_beats : float
        Beats of one turn (two a period).
    teeth : int or None
        Teeth of an escape wheel that turns once in this many beats, or of the train's wheel; None where neither fits.
    shape : {'tooth', 'sine'}
        One place of the turn, or a wave once a turn.
    where : tuple of (int, str)
        Beats of the turn (beat number modulo ``every_beats``) and their side; for a sine the beat of its crest.
    quantity : str
        What changes, its unit last: ``drop_level_db``, ``contact_level_db``, ``lift_passage_percent``,
        ``time_error_ms``, or ``arc_deg`` for a step of the arc.
    size : ufloat
        By how much it differs there; half the height of a sine.
    false_alarm : float
        Chance that the whole search shows as much on a healthy clock.
    wheel : str
        Name of the train's wheel; empty where no train was given.
    """

    every_beats: float
    teeth: int | None
    shape: str
    where: tuple[tuple[int, str], ...]
    quantity: str
    size: UFloat
    false_alarm: float
    wheel: str = ""


@dataclass(frozen=True, slots=True)
class FlutterBeat:
    """A beat in which the drop came again: its number, side and time (s), and how long after its drop each further one came."""

    number: int
    side: str
    time_s: float
    after_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FlutterReport:
    """Whether drops came again in one swing.

    Parameters
    ----------
    beats : tuple of FlutterBeat
        In order of time; empty where noise explains as much.
    searched : int
        Beats that were searched.
    by_noise : int
        How often the same search found as much in stretches where no drop can be, ``controls`` of them per beat.
    controls : int
    false_alarm : float
        Chance that noise alone gives as many.
    """

    beats: tuple[FlutterBeat, ...]
    searched: int
    by_noise: int
    controls: int
    false_alarm: float

    @property
    def extra_drops(self) -> int:
        """Drops besides one a beat."""
        return sum(len(beat.after_s) for beat in self.beats)

    def hands_ahead_s(self, period_s: float) -> float:
        """How far the hands ran ahead because of it: each drop moves the train on by half a period."""
        return self.extra_drops * period_s / 2

    def by_hour(self) -> tuple[tuple[int, int], ...]:
        """Hours of the recording, counted from 0, in which drops came again, and how many did."""
        hours = sorted({int(beat.time_s // 3600) for beat in self.beats})
        return tuple(
            (hour, sum(len(beat.after_s) for beat in self.beats if int(beat.time_s // 3600) == hour))
            for hour in hours
        )


@dataclass(frozen=True, slots=True)
class Reading:
    """The figures of one recording.

    ``period_s`` is the mean period over the stretch heard; ``arc_deg`` the mean arc, end to end, over the same
    stretch; ``beat_error_ms`` half of (interval a to b minus interval b to a); ``offset_deg`` the same fault as an
    angle. Each is an ``uncertainties`` value or ``None``. ``stretch_s`` holds the first and last second of the stretch
    where it is not the whole recording, because the clock changed during it. ``sides`` says how sure the letters of
    the sides are the clock's own; None where they are this recording's alone. ``wheels`` holds the faults that recur
    with a wheel of the train, ``flutter`` whether drops came again in one swing; None where that was not searched.
    ``beat_error_from_beginnings_ms`` and ``arc_from_beginnings_deg`` are the part of their standard uncertainties that comes from
    where the sounds begin: the nights of a clock share it, since they share its sounds, and more of them do not lessen it. A
    reading prints as one sentence; ``torsionbeat.reading_document`` gives all of it.
    """

    recording: RecordingInfo
    timebase: Timebase
    clock: Clock
    period_s: UFloat
    rate_s_per_day: UFloat
    beat_error_ms: UFloat
    offset_deg: UFloat
    arc_deg: UFloat
    arc_trend_deg_per_hour: UFloat
    beats_expected: int
    beats_heard: int
    swings: Swings
    events: Events
    remarks: tuple[Remark, ...] = field(default=())
    sides: OwnSides | None = None
    stretch_s: tuple[float, float] | None = None
    wheels: tuple[WheelFault, ...] | None = None
    flutter: FlutterReport | None = None
    beat_error_from_beginnings_ms: float = 0.0
    arc_from_beginnings_deg: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "remarks", tuple(map(as_remark, self.remarks)))

    def __repr__(self) -> str:
        """Give the figures with their 95 % intervals on one line, in place of every beat."""
        named = (
            ("period", self.period_s, "s"),
            ("rate", self.rate_s_per_day, "s/day"),
            ("beat error", self.beat_error_ms, "ms"),
            ("arc", self.arc_deg, "deg"),
        )
        said = "; ".join(f"{name} {_interval_words(figure, unit)}" for name, figure, unit in named)
        heard = f"{self.beats_heard} of {self.beats_expected} beats heard"
        remarks = f"; {len(self.remarks)} remarks" if self.remarks else ""
        return f"<Reading of {self.recording.name or 'a recording'}: {said}; {heard}{remarks}>"


def _interval_words(figure: UFloat, unit: str) -> str:
    if figure is None:
        return "not measured"
    half = COVERAGE * figure.std_dev
    digits = int(np.clip(1 - np.floor(np.log10(half)), 0, 6)) if half > 0 else 3
    return f"{figure.nominal_value:.{digits}f} ± {half:.{digits}f} {unit}"


def _rows_words(time_s: FloatArray, what: str) -> str:
    return f"{len(time_s)} {what}, {time_s[0]:.1f} to {time_s[-1]:.1f} s" if len(time_s) else f"no {what}"
