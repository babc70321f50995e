"""Measuring: from what was heard to the reading. Pure: in go a Heard, a Clock and a Timebase, out comes a Reading.

Beats are numbered before any arithmetic, so a missed beat costs one beat. The middle of a lift passage stands for
its beat; where only the drop was heard, the drop less half the passage of its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from uncertainties import ufloat

from torsionbeat.errors import NothingHeardError
from torsionbeat.hearing.heard import Heard, HeardSounds
from torsionbeat.reading.figures import Clock, Events, Reading, RecordingInfo, Swings, Timebase, UFloat
from torsionbeat.reading.jumps import Jump, find_jumps
from torsionbeat.reading.mean_period import SteadyPeriod, mean_period
from torsionbeat.reading.remarks import in_step, remarks_on
from torsionbeat.reading.stacked_passages import StackedPassage, stacked_passages
from torsionbeat.theory.rate import rate_s_per_day
from torsionbeat.theory.swing import arc_and_offset_deg, offset_deg

__all__ = ["Beats", "beats_of", "reading_of"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

EDGE_S = 0.00015
"""Standard uncertainty of where a mean sound begins, besides its own scatter and a share of its rise: by so much the
beginnings of the twin's voices, from sharp to soft and from loud to weak, differ among themselves."""

IMPULSE_SHARE = 0.0005
"""Standard uncertainty of the arc, as a share of it, from the impulse itself: unlocking slows the balance and the
push quickens it within the lift, so the passage is not quite that of a free swing (twin: 0.06 % at Q 300)."""

GREATEST_ARC_DEG = 1000.0
"""No torsion balance swings so far (they knock above roughly 600: common practice, no source): what gives a greater
arc is not the contact."""

PULL_S = 0.01
"""By so much (half-width) the sounds of another torsion clock that keeps step can draw a stretch's last middle against its
first: one that crossed the contacts of a twin for 40 minutes drew it by 5 ms."""

FARTHEST_NOMINAL = 0.25
"""A period farther than this from the nominal one is another clock's, not a rate."""


@dataclass(frozen=True, slots=True)
class Beats:
    """One row a beat heard, in order. Times in seconds; nan where a sound was not heard. All shape (n,).

    ``middle_s`` is the middle of the lift passage, found from the neighbours' passage where only the drop was heard.
    """

    number: IntArray
    contact_s: FloatArray
    drop_s: FloatArray
    middle_s: FloatArray
    passage_s: FloatArray


def beats_of(sounds: HeardSounds, seconds: FloatArray, stacked: dict[int, StackedPassage]) -> Beats:
    """Lay out certain sounds by beat; ``stacked`` gives a side's passages where single contacts are not heard."""
    drops = sounds.certain & (sounds.kind == "drop")
    contacts = sounds.certain & (sounds.kind == "contact")
    number = np.unique(sounds.beat[drops])
    drop = np.full(len(number), np.nan)
    contact = np.full(len(number), np.nan)
    drop[np.searchsorted(number, sounds.beat[drops])] = seconds[drops]
    at = np.searchsorted(number, sounds.beat[contacts])
    at = np.minimum(at, max(len(number) - 1, 0))
    fits = number[at] == sounds.beat[contacts] if len(number) else np.zeros(0, bool)
    contact[at[fits]] = seconds[contacts][fits]
    passage = drop - contact
    contact[~(passage > 0)] = np.nan
    passage[~(passage > 0)] = np.nan
    filled = passage.copy()
    for side in (0, 1):
        rows = np.flatnonzero(number % 2 == side)
        known = rows[np.isfinite(passage[rows])]
        blank = rows[~np.isfinite(passage[rows])]
        if side in stacked:
            filled[rows] = stacked[side].at(number[rows])
        elif len(known) >= 3:
            filled[blank] = np.interp(number[blank], number[known], _smoothed(passage[known]))
    whole = np.isfinite(filled)
    middle = drop - np.where(whole, filled, 0) / 2
    if not whole.all() and whole.any():
        # A middle for some beats and a drop for others would read as a step: use the drop for all.
        middle = drop.copy()
    return Beats(number, contact, drop, middle, passage)


