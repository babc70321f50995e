"""Whether two groups of nights can be compared: what differs between them besides the clock's state."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from torsionbeat.history.nights import Group
from torsionbeat.reading.figures import Reading
from torsionbeat.reading.intervals import night_mean
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.robust import COVERAGE

__all__ = ["comparison_remarks", "crystal_cancels", "same_lift"]

CRYSTAL_SOURCES = ("unknown", "stated")


def crystal_cancels(before: Group, after: Group, same_recorder: bool) -> bool:
    """Whether the error of the recorder's crystal is the same on both sides, so that it cancels in the change.

    Parameters
    ----------
    before : Group
    after : Group
    same_recorder : bool
        Both sides were recorded with one device.
    """
    bases = [reading.timebase for reading in before.readings + after.readings]
    return (
        same_recorder
        and all(base.source in CRYSTAL_SOURCES for base in bases)
        and len({base.offset_ppm for base in bases}) == 1
    )


def same_lift(before: Group, after: Group) -> bool:
    """Whether the same lift, with the same tolerance, is stated on both sides."""
    return (
        len({(r.clock.lift_deg, r.clock.lift_tolerance_deg) for r in before.readings + after.readings}) == 1
    )


def comparison_remarks(
    before: Group, after: Group, same_recorder: bool, turned: bool | None = None
) -> list[Remark]:
    """Say what differs between the two sides besides the clock's state, and what is not known.

    Parameters
    ----------
    before : Group
    after : Group
    same_recorder : bool
        Both sides were recorded with one device.
    turned : bool, optional
        Whether the letters of the second were exchanged because of the sounds; None: the sounds did not decide.
    """
    said = _timebase_remarks(before, after, same_recorder)
    said += _different(before, after, "lift", lambda r: r.clock.lift_deg, "deg", "Arcs rest on the lift")
    said += _different(
        before, after, "nominal period", lambda r: r.clock.nominal_period_s, "s", "Rates rest on it"
    )
    said += _temperature_remarks(before, after)
    alone = [which for which, group in (("before", before), ("after", after)) if len(group.nights) == 1]
    if len(alone) == 2:
        said.append(
            Remark(
                "one-recording-each",
                "One recording on each side: a change shows that these two differ, but not how far the clock "
                "differs from night to night by itself. Two or more on each side would.",
            )
        )
    elif alone:
        said.append(
            Remark(
                "one-recording-alone",
                f"One recording {alone[0]}: it is taken to differ from night to night as those of the other side.",
            )
        )
    errors = [
        night_mean([r.beat_error_ms for r in group.readings if r.beat_error_ms is not None])
        for group in (before, after)
    ]
    signs = [
        0 if e is None or abs(e.nominal_value) < COVERAGE * e.std_dev else e.nominal_value for e in errors
    ]
    if turned:
        said.append(
            Remark(
                "sides-exchanged",
                "Which side is called a depends on the beat that is heard first. By their sounds, side a before is side b "
                "after, so the letters after were exchanged.",
            )
        )
    if turned is None and signs[0] * signs[1] < 0:
        said.append(
            Remark(
                "sides-untold",
                "The beat error has changed its sign, and the sounds cannot tell the sides apart: where the beat "
                "setting was not moved past the middle, side a of the one is side b of the other; then compare "
                "with the sides swapped (--swap-sides).",
            )
        )
    return said


def _timebase_remarks(before: Group, after: Group, same_recorder: bool) -> list[Remark]:
    sources = [sorted({r.timebase.source for r in group.readings}) for group in (before, after)]
    said = []
    if sources[0] != sources[1]:
        said.append(
            Remark(
                "timebases-differ",
                f"The timebases differ: {' and '.join(sources[0])} before, {' and '.join(sources[1])} after. "
                "Each side's own uncertainty is in the change of the rate.",
            )
        )
    if crystal_cancels(before, after, same_recorder):
        said.append(
            Remark(
                "recorder-cancels",
                "Both sides were made with the same recorder, as you say: its crystal's error drops out of the "
                "change of the rate, but for 3 ppm (0.26 s a day) by which a crystal differs from day to day.",
            )
        )
    elif same_recorder:
        said.append(
            Remark(
                "recorder-no-help",
                "The same recorder is of no help here: the crystal drops out only where every timebase is "
                "unknown, or stated alike.",
            )
        )
    elif sources[0] == sources[1] == ["unknown"]:
        said.append(
            Remark(
                "timebases-unknown",
                "Neither timebase is known, and that is most of the uncertainty of the change of the rate. Where "
                "both sides were made with the same recorder, its error drops out: say so with --same-recorder.",
            )
        )
    return said


def _different(
    before: Group, after: Group, what: str, of: Callable[[Reading], float | None], unit: str, why: str
) -> list[Remark]:
    given = [_given(group.readings, of) for group in (before, after)]
    if given[0] == given[1]:
        return []
    words = [" and ".join("none" if v is None else f"{v:g} {unit}" for v in values) for values in given]
    return [
        Remark(
            f"{what.replace(' ', '-')}-differs",
            f"The {what} differs: {words[0]} before, {words[1]} after. {why}: check that each is right.",
        )
    ]


def _given(readings: Sequence[Reading], of: Callable[[Reading], float | None]) -> list[float | None]:
    return sorted({of(reading) for reading in readings}, key=lambda v: (v is None, v or 0.0))


def _temperature_remarks(before: Group, after: Group) -> list[Remark]:
    means = []
    for group in (before, after):
        known = [night.temperature_c for night in group.nights if night.temperature_c is not None]
        means.append(sum(known) / len(known) if known else None)
    if means[0] is None or means[1] is None:
        return [
            Remark(
                "temperature-unknown",
                "The temperature of one side or both is not known; it changes the rate by itself, by as much as "
                "the clock is not compensated.",
            )
        ]
    if abs(means[0] - means[1]) < 0.5:
        return []
    return [
        Remark(
            "temperature-differs",
            f"It was {means[0]:.1f} °C before and {means[1]:.1f} °C after: part of the change of the rate may be "
            "the temperature's.",
        )
    ]
