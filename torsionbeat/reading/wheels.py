"""Wheels by their teeth: what recurs in a reading after a fixed number of beats.

Input: a reading, whose beats are numbered exactly. Output: `WheelFault` values, each with the chance that the whole
search would find as much in a healthy clock; none where nothing stands out.

Method (order tracking and epoch folding; sources in `torsionbeat.theory.folding`). Loudness of contact and drop, lift
passage and time error of each beat are compared with the neighbouring beats of the same side. That removes the sides'
own sounds, the room's slow changes and the wander of the drive. A single bad tooth of an escape wheel then stands out
at one place of the turn for each pallet (`tooth`). A bad tooth further up the train changes the drive for some beats:
the arc steps down there, and recovers with the balance's settling time. So the arcs before and after each beat are
compared (which undoes the balance's slow response). An eccentric wheel is a `sine` in the passage, searched for in the
spectrum relative to neighbouring frequencies. Values are clipped at three standard deviations, so that no single bang
makes a finding. What another clock's ticks explain is not a finding.

Beats are those of the balance (two a period); even numbers are side a.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import fdtrc, ndtr
from uncertainties import ufloat

from torsionbeat.reading.figures import FloatArray, IntArray, Swings, WheelFault
from torsionbeat.theory import folding
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN
from torsionbeat.theory.train import Train, Turn, turns_within

__all__ = ["LEAST_BEATS", "LEAST_TURNS", "find_wheels"]

LEAST_BEATS = 120
"""Beats below which nothing is searched: four turns of an escape wheel of 15 teeth."""

LEAST_TURNS = 4
"""Turns that a recording must hold: a search has many places, and two or three turns agree by chance too often."""

LEAST_WAVE_TURNS = 8
"""Turns from which a wave is sought: with fewer, too few lower frequencies are left to measure the drive's wander (3 of
50 healthy nights whose drive wandered by 3 % showed a wave of 4.3 turns; with 8 none of 120)."""

BELIEVED = 0.004
"""False-alarm probability of the whole search below which a fault is reported. Theory leaves something out: in practice,
fewer than 1 healthy night in 50 shows one (``tests/benchmarks/wheels.py``)."""

REACH = 4
"""Beats of the same side, each way, that a beat is compared with: few, so that a fan's or kettle's noise is followed."""

STEP_BEATS = (4, 8, 16)
"""Beats averaged before and after a possible step of the arc: the time that a tooth further up takes to pass."""

SIZE_SIGMA = 3.0
"""The size of a fault must be this many standard uncertainties from zero: it is searched for by one contrast and measured
by another, and is rejected if only one of them shows it."""

OWN_SHARE = 0.5
"""Share of a change of loudness that only the contact or only the drop must show: changing noise affects both alike."""

MOST_FAULTS = 3
"""Turns reported at most; further ones are reported once these are mended."""

INTERVAL_DOUBT = 2e-4
"""Relative error allowed in the measured interval of another clock: 10 ms in a lag of 90 s, doubled."""


@dataclass(slots=True)
class _Row:
    """One quantity at every beat. ``step_beats`` is 0 unless it is a step.

    The search uses ``contrast``; the size is taken from ``excess``. A contrast against the nearer of two medians
    suppresses steps, but makes every deviation slightly too small.
    """

    quantity: str
    contrast: FloatArray
    excess: FloatArray
    step_beats: int = 0
    score: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self.score = np.full(len(self.contrast), np.nan)
        for side in (0, 1):  # each side has its own scatter
            self.score[side::2] = folding.bounded_scores(self.contrast[side::2])


@dataclass(frozen=True, slots=True)
class _Place:
    """A place of a turn at which a row stands out, and the probability of that by chance."""

    turn: Turn
    row: _Row
    place: int
    chance: float


@dataclass(frozen=True, slots=True)
class _Wave:
    """A sine in the lift passage: its fault, its course in percent by beat, and whether it outweighs its overtones."""

    fault: WheelFault
    turn: Turn
    course: FloatArray
    is_all: bool


@dataclass(frozen=True, slots=True)
class _Search:
    """What all tests of one recording share. Rows begin at beat ``first``, which is of side a."""

    turns: tuple[Turn, ...]
    trials: int
    first: int
    time_s: FloatArray
    other_intervals_s: tuple[float, ...]
    drop_over_contact_db: FloatArray

    def false_alarm(self, chance: float) -> float:
        return folding.false_alarm(chance, self.trials)

    def of_other_clock(self, place: _Place) -> bool:
        """Whether another clock ticks in step with the beats at this place, but not with all beats of this side."""
        beat = np.arange(len(self.time_s))
        known = np.isfinite(self.time_s)
        at, _ = folding.fold_places(beat, place.turn.beats)
        here, side = known & (at == place.place), known & (beat % 2 == place.place % 2)
        return any(
            folding.steady_phase(self.time_s[here], interval_s)
            and not folding.steady_phase(self.time_s[side], interval_s)
            for interval_s in self.other_intervals_s
        )


def find_wheels(
    swings: Swings,
    levels_db: Mapping[str, FloatArray],
    train: Train | None = None,
    other_intervals_s: Sequence[float] = (),
) -> tuple[WheelFault, ...] | None:
    """Search the beats of a recording for what recurs with the turn of a wheel.

    Parameters
    ----------
    swings : Swings
        Beats by their numbers.
    levels_db : mapping of str to ndarray, shape (len(swings),)
        Loudness of ``contact`` and ``drop`` at each swing, dB, nan where not heard.
    train : Train, optional
        Tooth counts: each wheel is tested at its own turn and nothing else is searched.
    other_intervals_s : sequence of float
        Intervals of other clocks heard in the room: what their ticks may explain is left out.

    Returns
    -------
    tuple of WheelFault or None
        The surest first; empty where nothing stands out; None where the recording is too short to search.
    """
    if len(swings) < LEAST_BEATS:
        return None
    first = int(swings.number[0]) - int(swings.number[0]) % 2
    number = swings.number - first
    span = int(number[-1]) + 1
    turns = turns_within(span / LEAST_TURNS, train)
    if not turns:
        return None
    values = _quantities(swings, levels_db, number, span)
    quantities = len(values) + len(STEP_BEATS)
    trials = sum(round(turn.beats) for turn in turns) * quantities + len(turns)
    time_s = _dense(swings.time_s, number, span)
    apart = _dense(levels_db["drop"] - levels_db["contact"], number, span)
    apart_db = _against_own_side("drop_over_contact_db", apart).excess
    search = _Search(turns, trials, first, time_s, tuple(other_intervals_s), apart_db)
    arc = folding.without_sides(_dense(swings.arc_deg, number, span))
    passage = values.get("lift_passage_percent")
    wave = None if passage is None else _sine(passage, search)
    alone = wave if wave is not None and wave.is_all else None
    if passage is not None and alone is not None:
        values["lift_passage_percent"] = passage - alone.course
        # a longer passage was read as a shorter arc
        arc = arc + alone.course / 100 * np.nanmedian(swings.arc_deg)
    rows = _rows(values, arc, alone)
    for row in rows:
        _without_other_ticks(row, time_s, _dense(swings.lift_passage_s, number, span), other_intervals_s)
    faults, told = _teeth(rows, search)
    if passage is not None and alone is None:
        wave = _sine(_unexplained(passage, rows), search)
    if wave is not None and not any(_in_tune(wave.turn, turn, span) for turn in told):
        faults.append(wave.fault)
    return tuple(sorted(faults, key=lambda fault: fault.false_alarm))


def _rows(values: Mapping[str, FloatArray], arc: FloatArray, alone: _Wave | None) -> list[_Row]:
    """Each quantity compared with its own side, and the steps of the arc.

    A wave of the lift that is ``alone`` is subtracted from all of them: it moves the middle of the passage too.
    """
    rows = [_against_own_side(name, row) for name, row in values.items()]
    rows += [
        _Row("arc_deg", step, step, beats) for beats in STEP_BEATS for step in [folding.steps(arc, beats)]
    ]
    if alone is None:
        return rows
    return [
        _Row(
            row.quantity,
            row.contrast - folding.fitted_wave(row.contrast, alone.turn.beats)[0],
            row.excess - folding.fitted_wave(row.excess, alone.turn.beats)[0],
            row.step_beats,
        )
        for row in rows
    ]


def _unexplained(passage: FloatArray, rows: Sequence[_Row]) -> FloatArray:
    """The lift passages without those at teeth already found: what a tooth explains is not a wave."""
    for row in rows:
        if row.quantity == "lift_passage_percent":
            passage = np.where(np.isnan(row.score), np.nan, passage)
    return passage


def _in_tune(wave: Turn, told: Turn, span: int) -> bool:
    """Whether a wave's frequency is a whole multiple of a reported turn's, within the resolution of this many beats."""
    times = told.beats / wave.beats
    return round(times) >= 1 and abs(times - round(times)) * span / told.beats < folding.LINE_BINS


def _dense(values: FloatArray, number: IntArray, span: int) -> FloatArray:
    row = np.full(span, np.nan)
    row[number] = values
    return row


def _quantities(
    swings: Swings, levels_db: Mapping[str, FloatArray], number: IntArray, span: int
) -> dict[str, FloatArray]:
    """Each quantity at every beat; one that is known at fewer than `LEAST_BEATS` beats is left out."""
    passage = swings.lift_passage_s
    known = np.isfinite(passage)
    percent = 100 * passage / np.median(passage[known]) if known.any() else passage
    rows = {
        "drop_level_db": levels_db["drop"],
        "contact_level_db": levels_db["contact"],
        "lift_passage_percent": percent,
        "time_error_ms": 1e3 * swings.time_s,
    }
    dense = {name: _dense(row, number, span) for name, row in rows.items()}
    dense["lift_passage_percent"] = folding.without_sides(dense["lift_passage_percent"])
    return {name: row for name, row in dense.items() if np.isfinite(row).sum() >= LEAST_BEATS}


def _against_own_side(quantity: str, row: FloatArray) -> _Row:
    """Each beat compared with its neighbours of the same side. A time error may slope; other quantities step."""
    contrast, excess = np.empty(len(row)), np.empty(len(row))
    for side in (0, 1):
        excess[side::2] = folding.against_line(row[side::2], REACH)
        contrast[side::2] = folding.against_neighbours(row[side::2], REACH)
    return _Row(quantity, excess if quantity == "time_error_ms" else contrast, excess)


def _without_other_ticks(
    row: _Row, time_s: FloatArray, passage_s: FloatArray, other_intervals_s: Sequence[float]
) -> None:
    """Remove from a row the beats whose contact or drop coincides with another clock's ticks, where the row shows them."""
    half_s = np.nan_to_num(passage_s) / 2
    contact, drop = time_s - half_s, time_s + half_s
    moments = {"drop_level_db": (drop,), "contact_level_db": (contact,)}.get(row.quantity, (contact, drop))
    for interval_s in other_intervals_s:
        for moment_s in moments if not row.step_beats else ():
            row.score[folding.where_it_ticks(row.score, moment_s, interval_s, INTERVAL_DOUBT)] = np.nan


