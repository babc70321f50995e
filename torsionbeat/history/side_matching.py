"""Which side is which: the letters of one reading matched to those of another, with the odds.

The hearing calls the side of the first beat a, so the letters of two recordings of one clock may be exchanged. Two
kinds of evidence show this. The first is the sounds: fork and pallets do not sound alike on both sides, so the mean
sounds of the two readings are compared (the levels, where no mean sounds are kept). The second is the beat error: a
setting that was not touched keeps its size and its sign. Each gives log odds that the letters are the same, and their
sum gives a probability. No side is named on less than :data:`SURE`.

Input: the marks of two readings (:class:`SideMarks`). Output: log odds, > 0 where the letters are the same, or a
:class:`SideMatch`. Natural logarithms, milliseconds, decibels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from torsionbeat.history.mean_sounds import mean_sounds_document, mean_sounds_of
from torsionbeat.history.nights import Group, Night, with_sides_swapped
from torsionbeat.history.sound_rows import KINDS, PLACE_DB, between_sides_db, likeness
from torsionbeat.reading.document import figure_document
from torsionbeat.reading.figures import UFloat

__all__ = [
    "SURE",
    "TOUCHED",
    "UNTOUCHED",
    "SideMarks",
    "SideMatch",
    "alike",
    "groups_alike",
    "marks_of",
    "recognise",
    "same_letters",
    "same_side_log_odds",
]

SURE = 0.99
"""Least probability at which a side is named: a restorer turns the setting accordingly, and may be wrong once in a hundred."""

SURE_LOG_ODDS = math.log(SURE / (1 - SURE))  # the same as log odds

LOG_ODDS_OF_LIKENESS = 60.0
"""Log odds per unit of likeness: of the letters as they are minus exchanged, contact and drop together. Fitted by maximum
likelihood to simulated pairs with the microphone in different places (tests/benchmarks/sides.py)."""

SOUND_MAY_MISLEAD = 0.002
"""Share of pairs in which the sounds may mislead however clear they are: a microphone moved to the other side of the
clock, a part changed. It bounds the log odds of the sounds alone (no source: the simulated pairs show no such case)."""

LEAST_LIKENESS, FULL_LIKENESS = 0.80, 0.92
"""Limits of the mean likeness with the better lettering. Up to the first the clock sounds different and the sounds do not
count; from the second they count in full; between, in proportion. Of 138 pairs of simulated recordings of one clock in
different places 97 % reach the first and half the second; of pairs of different clocks 40 % and 6 %."""

MOST_OFF = 2.0
"""Standard uncertainties by which a kind's levels may differ with the better lettering, and still be used."""

UNTOUCHED = 0.05
"""Probability that the beat setting was moved between two readings although nothing was noted (no source: notes are
forgotten now and then)."""

TOUCHED = 0.9
"""The same where work was noted that moves it: the sign of the beat error then says almost nothing."""

DRIFT_MS, DRIFT_SHARE = 0.5, 0.04
"""Difference of an untouched setting's beat error from reading to reading, besides its uncertainty: a constant, and a share
of it, since it is in proportion to 1 / arc (simulated drives wander by 3 %; common practice, no source)."""

DRIFT_FREEDOM = 3.0
"""Degrees of freedom of Student's distribution of that difference: now and then it is far larger."""

MOVED_MS = 30.0
"""Typical beat error of a setting that was just moved, of either sign: scale of a Cauchy distribution, since a setting may
be left far out (no source; it affects only the chance that a moved setting has the same size as before)."""


@dataclass(frozen=True, slots=True)
class SideMarks:
    """What one reading shows of its sides.

    Parameters
    ----------
    voices : tuple of VoiceProfile
        Mean sounds of contact and drop; empty where they were not kept.
    louder_b_db : dict of str to UFloat
        By kind, how much louder side b is than side a.
    beat_error_ms : UFloat
        Half of (interval a to b minus interval b to a), or None.
    """

    voices: tuple[Any, ...] = ()
    louder_b_db: tuple[tuple[str, UFloat], ...] = ()
    beat_error_ms: UFloat = None

    def exchanged(self) -> SideMarks:
        """Give the same with side a called b and side b called a."""
        return SideMarks(
            tuple(replace(voice, side="b" if voice.side == "a" else "a") for voice in self.voices),
            tuple((kind, -level) for kind, level in self.louder_b_db),
            None if self.beat_error_ms is None else -self.beat_error_ms,
        )

    def document(self) -> dict[str, Any]:
        """Give the marks in plain types for JSON."""
        return {
            "sounds": mean_sounds_document(self.voices),
            "louder_b_db": {kind: _pair(level) for kind, level in self.louder_b_db},
            "beat_error_ms": _pair(self.beat_error_ms),
        }

    @staticmethod
    def of_document(document: dict[str, Any]) -> SideMarks:
        """Restore the marks from :meth:`document`.

        Raises
        ------
        InputError
            The mean sounds in it cannot be understood.
        """
        return SideMarks(
            mean_sounds_of(document.get("sounds") or ()),
            tuple((kind, _figure(level)) for kind, level in (document.get("louder_b_db") or {}).items()),
            _figure(document.get("beat_error_ms")),
        )


