"""Measuring: from what was heard to the reading. Pure. Input: a Heard, a Clock and a Timebase. Output: a Reading.

The figures describe the clock as it is now. Where the drive was lost or the beat setting moved in the middle of the
recording, they are taken from the stretch after that, and the reading names that stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from uncertainties import ufloat

from torsionbeat.errors import NothingHeardError
from torsionbeat.hearing.heard import Heard, HeardSounds
from torsionbeat.reading.arc_course import Turn, turn_of
from torsionbeat.reading.arc_trend import arc_trend_deg_per_hour
from torsionbeat.reading.beats import (
    Beats,
    StackedPassage,
    as_one_fork_makes_them,
    beats_of,
    half_period_s,
    stacked_passages,
    without_strays,
)
from torsionbeat.reading.figures import (
    Clock,
    Events,
    FloatArray,
    IntArray,
    Reading,
    RecordingInfo,
    Swings,
    Timebase,
    UFloat,
)
from torsionbeat.reading.jumps import Jump, find_jumps
from torsionbeat.reading.mean_arc import (
    beat_error_edge_s,
    beginnings_of,
    mean_arc_deg,
    moved_by,
    offset_of,
    passages_differ_s,
    single_arcs_deg,
)
from torsionbeat.reading.mean_period import (
    SteadyPeriod,
    mean_period,
    moved_by_unseen_arc_s,
    no_surer_than_its_parts,
    with_what_timing_hides,
)
from torsionbeat.reading.other_accounts import arc_in_doubt_deg, beat_error_in_doubt_ms
from torsionbeat.reading.remarks import in_step, remarks_on
from torsionbeat.sound.remarks import as_remark
from torsionbeat.theory.rate import DAY_S, rate_s_per_day
from torsionbeat.theory.two_sides import Joint

__all__ = ["reading_of"]

PULL_S = 0.01
"""Half-width of the shift, between the first and last middle of a stretch, that another torsion clock in step can cause: one
that crossed the contacts of a twin for 40 minutes caused 5 ms."""

FARTHEST_NOMINAL = 0.25
"""A period farther than this from the nominal one is another clock's, not a rate."""

LEAST_BEATS = 3
"""Two intervals: a period, and a first idea of its scatter."""

LEAST_FOR_JUMPS = 20
"""Beats below which a jump cannot be distinguished from a few scattered beats: five of a side are needed on either side of it."""

LEAST_PRESENT = 16
"""Beats that the stretch after a break needs to represent the clock as it is now: eight of each side."""


@dataclass(frozen=True, slots=True)
class _Figures:
    """Figures of one stretch of beats."""

    steady: SteadyPeriod
    period: UFloat
    rate: UFloat
    beat_error_ms: UFloat
    offset: UFloat
    arc: UFloat
    trend: UFloat
    beat_error_from_beginnings_ms: float
    arc_from_beginnings_deg: float