def _teeth(rows: Sequence[_Row], search: _Search) -> tuple[list[WheelFault], list[Turn]]:
    """Single places of a turn at which a quantity stands out; what is found is then left out of the rows."""
    faults: list[WheelFault] = []
    told: list[Turn] = []
    for _ in range(MOST_FAULTS):
        places = [
            place for row in rows for turn in search.turns for place in _standing_out(row, turn, search)
        ]
        places = [place for place in places if not any(place.turn.same_as(turn) for turn in told)]
        if not places:
            break
        turn = _best_turn(places)
        told.append(turn)
        faults += _faults_at(turn, rows, search)
        for row in rows:
            at, _ = folding.fold_places(np.arange(len(row.score)), turn.beats)
            row.score[np.isin(at, [place.place for place in _standing_out(row, turn, search)])] = np.nan
    return faults, told


def _standing_out(row: _Row, turn: Turn, search: _Search) -> list[_Place]:
    """Places of a turn at which a row is significant in the whole search, without those of other clocks' ticks."""
    if turn.beats < 4 * row.step_beats:  # the beats before a step would be those after the last one
        return []
    at, places = folding.fold_places(np.arange(len(row.score)), turn.beats)
    mean, count = folding.folded_mean(row.score, at, places)
    enough = np.flatnonzero(count >= LEAST_TURNS - 1)  # a place may have missed one beat
    chance = 2 * ndtr(-np.abs(mean[enough]) * np.sqrt(count[enough]))
    out = [
        _Place(turn, row, int(place), float(one))
        for place, one in zip(enough, chance, strict=True)
        if one * search.trials < 2 * BELIEVED and search.false_alarm(float(one)) < BELIEVED
    ]
    return [place for place in out if not search.of_other_clock(place)]


