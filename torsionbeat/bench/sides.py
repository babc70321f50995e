"""The sides of a clock: learnt once at the bench, recognised in every later reading.

In each recording the hearing calls the side of the first beat a. This module converts the letters of a reading to those
of its clock before anything is shown, kept or compared. It uses the sounds and the beat error in the bench log
(`torsionbeat.history.side_matching`) and gives the probability that the letters are right. The first kept reading of a
clock defines its letters. The direction of the balance at a beat of side a is learnt from what the restorer saw
(:func:`learn_sides`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from torsionbeat.bench.recordings import birth_of
from torsionbeat.errors import InputError
from torsionbeat.history.nights import Night, reading_from_document, with_sides_swapped
from torsionbeat.history.side_matching import (
    SURE,
    TOUCHED,
    UNTOUCHED,
    SideMarks,
    SideMatch,
    marks_of,
    recognise,
)
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import OwnSides, Reading
from torsionbeat.sound.remarks import Remark

if TYPE_CHECKING:
    from torsionbeat.benchlog import BenchLog, ClockRecord, ReadingRecord
    from torsionbeat.hearing.heard import VoiceProfile
    from torsionbeat.live.follower import FollowedBeat

__all__ = [
    "KnownSides",
    "LearnSidesRequest",
    "LearnSidesResult",
    "LiveSides",
    "in_own_letters",
    "keep_sides",
    "kept_night",
    "known_sides",
    "learn_sides",
    "own_letters",
    "own_sides",
    "side_names",
    "when_recorded",
]

Side = Literal["a", "b"]

LETTERED = ("beat_error_ms", "offset_deg", "swings", "wheels", "flutter", "sides")
"""Parts of a reading's document that depend on the letters of the sides."""

UNSURE = "sides-unsure"
"""Code of the remark that the sides were not recognised for certain."""

MOVES_THE_BEAT = ("beat", "spring", "cleaning", "level", "other")
"""Kinds of work that may change the beat error (common practice, no source): its sign is then weak evidence."""

MOST_COMPARED = 3
"""Number of latest readings whose sounds are compared with a new one, besides the learnt ones. They cover a recent move
of the microphone; more would only cost time."""

NEAREST_SHARE = 0.2
"""Largest time between a beat and the stated passage of the balance, in periods: at a quarter it turns round, and a
twentieth is left for the eye and the watch."""


@dataclass(frozen=True, slots=True)
class DatedMarks:
    """The side marks of a kept reading, in the clock's letters, and the time of the reading."""

    taken_at: datetime
    marks: SideMarks


@dataclass(frozen=True, slots=True)
class KnownSides:
    """The knowledge of a clock's sides before a recording is matched to them.

    Parameters
    ----------
    reference : SideMarks or None
        The reading that defines the clock's letters: the one at which the sides were learnt, else the first one.
    readings : tuple of DatedMarks
        Readings in which the sides were recognised, in order of time.
    works : tuple of datetime
        Times of works that may change the beat.
    names : (str, str)
        Names of the directions of the balance at a beat of side a and of side b; empty where not learnt.
    """

    reference: SideMarks | None = None
    readings: tuple[DatedMarks, ...] = ()
    works: tuple[datetime, ...] = ()
    names: tuple[str, str] = ("", "")

    def marks(self) -> list[SideMarks]:
        """The marks with which a new reading is compared: the learnt ones, and those of the latest readings."""
        known = [] if self.reference is None else [self.reference]
        return known + [one.marks for one in self.readings[-MOST_COMPARED:]]

    def match(self, night: Night) -> SideMatch | None:
        """Match a night's letters to the clock's; None where nothing is known of the clock yet."""
        known = self.marks()
        if not known:
            return None
        taken_at = night.taken_at or datetime.now(UTC)
        nearest, moved = self._nearest(taken_at)
        return recognise([*known, nearest] if nearest is not None else known, marks_of(night), moved)

    def own(self, night: Night) -> tuple[Night, SideMatch | None]:
        """Convert a night to the clock's own letters, with any doubt as a remark; unchanged where nothing is known."""
        match = self.match(night)
        if match is None:
            return night, None
        turned = with_sides_swapped(night) if match.exchanged else night
        remarks = [one for one in turned.reading.remarks if getattr(one, "code", "") != UNSURE]
        if not match.sure:
            remarks.append(_doubt(match))
        sides = OwnSides(match.probability, *self.names)
        return replace(turned, reading=replace(turned.reading, sides=sides, remarks=tuple(remarks))), match

    def with_night(self, night: Night) -> KnownSides:
        """Give the knowledge after a night in the clock's letters is added."""
        marks = marks_of(night)
        dated = DatedMarks(night.taken_at or datetime.now(UTC), marks)
        rows = tuple(sorted((*self.readings, dated), key=lambda one: one.taken_at))
        return replace(self, reference=self.reference or marks, readings=rows)

    def _nearest(self, taken_at: datetime) -> tuple[SideMarks | None, float]:
        """The reading whose beat error is most likely unchanged in the next one, and the odds that it was changed since."""
        if not self.readings:
            return None, TOUCHED if self.works else UNTOUCHED

        def works_between(one: DatedMarks) -> int:
            first, last = sorted((one.taken_at, taken_at))
            return sum(first < work <= last for work in self.works)

        def apart(one: DatedMarks) -> tuple[int, float]:
            return works_between(one), abs((one.taken_at - taken_at).total_seconds())

        nearest = min(self.readings, key=apart)
        return nearest.marks, TOUCHED if works_between(nearest) else UNTOUCHED