def reading_of(
    heard: Heard,
    clock: Clock,
    timebase: Timebase,
    name: str,
    remarks: Sequence[str] = (),
    recorder: str = "",
) -> Reading:
    """The reading of one recording.

    Parameters
    ----------
    heard : Heard
        Sounds of the clock, numbered by beat.
    clock : Clock
        What is known of the clock.
    timebase : Timebase
        How far the recorder's crystal is off.
    name : str
        Name of the recording.
    remarks : tuple of str
        Remarks that go before the reading's own remarks.
    recorder : str
        The recorder; empty where it is not known.

    Raises
    ------
    NothingHeardError
        Fewer than three beats of a clock were heard.
    """
    seconds_per_sample = 1 / (heard.sample_rate_hz * (1 + timebase.offset_ppm * 1e-6))
    heard = heard.laid_out(
        *(
            [(at, size_s / seconds_per_sample) for at, size_s in steps]
            for steps in (timebase.steps, timebase.silent)
        )
    )
    seconds = heard.sounds.sample * seconds_per_sample
    half_s = (heard.period_samples or 0.0) / 2 * seconds_per_sample
    together = (
        stacked_passages(heard.stacked_passages, seconds_per_sample, half_s) if heard.stacked_passages else {}
    )
    for_middles, differ_u_s = as_one_fork_makes_them(together, beats_of(heard.sounds, seconds, {}))
    beats, strays = without_strays(beats_of(heard.sounds, seconds, for_middles))
    if len(beats.number) < LEAST_BEATS:
        raise NothingHeardError(_nothing(heard, name, clock.nominal_period_s))
    beginnings = beginnings_of(beats, heard.sounds, seconds_per_sample)
    differ_s = passages_differ_s(beats, beginnings)
    seconds = seconds + beginnings.later[2 * (heard.sounds.beat % 2) + (heard.sounds.kind == "drop")]
    together, for_middles = (moved_by(beginnings, passages) for passages in (together, for_middles))
    beats = beats_of(heard.sounds, seconds, for_middles).of_numbers(beats.number)
    jumps = []
    if len(beats.number) >= LEAST_FOR_JUMPS:
        jumps = find_jumps(beats.number, beats.middle_s, half_period_s(beats))
    timebase = timebase.in_doubt_by(_losses_like(jumps, heard.samples * seconds_per_sample))
    whole = _figures_of(beats, jumps, heard, clock, timebase, together, beginnings, differ_u_s)
    arcs = single_arcs_deg(beats, clock, whole.steady)
    turn = turn_of(beats.middle_s, arcs)
    part = _part_measured(beats, jumps, turn)
    figures = whole
    if not part.all():
        figures = _figures_of(
            beats.where(part), jumps, heard, clock, timebase, together, beginnings, differ_u_s
        )
    arcs[part] = single_arcs_deg(beats.where(part), clock, figures.steady)
    if figures.arc is None and heard.other_accounts:
        arcs[:] = np.nan  # without a mean arc there are no single arcs either
    reading = Reading(
        recording=replace(_info(heard, name, seconds_per_sample), recorder=recorder),
        timebase=timebase,
        clock=clock,
        period_s=figures.period,
        rate_s_per_day=figures.rate,
        beat_error_ms=figures.beat_error_ms,
        offset_deg=figures.offset,
        arc_deg=figures.arc,
        arc_trend_deg_per_hour=figures.trend,
        beat_error_from_beginnings_ms=figures.beat_error_from_beginnings_ms,
        arc_from_beginnings_deg=figures.arc_from_beginnings_deg,
        beats_expected=_expected(beats, figures.steady, heard, seconds_per_sample),
        beats_heard=len(beats.number),
        swings=_swings(beats, arcs),
        events=_events(heard.sounds, beats.number, seconds),
        stretch_s=None if part.all() else _ends(beats.where(part).middle_s),
    )
    told = remarks_on(
        reading,
        heard,
        strays=strays,
        together=together,
        jumps=jumps,
        differ_s=differ_s,
        turn=turn,
    )
    return replace(reading, remarks=(*(as_remark(one) for one in remarks), *told))


def _losses_like(jumps: list[Jump], duration_s: float) -> list[tuple[float, float]]:
    """Jumps of the kind that lost sound causes (all beats suddenly earlier), as (share of the duration, s)."""
    return [
        (min(jump.time_s / duration_s, 1.0), -jump.phase_s)
        for jump in jumps
        if jump.moves_phase and jump.phase_s < 0
    ]


def _part_measured(beats: Beats, jumps: list[Jump], turn: Turn | None) -> npt.NDArray[np.bool_]:
    """Beats to measure: those since the last break that enough beats follow; without one, those before the first break."""
    moments = [jump.time_s for jump in jumps if jump.moves_beat]
    if turn is not None:
        moments.append(turn.time_s)
    for moment in sorted(moments, reverse=True):
        after = beats.middle_s >= moment
        if np.count_nonzero(after) >= LEAST_PRESENT:
            return after
    return beats.middle_s < min(moments) if moments else np.ones(len(beats.number), bool)