@dataclass(frozen=True, slots=True)
class SideMatch:
    """How the letters of a reading relate to those of its clock.

    Parameters
    ----------
    probability : float
        Probability that the letters are the clock's own, after an exchange where ``exchanged``; from 0.5 to 1.
    exchanged : bool
        Side a of the reading is side b of the clock.
    """

    probability: float = 0.5
    exchanged: bool = False

    @property
    def sure(self) -> bool:
        """Whether a side may be named."""
        return self.probability >= SURE


def marks_of(night: Night) -> SideMarks:
    """Give the marks of a night's sides."""
    levels = ((kind, between_sides_db(night.reading, kind)) for kind in KINDS)
    return SideMarks(
        tuple(night.voices),
        tuple((kind, level) for kind, level in levels if level is not None),
        night.reading.beat_error_ms,
    )


def same_side_log_odds(known: SideMarks, new: SideMarks, moved: float) -> float:
    """Log odds that two readings call the same side a.

    Parameters
    ----------
    known, new : SideMarks
    moved : float
        Probability that the beat setting was moved between them: :data:`UNTOUCHED`, :data:`TOUCHED`, or 1 to leave
        the beat error out.
    """
    return _by_sounds(known, new) + _by_beat_error(known.beat_error_ms, new.beat_error_ms, moved)


def recognise(known: Sequence[SideMarks], new: SideMarks, moved: float) -> SideMatch:
    """Match a reading to earlier readings of its clock.

    The log odds by sounds are averaged over all earlier readings, because these share what can mislead. The beat error
    is compared with the latest reading only.

    Parameters
    ----------
    known : sequence of SideMarks
        Marks of earlier readings, the latest last.
    new : SideMarks
    moved : float
        Probability that the beat setting was moved since.
    """
    if not known:
        return SideMatch()
    odds = sum(_by_sounds(one, new) for one in known) / len(known)
    odds += _by_beat_error(known[-1].beat_error_ms, new.beat_error_ms, moved)
    return SideMatch(1 / (1 + math.exp(-abs(odds))), odds < 0)


def same_letters(one: Sequence[Night], other: Sequence[Night], moved: float = TOUCHED) -> bool | None:
    """Whether two series of nights, each with consistent letters, call the same side a; None where that is not sure.

    Parameters
    ----------
    one : sequence of Night
    other : sequence of Night
    moved : float
        Probability that the beat setting was moved between.
    """
    odds = sum(_night_log_odds(x, y, moved) for x, y in product(one, other)) / (len(one) * len(other))
    return odds > 0 if abs(odds) >= SURE_LOG_ODDS else None


def alike(nights: Sequence[Night], reference: int = 0) -> list[Night]:
    """Give nights of one state of a clock with the letters of one of them: each gets the likelier lettering."""
    known = nights[reference]
    turned = []
    for night in nights:
        same = night is known or _night_log_odds(known, night, UNTOUCHED) >= 0
        turned.append(night if same else with_sides_swapped(night))
    return turned


def groups_alike(before: Group, after: Group, swap_sides: bool | None) -> tuple[Group, Group, bool | None]:
    """Give both groups with consistent letters, those of the first, and whether the second was exchanged for that.

    The last value is None where sounds and beat error were to decide and could not.

    Parameters
    ----------
    before : Group
    after : Group
    swap_sides : bool or None
        Side a before is side b after; None: sounds and beat error decide.
    """
    first = replace(before, nights=tuple(alike(before.nights)))
    second = replace(after, nights=tuple(alike(after.nights)))
    turned = swap_sides
    if turned is None:
        same = same_letters(first.nights, second.nights)
        turned = None if same is None else not same
    if turned:
        second = replace(second, nights=tuple(map(with_sides_swapped, second.nights)))
    return first, second, turned