def _best_turn(places: Sequence[_Place]) -> Turn:
    """The turn whose fold is least likely by chance, of those at which the surest row stands out (one and its multiples)."""
    from scipy.stats import chi2

    surest = min(places, key=lambda place: place.chance).row
    turns = {place.turn.beats: place.turn for place in places if place.row is surest}

    def log_chance(turn: Turn) -> float:
        at, many = folding.fold_places(np.arange(len(surest.score)), turn.beats)
        chi_square, freedoms = folding.chi_square_of_fold(surest.score, at, many)
        return float(chi2.logsf(chi_square, freedoms))

    return min(turns.values(), key=log_chance)


def _faults_at(turn: Turn, rows: Iterable[_Row], search: _Search) -> list[WheelFault]:
    """What each quantity shows at a turn. The arc follows from the lift passage: only the surer of the two is kept."""
    found = [
        (row, fault)
        for row in rows
        if (places := _standing_out(row, turn, search))
        and _measured(fault := _tooth(turn, row, places, search))
        and not _of_room(fault, turn, places, search)
    ]
    of_passage = [fault for row, fault in found if row.step_beats or row.quantity == "lift_passage_percent"]
    others = [fault for _, fault in found if all(fault is not one for one in of_passage)]
    return others + ([min(of_passage, key=lambda fault: fault.false_alarm)] if of_passage else [])