def _smoothed(values: FloatArray) -> FloatArray:
    """Running median over five."""
    if len(values) < 5:
        return np.full(len(values), float(np.median(values)))
    padded = np.pad(values, 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)


def without_strays(beats: Beats) -> tuple[Beats, int]:
    """Leave out beats whose time does not fit their neighbours'; how many."""
    keep = np.ones(len(beats.number), bool)
    if len(beats.number) >= 12:
        # One lonely sound where the clock is not heard for several beats before and after is no beat.
        near = np.searchsorted(beats.number, beats.number + 7) - np.searchsorted(
            beats.number, beats.number - 6
        )
        keep &= near >= 3
        beats = Beats(*(getattr(beats, name)[keep] for name in Beats.__slots__))
        keep = np.ones(len(beats.number), bool)
    if len(beats.number) >= 6:
        half = _half_period(beats)
        residual = beats.middle_s - half * beats.number
        for side in (0, 1):
            rows = np.flatnonzero(beats.number % 2 == side)
            if len(rows) < 5:
                continue
            miss = residual[rows] - _of_neighbours(residual[rows])
            unrest = 1.4826 * float(np.median(np.abs(miss)))
            keep[rows] = np.abs(miss) < max(10 * unrest, 0.02)
    kept = Beats(*(getattr(beats, name)[keep] for name in Beats.__slots__))
    return kept, int(np.count_nonzero(~keep))


def _outside(number: IntArray, jumps: list[Jump]) -> npt.NDArray[np.bool_]:
    """Which beats lie outside every jump: the one between its two ends may belong to either."""
    inside = np.zeros(len(number), bool)
    for jump in jumps:
        inside |= (number > jump.before) & (number < jump.after)
    return ~inside


def _of_neighbours(values: FloatArray) -> FloatArray:
    """What the two beats before and the two after make of each, in the middle of their four guesses.

    A beat after a jump agrees with those behind it and is no stray.
    """
    padded = np.pad(values, 2, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, 5)
    guesses = np.stack(
        [2 * around[:, 1] - around[:, 0], around[:, 1], around[:, 3], 2 * around[:, 3] - around[:, 4]]
    )
    nearest = np.nanargmin(np.abs(guesses - values), axis=0)
    out: FloatArray = np.take_along_axis(guesses, nearest[None], axis=0)[0]
    return out


def _half_period(beats: Beats) -> float:
    """Rough half period from beats of one side each, so that the beat error is not in it."""
    steps = []
    for side in (0, 1):
        rows = np.flatnonzero(beats.number % 2 == side)
        steps.append(np.diff(beats.middle_s[rows]) / np.diff(beats.number[rows]))
    return float(np.median(np.concatenate(steps)))


