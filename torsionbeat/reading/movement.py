"""What the beats show of the movement: faults of wheels, and drops that come again, with a remark on each.

Input: a reading, and what was heard. Output: the reading with both (`torsionbeat.reading.wheels`,
`torsionbeat.reading.flutter`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from torsionbeat.hearing.heard import Heard
from torsionbeat.reading.document import swing_levels_db
from torsionbeat.reading.figures import FlutterReport, Reading, WheelFault
from torsionbeat.reading.flutter import flutter_of
from torsionbeat.reading.wheels import LEAST_BEATS, LEAST_TURNS, find_wheels
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.robust import COVERAGE

__all__ = ["flutter_words", "with_movement", "with_wheels"]


def with_movement(reading: Reading, heard: Heard) -> Reading:
    """The reading with all that its beats show of the movement, and a remark on each."""
    reading = with_wheels(reading, heard.other_intervals_s)
    seconds_per_sample = 1 / (heard.sample_rate_hz * (1 + reading.timebase.offset_ppm * 1e-6))
    flutter = flutter_of(heard.drops_again, reading.swings, seconds_per_sample)
    if flutter is None or not flutter.beats:
        return replace(reading, flutter=flutter)
    said = Remark("flutter", flutter_words(flutter, reading.period_s.nominal_value))
    return replace(reading, flutter=flutter, remarks=(*reading.remarks, said))


def with_wheels(reading: Reading, other_intervals_s: Sequence[float] = ()) -> Reading:
    """The reading with the faults that recur with a wheel, and a remark on each; or one that says it is too short.

    Parameters
    ----------
    reading : Reading
        Its clock's ``train`` is used where it is known.
    other_intervals_s : sequence of float
        Intervals of other clocks heard in the room.
    """
    levels_db = {kind: swing_levels_db(reading, kind) for kind in ("contact", "drop")}
    faults = find_wheels(reading.swings, levels_db, reading.clock.train, other_intervals_s)
    if faults is None:
        needed = (
            f"at least {LEAST_BEATS} beats"
            if len(reading.swings) < LEAST_BEATS
            else f"{LEAST_TURNS} turns of a wheel of the train"
        )
        remark = Remark(
            "wheels-not-searched",
            f"Wheels were not searched for faults: that needs {needed}, and {len(reading.swings)} beats were heard.",
        )
        return replace(reading, remarks=(*reading.remarks, remark))
    return replace(reading, wheels=faults, remarks=(*reading.remarks, *map(_wheel_remark, faults)))


_WHAT = {
    "drop_level_db": ("the drop is {size} dB {more} than its neighbours", ("louder", "softer"), 1),
    "contact_level_db": ("the contact is {size} dB {more} than its neighbours", ("louder", "softer"), 1),
    "lift_passage_percent": ("the lift passage is {size} % {more}", ("longer", "shorter"), 1),
    "time_error_ms": ("the beat comes {size} ms {more}", ("late", "early"), 1),
    "arc_deg": ("the arc {more} by {size} deg", ("grows", "falls"), 2),
}
"""Words for each quantity: the sentence, what is said for more and for less, digits after the point."""


def _wheel_remark(fault: WheelFault) -> Remark:
    what, (more, less), digits = _WHAT[fault.quantity]
    size = fault.size.nominal_value
    half = COVERAGE * fault.size.std_dev
    digits = (
        max(digits, -math.floor(math.log10(half))) if half > 0 else digits
    )  # at least one digit of the uncertainty
    number = f"{abs(size):.{digits}f} (give or take {half:.{digits}f})"
    beats = f"{round(fault.every_beats, 1):g}"
    wheel = fault.wheel or (
        f"one turn of an escape wheel of {fault.teeth} teeth" if fault.teeth is not None else ""
    )
    every = f"Every {beats} beats" + (f", {wheel}," if wheel else ",")
    seldom = fault.false_alarm < 1e-4  # below that, the theory was not tested by simulated nights
    sure = f"A healthy clock shows as much once in {'10 000' if seldom else f'{1 / fault.false_alarm:.0f}'} recordings"
    sure += " at most." if seldom else "."
    if fault.shape == "sine":
        return Remark(
            "wheel-sine",
            f"{every} the lift passage goes up and down by {number} % like a wave: look whether the wheel runs out of "
            f"true. {sure}",
        )
    said = what.format(size=number, more=more if size > 0 else less)
    places = " and ".join(f"beat {beat} (side {side})" for beat, side in fault.where)
    return Remark(
        "wheel-tooth",
        f"{every} {said}, at {places} of the turn counted from beat 0: look at that tooth. {sure}",
    )


def flutter_words(report: FlutterReport | None, period_s: float) -> str:
    """Say whether drops came again, when, and what that does to the hands.

    Parameters
    ----------
    report : FlutterReport or None
        None: too few beats to say.
    period_s : float
        Full period.
    """
    if report is None:
        return "Whether the drop comes again in some swings cannot be said from so few beats."
    if not report.beats:
        return f"No drop came again in any of {report.searched} swings, beyond what noise explains."
    passes = report.by_noise / report.controls
    hours = ", ".join(f"{count} in hour {hour + 1}" for hour, count in report.by_hour())
    return (
        f"In {len(report.beats)} of {report.searched} swings the drop came again, {report.extra_drops} times in all "
        f"({hours}; noise passes for it in {passes:.2g} swings): the fork lets more than one tooth pass. The hands ran ahead "
        f"by about {report.hands_ahead_s(period_s):.0f} s for it, which the period does not show: a rate set by the hands "
        "would be wrong. Look at the depth of the fork and at its play before the rate is touched."
    )