def _of_room(fault: WheelFault, turn: Turn, places: Sequence[_Place], search: _Search) -> bool:
    """Whether contact and drop get louder or softer together there: the room's noise does that, a tooth does not."""
    sign = {"drop_level_db": 1, "contact_level_db": -1}.get(fault.quantity)
    apart_db = search.drop_over_contact_db
    at, _ = folding.fold_places(np.arange(len(apart_db)), turn.beats)
    inside = np.isin(at, [place.place for place in places])
    if sign is None or not (np.isfinite(apart_db[inside]).any() and np.isfinite(apart_db[~inside]).any()):
        return False
    own_db = sign * float(np.nanmean(apart_db[inside]) - np.nanmean(apart_db[~inside]))
    return own_db / float(fault.size.nominal_value) < OWN_SHARE


def _measured(fault: WheelFault) -> bool:
    return bool(abs(fault.size.nominal_value) > SIZE_SIGMA * fault.size.std_dev)


def _tooth(turn: Turn, row: _Row, places: Sequence[_Place], search: _Search) -> WheelFault:
    """The fault at these places of one row: for a step at the surest place, else at one place for each pallet."""
    by_chance = sorted(places, key=lambda place: place.chance)
    chosen = by_chance[:1]
    if not row.step_beats:  # a bad tooth passes each pallet once a turn, on different sides
        chosen += [place for place in by_chance if place.place % 2 != chosen[0].place % 2][:1]
    at, _ = folding.fold_places(np.arange(len(row.contrast)), turn.beats)
    known = np.isfinite(row.excess)
    inside = np.isin(at, [place.place for place in chosen])
    here, elsewhere = row.excess[known & inside], row.excess[known & ~inside]
    scatter = max(
        SIGMA_PER_MEDIAN * float(np.median(np.abs(elsewhere - np.median(elsewhere)))), float(here.std(ddof=1))
    )
    where = tuple(
        sorted((round((one.place + search.first) % turn.beats), "ab"[one.place % 2]) for one in chosen)
    )
    size = ufloat(here.mean() - elsewhere.mean(), scatter / np.sqrt(len(here)))
    chance = search.false_alarm(by_chance[0].chance)
    return WheelFault(turn.beats, turn.teeth, "tooth", where, row.quantity, size, chance, turn.wheel)


def _sine(passage: FloatArray, search: _Search) -> _Wave | None:
    """The wave in which the lift passage goes up and down on both sides together; None where no turn shows one."""
    rows = [folding.tapered(passage[side::2]) for side in (0, 1)]
    best: tuple[float, float, Turn] | None = None
    for turn in search.turns:
        if len(passage) < LEAST_WAVE_TURNS * turn.beats:
            continue
        ratio, freedoms = folding.wave_ratio(rows, turn.beats)
        if freedoms > 2 and (best is None or ratio > best[0]):
            best = ratio, freedoms, turn
    if best is None:
        return None
    ratio, freedoms, turn = best
    chance = search.false_alarm(float(fdtrc(4, freedoms, ratio / 2)))
    wave = _wave_of(passage, turn, chance, search) if chance < BELIEVED else None
    return wave if wave is not None and _measured(wave.fault) else None


def _wave_of(passage: FloatArray, turn: Turn, chance: float, search: _Search) -> _Wave:
    """The wave of a turn by least squares on each side."""
    course, (cosines, sines) = folding.fitted_wave(passage, turn.beats)
    crest = 2 * round(np.arctan2(sines[0], cosines[0]) / (2 * np.pi) * turn.beats / 2)
    known = np.isfinite(passage)
    noise = float(np.std((passage - course)[known])) / np.sqrt(known.sum() / 2)
    half_height = ufloat(np.sqrt(np.mean(cosines**2 + sines**2)), noise)
    where = ((round((crest + search.first) % turn.beats), "a"),)
    fault = WheelFault(
        turn.beats, turn.teeth, "sine", where, "lift_passage_percent", half_height, chance, turn.wheel
    )
    return _Wave(fault, turn, course, folding.is_wave_alone(passage, turn.beats))