class LiveSides:
    """Converts the beats of a clock that is followed live to its own letters, from its sounds alone.

    The beat error is no evidence here: it is being set.

    Parameters
    ----------
    known : KnownSides or None
        None for a clock that is not in the bench log.
    """

    def __init__(self, known: KnownSides | None) -> None:
        self._known = known
        self._voices: tuple[VoiceProfile, ...] = ()
        self._match = SideMatch()

    @property
    def names(self) -> tuple[str, str]:
        """Names of the directions of the balance at a beat of side a and b; empty unless learnt and recognised."""
        return self._known.names if self._known is not None and self._match.sure else ("", "")

    def beats(self, beats: Sequence[FollowedBeat], voices: tuple[VoiceProfile, ...]) -> list[FollowedBeat]:
        """Convert beats to the clock's letters; ``voices`` are the sounds by which they are followed."""
        if voices is not self._voices:
            self._voices = voices
            marks = [] if self._known is None else self._known.marks()
            self._match = recognise(marks, SideMarks(voices), 1.0)
        if not (self._match.exchanged and self._match.sure):
            return list(beats)
        return [replace(beat, number=beat.number + 1) for beat in beats]


def known_sides(log: BenchLog, clock: str) -> KnownSides:
    """Gather the knowledge of a clock's sides from the bench log.

    Raises
    ------
    InputError
        No such clock.
    BenchLogError
        The log cannot be read.
    """
    record = log.clock(clock)
    rows = log.readings(clock, documents=False)
    works = tuple(work.done_at for work in log.works(clock) if work.kind in MOVES_THE_BEAT)
    readings = []
    for row in rows:
        own = own_sides(record, row)
        if own is not None and own.probability >= SURE and row.sides is not None:
            readings.append(DatedMarks(row.taken_at, SideMarks.of_document(row.sides)))
    reference = None if record.sides is None else SideMarks.of_document(record.sides)
    # Readings kept before sides existed: the latest one defines the letters.
    if reference is None and not readings and rows:
        last = log.readings(clock)[-1]
        readings = [DatedMarks(last.taken_at, marks_of(Night(reading_from_document(last.document))))]
    return KnownSides(reference, tuple(readings), works, side_names(record))


def when_recorded(log: BenchLog, clock: str, recording: Path, duration_s: float) -> datetime | None:
    """Start time of a recording: as kept for the clock, else its own date; None where unknown.

    The beat error is compared with the reading nearest in time, so an old recording must not be dated as of today.

    Parameters
    ----------
    log : BenchLog
    clock : str
        The clock's name.
    recording : Path
        Sound file, or folder of a night.
    duration_s : float
        Length of the recording.
    """
    if not recording.exists():
        return None
    birth = birth_of(recording, duration_s)
    rows = log.readings(clock, documents=False)
    kept = [row.taken_at for row in rows if birth.identity and row.recording_id == birth.identity]
    return kept[-1] if kept else birth.began


def side_names(record: ClockRecord) -> tuple[str, str]:
    """Names of the directions of the balance at a beat of side a and b; empty until learnt."""
    learnt = record.sides is not None and bool(record.sides.get("learnt"))
    return (record.side_a_name, record.side_b_name) if learnt else ("", "")


