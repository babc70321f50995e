"""Results of work by hand at the bench, in sentences: free swing, hand check, two offsets, suspension strip."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from torsionbeat.display.words import figure_words, interval, rate_words
from torsionbeat.theory.rate import S_PER_DAY_PER_PPM
from torsionbeat.theory.robust import COVERAGE

if TYPE_CHECKING:
    from torsionbeat.jobs.by_hand import HandCheckResult, TwoOffsetsResult
    from torsionbeat.jobs.find_lift import FindLiftResult
    from torsionbeat.jobs.free_swing import FreeSwingResult
    from torsionbeat.jobs.strip import StripResult, ToTime

__all__ = [
    "free_swing_sentences",
    "hand_check_sentences",
    "lift_sentences",
    "strip_sentences",
    "two_offsets_sentences",
]

LARGEST_CRYSTAL_PPM = 300.0
"""No crystal of a working recorder is off by more; beyond it the clock changed."""

WAYS = {
    "thickness_mm": ("thickness", "thinner", "thicker"),
    "length_mm": ("active length", "shorter", "longer"),
    "width_mm": ("width", "narrower", "wider"),
}
"""Name of each dimension, and the words for less and more of it."""


def free_swing_sentences(result: FreeSwingResult) -> list[str]:
    """Say what a free swing shows, figures first."""
    from torsionbeat.regulation.waiting import duration_words, settling_s

    law = result.law
    q = figure_words(law.q, "").replace(" ,", ",")
    said = [
        f"Q is {q}, at an arc (amplitude end to end) of {law.at_arc_deg:.0f} deg.",
        *law.sentences,
        f"A disturbed arc settles with a time constant of {figure_words(law.settling_time_s / 3600, 'h')}; wait "
        f"{duration_words(settling_s(law.q.nominal_value, result.period_s))} until 2 % of the disturbance is left.",
    ]
    if law.half_life_s is not None:
        said.append(f"Without a drive the arc falls to half in {figure_words(law.half_life_s / 60, 'min')}.")
    if law.until_s is not None:
        said.append(
            f"It falls below {law.until_arc_deg:g} deg after {figure_words(law.until_s / 60, 'min')}, counted from "
            "the first reading."
        )
    said.append(f"At that arc a swing loses {figure_words(law.loss_deg_per_swing, 'deg')}.")
    if law.power_nw is not None:
        said.append(
            f"The drive must give {figure_words(law.power_nw, 'nanowatts')}: "
            f"{figure_words(law.energy_per_day_mj, 'millijoules')} a day."
        )
    kept = [] if result.kept_for is None else [f"Kept for {result.kept_for} in the bench log."]
    return [*said, *law.remarks, *kept]


def hand_check_sentences(result: HandCheckResult) -> list[str]:
    """Say what the minute hand shows, and how it agrees with the last reading."""
    first, last, check = result.sightings[0], result.sightings[-1], result.check
    said = [
        f"The hand went from {_ahead(first.ahead_s)} to {_ahead(last.ahead_s)} in {check.span_h:g} h: "
        f"the clock {rate_words(check.rate_s_per_day)}.",
        *result.remarks,
    ]
    if result.kept_for is not None:
        said += [_agreement(result), f"Kept for {result.kept_for} in the bench log."]
    return said


def _ahead(ahead_s: float) -> str:
    return f"{ahead_s:+g} s" if ahead_s else "0 s"


def _agreement(result: HandCheckResult) -> str:
    last, found = result.last, result.agreement
    if last is None or found is None:
        return f"No reading of {result.kept_for} has a rate to compare it with."
    when = f"{last.taken_at.astimezone():%Y-%m-%d %H:%M}"
    said = f"The reading of {when} says it {rate_words(last.figure('rate_s_per_day'))}"
    if found.agrees:
        return f"{said}: the two agree."
    difference = found.difference_s_per_day
    ppm, u_ppm = difference.nominal_value / S_PER_DAY_PER_PPM, difference.std_dev / S_PER_DAY_PER_PPM
    said += (
        f": they differ by {abs(difference.nominal_value):.1f} s a day, more than their intervals allow. "
        "Either that one recording was no night like the others (torsionbeat advise says how far its nights differ), or the "
        "rate has changed between the two, or the seconds of one are wrong"
    )
    if abs(ppm) > LARGEST_CRYSTAL_PPM:
        return f"{said}."
    fast = "fast" if ppm > 0 else "slow"
    timebase = last.timebase_source or "not said"
    return (
        f"{said}; if the rate is the same, the recorder's crystal ran {fast} by another {abs(ppm):.0f} ppm, "
        f"give or take {COVERAGE * u_ppm:.0f} (timebase of that reading: {timebase})."
    )


def lift_sentences(found: FindLiftResult) -> list[str]:
    """Say the lift, the result of each count, and where the lift is kept or how to give it."""
    each = [figure_words(one, "deg") for one in found.each_deg]
    return [
        f"The lift is {figure_words(found.lift_deg, 'deg')}.",
        *([f"Of each count: {'; '.join(each)}."] if len(each) > 1 else []),
        *found.remarks,
        f"Kept for {found.kept_for}."
        if found.kept_for
        else f"Give it as --lift {found.lift_deg.nominal_value:.2f} --lift-tolerance {found.tolerance_deg:.2f}, or keep it "
        "with --clock NAME --keep.",
    ]


def two_offsets_sentences(result: TwoOffsetsResult) -> list[str]:
    """Say the arc that follows from two beat errors."""
    return [
        f"The arc (amplitude end to end) is {figure_words(result.arc_deg, 'deg')}.",
        f"It follows from the beat error, which went from {figure_words(result.beat_error_before_ms, 'ms')} to "
        f"{figure_words(result.beat_error_after_ms, 'ms')} while the offset moved by "
        f"{figure_words(result.offset_change_deg, 'deg')}.",
        "Give it to inbeat with --arc, and to clock change with --arc-low and --arc-high if it is healthy.",
        *result.remarks,
    ]


def strip_sentences(result: StripResult) -> list[str]:
    """Describe a strip: the strip itself, the requested changes, the effect of the room, stress, and the cautions."""
    from torsionbeat.regulation.correction import PRACTICE, SPRINGS

    said = [*_strip_now(result), *result.remarks, *_to_time_words(result), *_other_strip(result)]
    return [*said, *_room_words(result), *_stress_words(result), SPRINGS, PRACTICE]


def _strip_now(result: StripResult) -> list[str]:
    now, change = result.now, result.now.sensitivities
    said = [
        f"A strip of {now.material.name}, {1e3 * now.thickness_mm:g} um by {now.width_mm:g} mm, "
        f"{now.length_mm:g} mm long under {now.load_g:g} g, has a stiffness of "
        f"{figure_words(result.stiffness_un_m_per_deg, 'uN m per degree')}.",
        f"A micrometre thicker {_rate(change.s_per_day_per_um_thickness)}; a millimetre longer "
        f"{_rate(change.s_per_day_per_mm_length)}; a hundredth of a millimetre narrower "
        f"{_rate(-change.s_per_day_per_mm_width / 100)}; a gram more on the axis "
        f"{_rate(change.s_per_day_per_g_on_axis)}.",
    ]
    if result.inertia_g_mm2 is not None:
        said.append(
            f"With it a period of {result.period_s:g} s means an inertia of "
            f"{figure_words(result.inertia_g_mm2, 'g mm2')}."
        )
    return said


def _to_time_words(result: StripResult) -> list[str]:
    if not result.to_time:
        return []
    assert result.rate_s_per_day is not None
    per_um = abs(result.now.sensitivities.s_per_day_per_um_thickness)
    return [
        f"The clock {_rate(result.rate_s_per_day)}. Any one of these brings it to time:",
        *map(_one_to_time, result.to_time),
        f"A new strip is rarely known to better than a micrometre, which is {per_um / 60:.1f} min a day: take the "
        "nearest, then correct with length, weights and regulator.",
    ]


def _one_to_time(one: ToTime) -> str:
    name, less, more = WAYS[one.measure]
    if one.size_mm is None:
        return f"- {name}: {one.why_not}."
    low, high = sorted(abs(end) for end in interval(one.change_mm))
    scale, unit = (1e3, "um") if one.measure == "thickness_mm" else (1.0, "mm")
    line = (
        f"- {name}: {abs(one.change_mm.nominal_value) * scale:.3g} {unit} "
        f"{more if one.change_mm.nominal_value > 0 else less}, between "
        f"{low * scale:.3g} and {high * scale:.3g}, that is {one.size_mm * scale:.4g} {unit}"
    )
    if one.measure == "thickness_mm":
        line += f" ({one.size_mm / 0.0254:.3g} thousandths of an inch)"
    return line + "."


def _other_strip(result: StripResult) -> list[str]:
    now, new = result.now, result.new
    if new is None:
        return []
    parts = []
    if new.thickness_mm != now.thickness_mm:
        parts.append(f"{1e3 * new.thickness_mm:g} um thick")
    if new.length_mm != now.length_mm:
        parts.append(f"{new.length_mm:g} mm long")
    if new.width_mm != now.width_mm:
        parts.append(f"{new.width_mm:g} mm wide")
    if new.material != now.material:
        parts.append(f"of {new.material.name}")
    start = _rate(result.rate_s_per_day or 0.0)
    said = [
        f"With a strip {', '.join(parts)} a clock that {start} now {_between(result.rate_after_s_per_day)}."
    ]
    if new.material != now.material or new.thickness_mm != now.thickness_mm or new.width_mm != now.width_mm:
        apart = result.rate_after_measured_s_per_day
        low, high = (apart.nominal_value + sign * COVERAGE * apart.std_dev for sign in (-1, 1))
        said.append(
            "If both strips were only measured, each to within its error, it may be anything from "
            f"{_minutes(low)} to {_minutes(high)} a day."
        )
    return said


def _room_words(result: StripResult) -> list[str]:
    said = [
        f"Warmed by one kelvin it {rate_words(result.s_per_day_per_k)} (balance of {result.metal.name}; drift of the "
        f"strip: {result.now.material.drift_source})."
    ]
    if result.rooms_c is None:
        return said
    cold, warm = result.rooms_c
    change = rate_words(result.cold_to_warm_s_per_day)
    return [f"From {cold:g} to {warm:g} C its rate changes: it {change}, against the cold room.", *said]


def _stress_words(result: StripResult) -> list[str]:
    stress = result.stress
    if stress is None:
        return []
    return [
        f"At an arc (amplitude end to end) of {result.now.arc_deg:g} deg it twists by {stress.twist_deg_per_mm:.2f} deg "
        f"per mm; shear stress {stress.peak_shear_stress_mpa:.0f} MPa, tension at its edges "
        f"{stress.peak_tension_stress_mpa:.0f} MPa. Ten degrees more arc {_rate(stress.s_per_day_per_10_deg_arc)} by "
        "the strip."
    ]


def _rate(rate_s_per_day: float) -> str:
    """Say an exact rate."""
    if abs(rate_s_per_day) < 0.005:
        return "keeps time"
    return f"{'gains' if rate_s_per_day > 0 else 'loses'} {_minutes(abs(rate_s_per_day))} a day"


def _between(rate_s_per_day: Any) -> str:
    """Say a rate with its 95 % interval, in minutes where it is large."""
    if abs(rate_s_per_day.nominal_value) < 300:
        return rate_words(rate_s_per_day)
    return rate_words(rate_s_per_day / 60).replace(" s a day", " min a day")


def _minutes(rate_s_per_day: float) -> str:
    if abs(rate_s_per_day) >= 300:
        return f"{rate_s_per_day / 60:.1f} min"
    return f"{rate_s_per_day:.3g} s"