def reading_of(
    heard: Heard, clock: Clock, timebase: Timebase, name: str, remarks: tuple[str, ...] = ()
) -> Reading:
    """The reading of one recording.

    Raises
    ------
    NothingHeardError
        Fewer than three beats of a clock were heard.
    """
    seconds_per_sample = 1 / (heard.sample_rate_hz * (1 + timebase.offset_ppm * 1e-6))
    sounds = heard.sounds
    seconds = sounds.sample * seconds_per_sample
    half_s = (heard.period_samples or 0.0) / 2 * seconds_per_sample
    together = stacked_passages(heard.laid_over, seconds_per_sample, half_s) if heard.laid_over else {}
    beats, strays = without_strays(beats_of(sounds, seconds, together))
    if len(beats.number) < 3:
        raise NothingHeardError(_nothing(heard, name))
    edges = _edges(sounds, seconds_per_sample)
    jumps = find_jumps(beats.number, beats.middle_s, _half_period(beats)) if len(beats.number) >= 20 else []
    whole = _outside(beats.number, jumps)
    steady = mean_period(
        beats.middle_s[whole], beats.number[whole], tuple(jump.before + 0.5 for jump in jumps)
    )
    # A passage that travels unseen moves the middle of its side by half of it a beat: the mean of both sides by a
    # quarter, and there are two beats to a period.
    by_travel_s = sum(side.mean_s * side.travel_uncertainty for side in together.values()) / 2
    by_pull_s = 0.0
    if in_step(steady.period_s, heard) is not None:
        by_pull_s = PULL_S / np.sqrt(3) * 2 / float(beats.number[-1] - beats.number[0])
    own_s = float(np.sqrt(steady.period_uncertainty_s**2 + by_travel_s**2 + by_pull_s**2))
    period = _with_timebase(ufloat(steady.period_s, own_s), timebase)
    differ_s = _passages_apart_s(beats, edges)
    error_ms = None
    if np.isfinite(steady.beat_error_s) and not heard.one_sided:
        apart_s = np.hypot(_unlike_s(sounds, seconds_per_sample), differ_s / 2)
        u_side = np.linalg.norm([steady.beat_error_uncertainty_s, _side_edge(edges), apart_s])
        error_ms = ufloat(steady.beat_error_s * 1e3, float(u_side) * 1e3)
    arcs = _arcs(beats, clock, steady)
    # Softer beginnings of contact and drop, which another room would hide, leave their distance in doubt.
    softer_samples = [max(sounds.softer_samples(kind)) for kind in ("contact", "drop")]
    softer_s = float(np.linalg.norm(softer_samples)) * seconds_per_sample
    arc = _mean_arc(beats, arcs, clock, steady, together, edges, softer_s)
    trend = _trend(beats, arcs)
    offset = _offset(error_ms, arc, period, clock)
    nominal = clock.nominal_period_s
    rate = None
    if nominal is not None and abs(period.nominal_value / nominal - 1) < FARTHEST_NOMINAL:
        value = float(rate_s_per_day(period.nominal_value, nominal))
        rate = ufloat(value, (86400 + value) * period.std_dev / period.nominal_value)
    swings = _swings(beats, arcs)
    expected = _expected(beats, steady, heard, seconds_per_sample)
    info = RecordingInfo(
        name,
        heard.samples * seconds_per_sample,
        heard.sample_rate_hz,
        heard.channels,
        tuple((first * seconds_per_sample, last * seconds_per_sample) for first, last in heard.gaps),
    )
    told = sounds.certain & np.isin(sounds.beat, beats.number)
    order = np.argsort(seconds[told], kind="stable")
    events = Events(
        seconds[told][order],
        np.where(sounds.beat[told][order] % 2 == 0, "a", "b"),
        sounds.kind[told][order],
        sounds.level_db[told][order],
    )
    reading = Reading(
        info,
        timebase,
        clock,
        period,
        rate,
        error_ms,
        offset,
        arc,
        trend,
        expected,
        len(beats.number),
        swings,
        events,
    )
    told_remarks = remarks_on(
        reading, heard, strays=strays, together=bool(together), jumps=jumps, differ_s=differ_s
    )
    return replace(reading, remarks=(*remarks, *told_remarks))


def _nothing(heard: Heard, name: str) -> str:
    seconds = heard.samples / heard.sample_rate_hz
    if heard.peak == 0:
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
    return (
        f"no clock is heard in {name}: nothing in it keeps a steady beat. Put the microphone against the movement, "
        "or give the nominal period with --period."
    )


def _with_timebase(figure: UFloat, timebase: Timebase) -> UFloat:
    spread = figure.nominal_value * timebase.standard_uncertainty_ppm * 1e-6
    return ufloat(figure.nominal_value, np.hypot(figure.std_dev, spread))


def _arcs(beats: Beats, clock: Clock, steady: SteadyPeriod) -> FloatArray:
    """Arc (end to end) of each passage, nan where it cannot be had."""
    if clock.lift_deg is None:
        return np.full(len(beats.number), np.nan)
    error_ms = 0.0 if not np.isfinite(steady.beat_error_s) else steady.beat_error_s * 1e3
    if abs(error_ms) >= 0.49 * steady.period_s * 1e3:
        error_ms = 0.0
    arc, _ = arc_and_offset_deg(beats.passage_s, error_ms, steady.period_s, clock.lift_deg)
    arcs = np.atleast_1d(np.asarray(arc, np.float64)).copy()
    arcs[(arcs <= clock.lift_deg) | (arcs > GREATEST_ARC_DEG)] = np.nan
    return arcs