def _figures_of(
    beats: Beats,
    jumps: list[Jump],
    heard: Heard,
    clock: Clock,
    timebase: Timebase,
    together: dict[int, StackedPassage],
    beginnings: Joint,
    differ_u_s: float,
) -> _Figures:
    """Period, beat error, arc and what follows from them, over one stretch of beats.

    ``differ_u_s``: as `as_one_fork_makes_them` gives it.
    """
    seconds_per_sample = 1 / (heard.sample_rate_hz * (1 + timebase.offset_ppm * 1e-6))
    inside = [jump for jump in jumps if beats.number[0] <= jump.before and jump.after <= beats.number[-1]]
    whole = _outside(beats.number, inside)
    middle_s, number = beats.middle_s[whole], beats.number[whole]
    at_jumps = tuple(jump.before + 0.5 for jump in inside)
    steady = mean_period(middle_s, number, at_jumps)
    steady = no_surer_than_its_parts(steady, middle_s, beats.drop_s[whole], number, at_jumps)
    steady = with_what_timing_hides(steady, number)
    # An unnoticed change of the passage from beat to beat shifts the middle of its side by half of it, and the mean of
    # both sides by a quarter of it, each beat. A period has two beats.
    by_travel_s = sum(side.mean_s * side.travel_uncertainty for side in together.values()) / 2
    by_arc_s = 0.0
    if not together and not np.isfinite(beats.passage_s).any():
        by_arc_s = moved_by_unseen_arc_s(steady.period_s, beats.drop_s)
    by_pull_s = 0.0
    if in_step(steady.period_s, heard) is not None:
        by_pull_s = PULL_S / np.sqrt(3) * 2 / float(beats.number[-1] - beats.number[0])
    own_s = float(np.linalg.norm((steady.period_uncertainty_s, by_travel_s, by_arc_s, by_pull_s)))
    by_crystal_s = steady.period_s * timebase.standard_uncertainty_ppm * 1e-6
    period = ufloat(steady.period_s, float(np.hypot(own_s, by_crystal_s)))
    error_ms, by_edges_s = None, 0.0
    if np.isfinite(steady.beat_error_s) and not heard.one_sided:
        by_edges_s = float(np.hypot(beat_error_edge_s(beginnings, together), differ_u_s / 2))
        parts_s = (steady.beat_error_uncertainty_s, by_edges_s)
        error_ms = ufloat(steady.beat_error_s * 1e3, float(np.linalg.norm(parts_s)) * 1e3)
    arcs = single_arcs_deg(beats, clock, steady)
    arc, by_edges_deg = mean_arc_deg(beats, arcs, clock, steady, together=together, beginnings=beginnings)
    error_ms = beat_error_in_doubt_ms(error_ms, heard.other_accounts, 1e3 * seconds_per_sample)
    arc = arc_in_doubt_deg(arc, heard.other_accounts, seconds_per_sample, steady.period_s, clock)
    return _Figures(
        steady=steady,
        period=period,
        rate=_rate(period, clock),
        beat_error_ms=error_ms,
        offset=offset_of(error_ms, arc, period.nominal_value, clock.lift_deg),
        arc=arc,
        trend=arc_trend_deg_per_hour(beats.middle_s, beats.number, arcs),
        beat_error_from_beginnings_ms=0.0 if error_ms is None else 1e3 * by_edges_s,
        arc_from_beginnings_deg=0.0 if arc is None else by_edges_deg,
    )


def _rate(period: UFloat, clock: Clock) -> UFloat:
    nominal = clock.nominal_period_s
    if nominal is None or abs(period.nominal_value / nominal - 1) >= FARTHEST_NOMINAL:
        return None
    value = float(rate_s_per_day(period.nominal_value, nominal))
    return ufloat(value, (DAY_S + value) * period.std_dev / period.nominal_value)


def _outside(number: IntArray, jumps: list[Jump]) -> npt.NDArray[np.bool_]:
    """Which beats lie outside every jump: a beat inside a jump may belong before or after it."""
    inside = np.zeros(len(number), bool)
    for jump in jumps:
        inside |= (number > jump.before) & (number < jump.after)
    return ~inside


def _info(heard: Heard, name: str, seconds_per_sample: float) -> RecordingInfo:
    gaps = tuple((first * seconds_per_sample, last * seconds_per_sample) for first, last in heard.gaps)
    return RecordingInfo(name, heard.samples * seconds_per_sample, heard.sample_rate_hz, heard.channels, gaps)


