"""Signs from the train in the last night: faults that recur with a wheel, and drops that come again."""

from __future__ import annotations

from collections.abc import Iterator

from torsionbeat.history.finding import Finding, pm
from torsionbeat.reading.figures import Reading, WheelFault

__all__ = ["wheel_signs"]

POWER = "Let the mainspring down, or take the drive off, before anything in the train is touched: it is under power."

QUANTITIES = {
    "drop_level_db": ("loudness of the drop", "dB"),
    "contact_level_db": ("loudness of the contact", "dB"),
    "lift_passage_percent": ("lift passage", "%"),
    "time_error_ms": ("time of the beat", "ms"),
    "arc_deg": ("step of the arc", "deg"),
}
"""What each quantity is called, and its unit."""


def wheel_signs(reading: Reading) -> Iterator[Finding]:
    """One finding for each shape: a tooth, a wheel out of true, a flutter; each with all its evidence."""
    for shape in ("tooth", "sine"):
        faults = [fault for fault in reading.wheels or () if fault.shape == shape]
        if faults:
            yield _finding(shape, faults)
    flutter = reading.flutter
    if flutter is not None and flutter.beats and reading.period_s is not None:
        ahead_s = flutter.hands_ahead_s(reading.period_s.nominal_value)
        hours = ", ".join(f"{count} in hour {hour + 1}" for hour, count in flutter.by_hour())
        yield Finding(
            "flutter",
            "The escapement flutters: in some swings more than one tooth passes.",
            (
                f"the drop came again in {len(flutter.beats)} of {flutter.searched} swings, {flutter.extra_drops} times: {hours}",
                f"noise passes for it in {flutter.by_noise / flutter.controls:.2g} swings",
                f"the hands ran ahead by about {ahead_s:.0f} s for it, which the period does not show",
            ),
            "clear",
            "The depth of the fork and its play, and whether the pallets hold the tooth. Do not regulate before.",
            POWER,
        )


def _finding(shape: str, faults: list[WheelFault]) -> Finding:
    first = faults[0]
    wheel = first.wheel or f"an escape wheel of {first.teeth} teeth" if first.teeth is not None else "a wheel"
    every = f"every {round(first.every_beats, 1):g} beats, once a turn of {wheel}"
    evidence = tuple(
        f"{QUANTITIES[fault.quantity][0]} {pm(fault.size, 2)} {QUANTITIES[fault.quantity][1]}{_places(fault)}"
        for fault in faults
    )
    if shape == "tooth":
        return Finding(
            "bad tooth",
            f"One tooth is not like the others: it shows {every}.",
            (*evidence, _by_chance(first)),
            "clear" if len(faults) > 1 else "likely",
            "That tooth and what it meets: bent, worn, dirty or nicked. Mark the wheel, and count from a beat you see.",
            POWER,
        )
    return Finding(
        "wheel out of true",
        f"A wheel runs out of true: the lift goes up and down {every}.",
        (*evidence, _by_chance(first)),
        "likely",
        "The wheel on its arbor, its depth in the pinion, and the pivots: turn it slowly and watch its rim.",
        POWER,
    )


def _places(fault: WheelFault) -> str:
    return f" at {' and '.join(f'beat {beat} ({side})' for beat, side in fault.where)} of the turn"


def _by_chance(fault: WheelFault) -> str:
    return (
        "a healthy clock shows as much in fewer than 1 of 10 000 recordings"
        if fault.false_alarm < 1e-4
        else f"a healthy clock shows as much in 1 of {1 / fault.false_alarm:.0f} recordings"
    )