def _edges(sounds: HeardSounds, seconds_per_sample: float) -> dict[tuple[int, str], float]:
    """Standard uncertainty, in seconds, of where each kind of sound heard on each side begins."""
    out = {}
    for side in (0, 1):
        for kind in ("contact", "drop"):
            chosen = (sounds.beat % 2 == side) & (sounds.kind == kind) & sounds.certain
            if chosen.any():
                own = float(np.median(sounds.edge_uncertainty[chosen])) * seconds_per_sample
                out[side, kind] = float(np.hypot(EDGE_S, own))
    return out


def _side_edge(edges: dict[tuple[int, str], float]) -> float:
    """What the edges add to the beat error: that of the middles of both sides, or of both drops."""
    if (0, "contact") in edges and (1, "contact") in edges:
        return float(np.sqrt(sum(value**2 for value in edges.values()))) / 2
    return float(np.hypot(edges.get((0, "drop"), EDGE_S), edges.get((1, "drop"), EDGE_S)))


def _unlike_s(sounds: HeardSounds, seconds_per_sample: float) -> float:
    """What softer beginnings add to the beat error where the sides are not alike in them: what both have falls out."""
    apart = np.diff([sounds.softer_samples(kind) for kind in ("contact", "drop")])
    with_contact = bool((sounds.certain & (sounds.kind == "contact")).any())
    return float(np.linalg.norm(apart)) * seconds_per_sample / (2 if with_contact else 1)


def _passages_apart_s(beats: Beats, edges: dict[tuple[int, str], float]) -> float:
    """By how much the lift passages of both sides differ, where that is more than chance; they should not.

    One of the four sounds was then timed from another of its parts, and the middle of its side is off by half of that.
    """
    means, doubts = [], []
    for side in (0, 1):
        rows = (beats.number % 2 == side) & np.isfinite(beats.passage_s)
        count = int(np.count_nonzero(rows))
        if count < 3:
            return 0.0
        scatter = _scatter(beats.number[rows], beats.passage_s[rows]) / np.sqrt(count)
        means.append(_mean_over_stretch(beats.number[rows], beats.passage_s[rows], beats.number))
        doubts += [scatter, edges[side, "contact"], edges[side, "drop"]]
    apart = abs(means[0] - means[1])
    return apart if apart > 3 * float(np.linalg.norm(doubts)) else 0.0


def _mean_arc(
    beats: Beats,
    arcs: FloatArray,
    clock: Clock,
    steady: SteadyPeriod,
    together: dict[int, StackedPassage],
    edges: dict[tuple[int, str], float],
    softer_s: float,
) -> UFloat:
    """Mean arc over the stretch heard: both sides weigh the same, whatever number of beats of each was heard."""
    if clock.lift_deg is None:
        return None
    per_side: list[tuple[float, float]] = []
    for side in (0, 1):
        rows = (beats.number % 2 == side) & np.isfinite(arcs)
        count = int(np.count_nonzero(rows))
        if side in together:
            passage_s = together[side].mean_s
            arc, _ = arc_and_offset_deg(passage_s, _finite_ms(steady), steady.period_s, clock.lift_deg)
            if np.isfinite(arc) and clock.lift_deg < arc < GREATEST_ARC_DEG:
                spread_s = np.hypot(together[side].uncertainty_s, 2 * EDGE_S)
                per_side.append((float(arc), float(arc) * float(spread_s) / passage_s))
        elif count >= 3 and count > 0.25 * np.count_nonzero(beats.number % 2 == side):
            passage = beats.passage_s[rows]
            scatter = _scatter(beats.number[rows], arcs[rows]) / np.sqrt(count)
            mean = _mean_over_stretch(beats.number[rows], arcs[rows], beats.number)
            edge = (
                mean
                * float(np.hypot(edges[side, "contact"], edges[side, "drop"]))
                / float(np.median(passage))
            )
            per_side.append((mean, float(np.hypot(scatter, edge))))
    if not per_side:
        return None
    values, spreads = np.array(per_side).T
    mean = float(np.mean(values))
    spread = float(np.sqrt(np.sum(spreads**2)) / len(spreads))
    if len(values) == 2 and abs(values[0] - values[1]) > 3 * float(np.hypot(*spreads)):
        # The balance swings as far one way as the other: where the sides disagree, one of them was misheard.
        spread = max(spread, abs(float(values[0] - values[1])) / 2)
    passage_s = steady.period_s / np.pi * float(np.arcsin(clock.lift_deg / mean))
    of_arc = (clock.lift_tolerance_deg / np.sqrt(3) / clock.lift_deg, softer_s / passage_s, IMPULSE_SHARE)
    return ufloat(mean, float(np.hypot(spread, mean * np.linalg.norm(of_arc))))