def _events(sounds: HeardSounds, number: IntArray, seconds: FloatArray) -> Events:
    """Certain sounds of the beats kept, in order of time."""
    told = sounds.certain & np.isin(sounds.beat, number)
    order = np.argsort(seconds[told], kind="stable")
    return Events(
        seconds[told][order],
        np.where(sounds.beat[told][order] % 2 == 0, "a", "b"),
        sounds.kind[told][order],
        sounds.level_db[told][order],
    )


def _ends(time_s: FloatArray) -> tuple[float, float]:
    return float(time_s[0]), float(time_s[-1])


def _nothing(heard: Heard, name: str, nominal_period_s: float | None) -> str:
    seconds = heard.samples / heard.sample_rate_hz
    if heard.unsure:
        return (
            f"a clock is heard in {name}, but it is not yet sure which sound is which: listen for longer, ten swings or "
            "more, with the microphone against the movement."
        )
    if heard.peak == 0:
        if heard.bad_samples:
            return f"{name} holds nothing that is a sound, only values that are no numbers: record again, or export it anew."
        return f"{name} is silent from beginning to end: check the microphone's cable, its switch and the recorder's level."
    others = [f"{interval:.3g} s" for interval in heard.other_intervals_s]
    if others:
        return (
            f"no torsion clock is heard in {name}: only something that ticks every {' and '.join(others)}. "
            "Move that clock away, or put the microphone against the movement."
        )
    if seconds < 60:
        return (
            f"no clock is heard in {name}, which is {seconds:.0f} s long: at least three beats are needed, better twenty. "
            "Record for longer, with the microphone against the movement."
        )
    period = (
        "or give the nominal period with --period"
        if nominal_period_s is None
        else f"and check --period, which was {nominal_period_s:g} s"
    )
    return (
        f"no clock is heard in {name}: nothing in it keeps a steady beat. Put the microphone against the movement, "
        f"{period}."
    )


def _swings(beats: Beats, arcs: FloatArray) -> Swings:
    with_contact = np.isfinite(beats.passage_s)
    time = np.where(with_contact, beats.drop_s - np.nan_to_num(beats.passage_s) / 2, beats.drop_s)
    period = np.full(len(beats.number), np.nan)
    where = {int(number): row for row, number in enumerate(beats.number)}
    for row, number in enumerate(beats.number):
        before = where.get(int(number) - 2)
        if before is None:
            continue
        like = with_contact[row] and with_contact[before]
        marks = time if like else beats.drop_s
        period[row] = marks[row] - marks[before]
    side = np.where(beats.number % 2 == 0, "a", "b")
    return Swings(beats.number, time, side, period, beats.passage_s, arcs)


def _expected(beats: Beats, steady: SteadyPeriod, heard: Heard, seconds_per_sample: float) -> int:
    """Beats that fell within the recording and outside its gaps."""
    half = steady.period_s / 2
    error = steady.beat_error_s if np.isfinite(steady.beat_error_s) else 0.0
    length = heard.samples * seconds_per_sample
    anchor, first = beats.middle_s[0], int(beats.number[0])
    last_time, last = beats.middle_s[-1], int(beats.number[-1])
    ahead = int(max(length - last_time, 0) / half) + 2
    behind = int(anchor / half) + 2
    numbers = np.arange(first - behind, last + ahead + 1)
    times = np.interp(numbers, beats.number, beats.middle_s)
    early, late = numbers < first, numbers > last
    shift = error * ((numbers % 2) - (first % 2)), error * ((numbers % 2) - (last % 2))
    times[early] = (anchor + (numbers - first) * half + shift[0])[early]
    times[late] = (last_time + (numbers - last) * half + shift[1])[late]
    tail = float(np.nanmedian(beats.drop_s - beats.middle_s))
    inside = (times > 0.05 + tail) & (times < length - 0.1 - tail)
    if heard.one_sided:
        inside &= numbers % 2 == first % 2
    for gap_first, gap_last in heard.gaps:
        inside &= ~(
            (times + tail > gap_first * seconds_per_sample - 0.1)
            & (times - tail < gap_last * seconds_per_sample + 0.1)
        )
    heard_too = np.isin(numbers, beats.number)
    return int(np.count_nonzero(inside | heard_too))