def own_sides(record: ClockRecord, row: ReadingRecord) -> OwnSides | None:
    """How certain a kept reading's letters are, with the present names of the directions."""
    if row.sides is None or record.sides is None:
        return None
    sure = float(row.sides.get("probability", 0.5))
    since = record.sides.get("since")
    if since is not None and row.kept_at < datetime.fromisoformat(since):
        earlier = float(record.sides.get("earlier", 1.0))
        sure = sure * earlier + (1 - sure) * (1 - earlier)
    return OwnSides(sure, *side_names(record))


def kept_night(record: ClockRecord, row: ReadingRecord) -> Night:
    """Give the night of a row of the log: its reading, its mean sounds, and whether its letters are the clock's."""
    reading = replace(reading_from_document(row.document), sides=own_sides(record, row))
    voices = () if row.sides is None else SideMarks.of_document(row.sides).voices
    return Night(reading, row.taken_at, row.temperature_c, voices)


@dataclass(frozen=True, slots=True)
class Lettered:
    """A reading to be kept: its document in the clock's letters, and the log's data about its sides.

    ``gives_letters`` means that the log has no sides of this clock yet: the letters of this reading become the clock's.
    """

    document: dict[str, Any]
    sides: dict[str, Any] | None
    gives_letters: bool

    def settle(self, log: BenchLog, clock: str) -> None:
        """Keep the letters with the clock, after the reading was kept."""
        if self.gives_letters and self.sides is not None:
            marks = {name: self.sides[name] for name in ("sounds", "louder_b_db", "beat_error_ms")}
            log.learn_sides(clock, marks | {"learnt": None})


def in_own_letters(
    log: BenchLog,
    clock: str,
    reading: Reading | Mapping[str, Any],
    began: datetime | None,
    voices: tuple[VoiceProfile, ...] = (),
) -> Lettered:
    """Convert a reading that is to be kept to the letters of its clock.

    Parameters
    ----------
    log : BenchLog
    clock : str
        The clock's name.
    reading : Reading or dict
        The reading, or its document. Everything else in a document stays unchanged; a document without beats is not
        changed at all.
    began : datetime or None
        When the recording began.
    voices : tuple of VoiceProfile
        Mean sounds of contact and drop, in the reading's own letters; may be empty.

    Raises
    ------
    InputError
        No such clock.
    """
    given = None if isinstance(reading, Reading) else dict(reading)
    try:
        heard = reading if isinstance(reading, Reading) else reading_from_document(dict(reading))
    except InputError:
        return Lettered(dict(given or {}), None, False)
    first = log.clock(clock).sides is None
    own, match = known_sides(log, clock).own(Night(heard, began, voices=voices))
    if first:  # all earlier knowledge is in its letters now
        own = replace(own, reading=replace(own.reading, sides=OwnSides(1.0)))
        match = SideMatch(1.0, match is not None and match.exchanged)
    assert match is not None
    document = reading_document(own.reading)
    if given is not None:
        changed = LETTERED if match.exchanged else ("sides",)
        document = given | {name: document[name] for name in changed if name in document}
    sides = marks_of(own).document() | {"probability": match.probability, "exchanged": match.exchanged}
    return Lettered(document, sides, first)


@dataclass(frozen=True, slots=True)
class LearnSidesRequest:
    """An observation at the bench.

    Parameters
    ----------
    clock : str
        The clock's name in the bench log.
    recording : Path
        Recording made while the balance was watched.
    at_s : float
        Time, from the start of the recording, at which the balance passed the middle in that direction.
    towards : str
        What it went towards, for example "the window".
    other : str
        What it goes towards in the other direction. Default: away from there.
    log : str or None
        The bench log; None for the default one.
    """

    clock: str
    recording: Path
    at_s: float
    towards: str
    other: str = ""
    log: str | None = None

    def __post_init__(self) -> None:
        if not self.towards.strip():
            raise InputError("say which way the balance went, such as: --towards 'the window'")


@dataclass(frozen=True, slots=True)
class LearnSidesResult:
    """The learnt sides.

    Attributes
    ----------
    side : str
        The clock's letter for the side at whose beats the balance goes in that direction.
    beat_s : float
        Time of the identified beat, from the start of the recording.
    names : (str, str)
        Names of the directions of the balance at a beat of side a and of side b.
    match : SideMatch or None
        Match between the recording's letters and those of the earlier kept readings; None where there were none.
    """

    side: Side
    beat_s: float
    names: tuple[str, str]
    match: SideMatch | None

    @property
    def towards(self) -> str:
        """The direction of the balance at the identified beat."""
        return self.names["ab".index(self.side)]


