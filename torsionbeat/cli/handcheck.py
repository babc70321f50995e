"""``torsionbeat handcheck``: the minute hand seen against a time signal."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.history import JsonOption, LogOption, day, moment, print_json, say
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.benchlog import BenchLog, ReadingRecord
    from torsionbeat.regulation.handcheck import HandCheck

__all__ = ["handcheck_command"]

HOW = (
    'write it as "2026-03-01 20:00:00 +5" or "2026-03-01 20:00:00 20:00:05", or for hours gone by "168h +18"'
)

SIGHTING = re.compile(
    r"(?:(?P<date>\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:\d\d)?)"
    r"|(?P<gone>\d+(?:\.\d+)?) ?(?P<unit>[hd]))"
    r"\s+(?:(?P<time>\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?)|(?P<ahead>[+-]?\d+(?:\.\d+)?) ?s?)"
    r"(?:\s+within\s+(?P<within>\d+(?:\.\d+)?) ?s?)?"
)

PPM_S_PER_DAY = 0.0864
LARGEST_CRYSTAL_PPM = 300.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A sighting as it was typed: when (a moment, or hours gone by), hand minus true time, reading error."""

    when: datetime | None
    gone_h: float
    ahead_s: float
    within_s: float


def handcheck_command(
    sightings: Annotated[
        list[str],
        typer.Argument(
            metavar="SIGHTING...",
            help='"2026-03-01 20:00:00 +5": at the signal at 20:00:00 the hand was 5 s ahead. Or what '
            'the hand showed: "2026-03-01 20:00:00 20:00:05". Or with hours gone by: "0h 0" "168h +18". '
            '"... within 3" gives this sighting\'s own reading error.',
        ),
    ],
    clock: Annotated[
        str | None, typer.Option(help="Keep it for this clock, and compare it with its last reading.")
    ] = None,
    within: Annotated[float, typer.Option(help="How far off each sighting may be (s).")] = 5.0,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find the rate from the minute hand, seen against a time signal twice or more, best a week apart."""
    from torsionbeat.display.words import rate_words
    from torsionbeat.regulation.handcheck import HandSighting, hand_check

    seen = [_read(text, within) for text in sightings]
    dated = [one.when is not None for one in seen]
    if any(dated) and not all(dated):
        raise InputError("some sightings have a date and some have hours gone by; give all of them one way")
    start = min((one.when.timestamp() for one in seen if one.when is not None), default=0.0)
    check = hand_check(
        [
            HandSighting(
                one.gone_h * 3600 if one.when is None else one.when.timestamp() - start,
                one.ahead_s,
                one.within_s,
            )
            for one in seen
        ]
    )
    remarks = [*check.remarks, *_zone_remark(seen)]
    result: dict[str, Any] = {
        "rate_s_per_day": _figure(check.rate_s_per_day),
        "span_h": check.span_h,
        "sightings": [_row(one, float(off)) for one, off in zip(seen, check.residual_s, strict=True)],
        "remarks": remarks,
    }
    sentences = [
        f"The hand went from {_ahead(seen[0])} to {_ahead(seen[-1])} in {check.span_h:g} h: "
        f"the clock {rate_words(check.rate_s_per_day)}.",
        *remarks,
    ]
    if clock is not None:
        from torsionbeat.benchlog import open_log

        with open_log(log) as opened:
            opened.add_handcheck(
                clock,
                check.rate_s_per_day,
                check.span_h,
                result["sightings"],
                remarks=remarks,
                checked_at=seen[-1].when,
            )
            result["clock"] = clock
            result["last_reading"], said = _compared(opened, clock, check)
        sentences += [said, f"Kept for {clock} in the bench log."]
    if json:
        print_json(result)
    else:
        say(*sentences)


def _read(text: str, within_s: float) -> Seen:
    match = SIGHTING.fullmatch(" ".join(text.split()))
    if match is None:
        raise InputError(f"the sighting {text!r} cannot be read; {HOW}")
    error_s = float(match["within"] or within_s)
    if match["date"] is None:
        if match["time"]:
            raise InputError(f"the sighting {text!r} has hours gone by and a time on the dial; {HOW}")
        return Seen(
            None, float(match["gone"]) * (24 if match["unit"] == "d" else 1), float(match["ahead"]), error_s
        )
    told = datetime.fromisoformat(match["date"])
    when = moment(match["date"], "the moment of a sighting").astimezone(told.tzinfo)
    if match["ahead"]:
        return Seen(when, 0.0, float(match["ahead"]), error_s)
    parts = [float(part) for part in match["time"].split(":")]
    if parts[0] > 24 or any(part >= 60 for part in parts[1:]):
        raise InputError(f"the sighting {text!r} has the hand at {match['time']}; no dial shows that")
    shown_s = sum(part * unit for part, unit in zip(parts, (3600, 60, 1), strict=False))
    true_s = told.hour * 3600 + told.minute * 60 + told.second + told.microsecond / 1e6
    half_dial_s = 6 * 3600
    return Seen(when, 0.0, (shown_s - true_s + half_dial_s) % (2 * half_dial_s) - half_dial_s, error_s)


def _zone_remark(seen: list[Seen]) -> list[str]:
    offsets = {one.when.utcoffset() for one in seen if one.when is not None}
    if len(offsets) < 2:
        return []
    return [
        "Summer time began or ended between the sightings. If the hands were not moved for it, write all "
        "moments in one zone, such as 2026-03-01 20:00+01:00; if they were, check on either side of it."
    ]


def _row(one: Seen, residual_s: float) -> dict[str, Any]:
    at = {"elapsed_h": one.gone_h} if one.when is None else {"at": one.when.astimezone(UTC).isoformat()}
    return at | {
        "hand_minus_true_s": one.ahead_s,
        "reading_error_s": one.within_s,
        "residual_s": residual_s,
    }


def _figure(value: Any) -> dict[str, float]:
    return {"value": value.nominal_value, "standard_uncertainty": value.std_dev}


def _compared(opened: BenchLog, clock: str, check: HandCheck) -> tuple[dict[str, Any] | None, str]:
    """Compare with the last reading that has a rate: as JSON and as a sentence."""
    rated = [
        reading for reading in opened.readings(clock, documents=False) if reading.rate_s_per_day is not None
    ]
    if not rated:
        return None, f"No reading of {clock} has a rate to compare it with."
    from torsionbeat.regulation.handcheck import agreement

    last = rated[-1]
    result = agreement(check, last.figure("rate_s_per_day"))
    found = {
        "taken_at": last.taken_at.isoformat(),
        "rate_s_per_day": _figure(last.figure("rate_s_per_day")),
        "difference_s_per_day": _figure(result.difference_s_per_day),
        "agrees": result.agrees,
    }
    return found, _sentence(last, result)


def _ahead(one: Any) -> str:
    return f"{one.ahead_s:+g} s" if one.ahead_s else "0 s"


def _sentence(last: ReadingRecord, result: Any) -> str:
    from torsionbeat.display.words import rate_words

    said = f"The reading of {day(last.taken_at)} says it {rate_words(last.figure('rate_s_per_day'))}"
    difference = result.difference_s_per_day
    if result.agrees:
        return f"{said}: the two agree."
    ppm, u_ppm = difference.nominal_value / PPM_S_PER_DAY, difference.std_dev / PPM_S_PER_DAY
    said += (
        f": they differ by {abs(difference.nominal_value):.1f} s a day, more than their intervals allow. "
        "Either the rate has changed between the two, or the seconds of one are wrong"
    )
    if abs(ppm) > LARGEST_CRYSTAL_PPM:
        return f"{said}."
    fast = "fast" if ppm > 0 else "slow"
    timebase = last.timebase_source or "not said"
    return (
        f"{said}; if the rate is the same, the recorder's crystal ran {fast} by another {abs(ppm):.0f} ppm, "
        f"give or take {1.96 * u_ppm:.0f} (timebase of that reading: {timebase})."
    )