def _night_log_odds(one: Night, other: Night, moved: float) -> float:
    """Log odds that two nights call the same side a; nights in the letters of the same clock do."""
    if _of_its_clock(one) and _of_its_clock(other) and one.reading.clock.name == other.reading.clock.name:
        return 2 * SURE_LOG_ODDS
    return same_side_log_odds(marks_of(one), marks_of(other), moved)


def _of_its_clock(night: Night) -> bool:
    """Whether the night's letters are surely those of the clock that it names."""
    sides = night.reading.sides
    return bool(night.reading.clock.name) and sides is not None and sides.probability >= SURE


def _by_sounds(known: SideMarks, new: SideMarks) -> float:
    """Log odds by mean sounds, or by levels where one of the two has none; bounded, since any sound can mislead."""
    odds = _by_voices(known, new)
    if odds is None:
        odds = _by_levels(known, new)
    likely = 1 / (1 + math.exp(-max(min(odds, 50.0), -50.0)))
    bounded = SOUND_MAY_MISLEAD / 2 + (1 - SOUND_MAY_MISLEAD) * likely
    return math.log(bounded / (1 - bounded))


def _by_voices(known: SideMarks, new: SideMarks) -> float | None:
    """Log odds by the likeness of the mean sounds; None where they cannot be compared."""
    old, now = ({(v.kind, v.side): v for v in marks.voices} for marks in (known, new))
    kept, exchanged = [], []
    for kind in KINDS:
        a, b = ((kind, side) for side in "ab")
        if all(place in voices for place in (a, b) for voices in (old, now)):
            kept += [likeness(old[a], now[a]), likeness(old[b], now[b])]
            exchanged += [likeness(old[a], now[b]), likeness(old[b], now[a])]
    if not kept:
        return None
    better = max(sum(kept), sum(exchanged)) / len(kept)
    counts = min(max((better - LEAST_LIKENESS) / (FULL_LIKENESS - LEAST_LIKENESS), 0.0), 1.0)
    return counts * LOG_ODDS_OF_LIKENESS * (sum(kept) - sum(exchanged))


def _by_levels(known: SideMarks, new: SideMarks) -> float:
    """Log odds by how much louder side b is, with the uncertainty from the microphone's place included."""
    old, now = dict(known.louder_b_db), dict(new.louder_b_db)
    odds, off = 0.0, []
    for kind in old.keys() & now.keys():
        sigma = math.sqrt(2 * PLACE_DB**2 + old[kind].std_dev ** 2 + now[kind].std_dev ** 2)
        p, q = old[kind].nominal_value / sigma, now[kind].nominal_value / sigma
        odds += 2 * p * q
        off.append((abs(p - q), abs(p + q)))
    if not off or max(pair[0 if odds > 0 else 1] for pair in off) > MOST_OFF:
        return 0.0
    return odds


def _by_beat_error(known: UFloat, new: UFloat, moved: float) -> float:
    """Log odds by the beat error: an untouched setting keeps it, a moved one has either sign with equal chance."""
    if known is None or new is None:
        return 0.0
    old, now = known.nominal_value, new.nominal_value
    scale = math.sqrt(
        known.std_dev**2 + new.std_dev**2 + DRIFT_MS**2 + (DRIFT_SHARE * max(abs(old), abs(now))) ** 2
    )
    anew = moved / (math.pi * MOVED_MS * (1 + (now / MOVED_MS) ** 2))
    same, other = ((1 - moved) * _student((now - sign * old) / scale) / scale + anew for sign in (1, -1))
    return math.log(same / other)


def _student(x: float) -> float:
    """Density of Student's distribution with :data:`DRIFT_FREEDOM` degrees of freedom."""
    n = DRIFT_FREEDOM
    size = math.gamma((n + 1) / 2) / (math.gamma(n / 2) * math.sqrt(n * math.pi))
    return float(size * (1 + x * x / n) ** (-(n + 1) / 2))


def _pair(figure: UFloat) -> dict[str, float] | None:
    if figure is None or not np.isfinite(figure.nominal_value):
        return None
    return figure_document(figure)


def _figure(pair: Any) -> UFloat:
    from uncertainties import ufloat

    return None if pair is None else ufloat(float(pair["value"]), float(pair["standard_uncertainty"]))