def learn_sides(request: LearnSidesRequest) -> LearnSidesResult:
    """Learn the direction of the balance at a beat of each side, from one observed passage.

    Raises
    ------
    InputError
        No such clock or recording, or no beat was heard near that time.
    NothingHeardError
        The recording holds no clock.
    BenchLogError
        The log cannot be read, or did not accept the entry.
    """
    from torsionbeat.benchlog import open_log
    from torsionbeat.reading.analysis import analyse_fully

    with open_log(request.log, must_exist=True) as log:
        record = log.clock(request.clock)
        analysis = analyse_fully(request.recording, record.as_clock())
        reading = analysis.reading
        began = when_recorded(log, request.clock, request.recording, reading.recording.duration_s)
        night, match = known_sides(log, request.clock).own(
            Night(reading, began, voices=analysis.heard.voices)
        )
        row = _seen_beat(night.reading, request.at_s)
        side: Side = "a" if str(night.reading.swings.side[row]) == "a" else "b"
        learnt = {"at_s": request.at_s, "recording": request.recording.name}
        names = keep_sides(log, request.clock, night, match, side, request.towards, request.other, learnt)
    return LearnSidesResult(side, float(night.reading.swings.time_s[row]), names, match)


def keep_sides(
    log: BenchLog,
    clock: str,
    night: Night,
    match: SideMatch | None,
    side: Side,
    towards: str,
    other: str = "",
    seen: dict[str, Any] | None = None,
) -> tuple[str, str]:
    """Keep the direction of the balance at a beat of a side in the clock's record; give the names of side a and side b.

    Parameters
    ----------
    log : BenchLog
    clock : str
    night : Night
        The night during the observation, in the clock's letters.
    match : SideMatch or None
        Its match with the earlier kept readings.
    side : str
        The side at whose beats the balance goes ``towards``.
    towards, other : str
        What it goes towards then, and at a beat of the other side.
    seen : dict, optional
        Place and time of the observation, kept with it.
    """
    towards = towards.strip()
    there = towards if towards.lower().startswith("towards ") else f"towards {towards}"
    back = other.strip() or f"away from {there.split(' ', 1)[1]}"
    if other.strip() and not back.lower().startswith(("towards ", "away ")):
        back = f"towards {back}"
    names = (there, back) if side == "a" else (back, there)
    now = datetime.now(UTC)
    learnt = {"side": side, "towards": there, "learnt_at": now.isoformat()} | (seen or {})
    earlier = 1.0 if match is None else match.probability
    log.learn_sides(
        clock,
        marks_of(night).document() | {"learnt": learnt, "since": now.isoformat(), "earlier": earlier},
    )
    log.change_clock(clock, side_a_name=names[0], side_b_name=names[1])
    return names


def own_letters(known: KnownSides, nights: Sequence[Night]) -> list[Night]:
    """Convert nights to the clock's letters, each matched to the earlier knowledge and to the nights before it."""
    rows = []
    for night in nights:
        own, match = known.own(night)
        if match is None or match.sure:
            known = known.with_night(own)
        rows.append(own)
    return rows


def _doubt(match: SideMatch) -> Remark:
    chance = (
        "it may as well be the other way round"
        if match.probability < 0.65
        else f"the chance that they are right is {100 * match.probability:.0f} %"
    )
    return Remark(
        UNSURE,
        "Which side is side a and which side b cannot be told for certain here by sounds and beat error: "
        f"{chance}. So the sign of the beat error may be the other, and no way to turn is named.",
    )


def _seen_beat(reading: Reading, at_s: float) -> int:
    """Row of the observed beat: the nearest, because the balance keeps its direction between two turning points."""
    times = reading.swings.time_s
    if not 0 <= at_s <= reading.recording.duration_s:
        raise InputError(
            f"the moment is {at_s:g} s; the recording lasts {reading.recording.duration_s:.0f} s, so give one within it"
        )
    assert reading.period_s is not None
    row = int(np.argmin(np.abs(times - at_s)))
    apart_s = abs(float(times[row]) - at_s)
    if apart_s > NEAREST_SHARE * reading.period_s.nominal_value:
        raise InputError(
            f"at {at_s:g} s the balance was near where it turns round, or its beat was not heard: the nearest beat is at "
            f"{times[row]:.1f} s. Give the moment at which it goes by the middle"
        )
    return row