def _finite_ms(steady: SteadyPeriod) -> float:
    return steady.beat_error_s * 1e3 if np.isfinite(steady.beat_error_s) else 0.0


def _scatter(number: IntArray, values: FloatArray) -> float:
    """Scatter of single values about their neighbours: the noise of the measurement, not the travel of the arc."""
    if len(values) < 4:
        return float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    second = values[:-2] - 2 * values[1:-1] + values[2:]
    even = np.diff(number)[1:] == np.diff(number)[:-1]
    chosen = second[even] if np.count_nonzero(even) >= 3 else second
    robust = 1.4826 * float(np.median(np.abs(chosen))) / np.sqrt(6)
    return max(float(robust), 0.5 * float(np.sqrt(np.mean(chosen**2) / 6)))


def _mean_over_stretch(number: IntArray, values: FloatArray, whole: IntArray) -> float:
    """Mean over all beats of the stretch; those without a value are put between their neighbours."""
    every = np.arange(whole[0], whole[-1] + 1)
    return float(np.mean(np.interp(every, number, values)))


def _trend(beats: Beats, arcs: FloatArray) -> UFloat:
    """Slope of the arc, degrees an hour, its scatter taken in blocks so that slow wander widens it."""
    rows = np.flatnonzero(np.isfinite(arcs))
    if len(rows) < 8:
        return None
    hours = beats.middle_s[rows] / 3600
    odd = beats.number[rows] % 2 - 0.5
    both = len(np.unique(odd)) == 2
    columns = [np.ones(len(rows)), hours - hours.mean()] + ([odd] if both else [])
    design = np.column_stack(columns)
    solution = np.linalg.lstsq(design, arcs[rows], rcond=None)[0]
    rest = arcs[rows] - design @ solution
    centred = hours - hours.mean()
    lag = [float(np.mean(rest[step:] * rest[: len(rest) - step])) for step in range(min(len(rest) // 4, 60))]
    together = lag[0] + 2 * sum(value * (1 - step / len(lag)) for step, value in enumerate(lag) if step > 0)
    variance = max(together, lag[0]) / np.sum(centred**2)
    return ufloat(float(solution[1]), float(np.sqrt(variance * len(rest) / max(len(rest) - 3, 1))))


def _offset(error_ms: UFloat, arc: UFloat, period: UFloat, clock: Clock) -> UFloat:
    """Offset from beat error and arc, uncertainties of both carried over."""
    if error_ms is None or arc is None or clock.lift_deg is None:
        return None
    b, a, t = error_ms.nominal_value, arc.nominal_value, period.nominal_value
    if abs(b) >= 0.45 * t * 1e3:
        return None
    value = float(offset_deg(b, a, t, clock.lift_deg))
    by_b = float(offset_deg(b + error_ms.std_dev, a, t, clock.lift_deg)) - value
    by_a = float(offset_deg(b, a + arc.std_dev, t, clock.lift_deg)) - value
    return ufloat(value, np.hypot(by_b, by_a))


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
