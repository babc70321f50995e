"""``torsionbeat note``: free notes and works done."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from torsionbeat.cli.history import JsonOption, LogOption, day, moment, print_json, say
from torsionbeat.errors import InputError

__all__ = ["note_command"]


def note_command(
    clock: Annotated[str, typer.Argument(help="The clock's name in the bench log.")],
    text: Annotated[str, typer.Argument(help="What you saw or did.")],
    work: Annotated[
        str | None,
        typer.Option(
            help="Keep it as work done: spring, weights, regulator, cleaning, beat, level or other."
        ),
    ] = None,
    detail: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=VALUE", help="A detail of the work, e.g. added_g=6.8; may be repeated."),
    ] = None,
    when: Annotated[str | None, typer.Option(help="When, as 2026-03-01 20:00; left out, now.")] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Keep a note on a clock, or a piece of work done on it."""
    at = None if when is None else moment(when, "--when")
    details = _details(detail or [])
    missing = _missing(work, details)
    if details and work is None:
        raise InputError("--detail was given without --work; say which kind of work it belongs to")
    from torsionbeat.benchlog import open_log

    kept: dict[str, Any]
    with open_log(log) as opened:
        if work is None:
            note = opened.add_note(clock, text, written_at=at)
            kept = {"clock": clock, "written_at": note.written_at.isoformat(), "text": note.text}
            said = f"Noted on {clock}, {day(note.written_at)}: {note.text}"
        else:
            if work == "regulator":
                from torsionbeat.jobs.bench_course import note_move

                details = note_move(opened, clock, details, at)
            done = opened.add_work(clock, work, text, details, done_at=at)
            kept = {"clock": clock, "id": done.id, "done_at": done.done_at.isoformat(), "kind": done.kind}
            kept |= {"what": done.what, "details": done.details}
            kept |= {"remarks": missing}
            said = f"Work kept on {clock}, {day(done.done_at)}, {done.kind}: {done.what}"
    if json:
        print_json(kept)
    else:
        say(said, *missing)


LEARNT_FROM = {"weights": ("added_g",), "regulator": ("moved", "setting")}
"""Details that correct learns from, by kind of work: one of them is enough."""

NUMBERS = {"added_g": (-500.0, 500.0), "doubt_g": (0.0, 500.0), "moved": (-1e4, 1e4), "setting": (-1e4, 1e4)}
"""Details that must be numbers, and between which."""


def _missing(work: str | None, details: dict[str, float | str]) -> list[str]:
    """Say what the work lacks for the clock's answer to be learnt from it."""
    wanted = LEARNT_FROM.get(work or "", ())
    if not wanted or any(name in details for name in wanted):
        return []
    example = {
        "weights": "--detail added_g=6.8 (all sides together, - for taken off)",
        "regulator": "--detail moved=-0.5 or --detail setting=2.5",
    }[work or ""]
    return [f"How much was not said, so nothing can be learnt from it: keep it again with {example}."]


def _details(given: list[str]) -> dict[str, float | str]:
    details: dict[str, float | str] = {}
    for pair in given:
        name, sign, value = pair.partition("=")
        if not (name.strip() and sign and value.strip()):
            raise InputError(f"--detail is {pair!r}; write it as NAME=VALUE, such as added_g=6.8")
        try:
            details[name.strip()] = float(value)
        except ValueError:
            details[name.strip()] = value.strip()
    for key, (low, high) in NUMBERS.items():
        number = details.get(key, low)
        if isinstance(number, str) or not low <= number <= high:
            raise InputError(f"--detail {key} is {number!r}; it must be a number from {low:g} to {high:g}")
    return details
