"""By hand: the minute hand against a time signal, a free swing, a suspension strip."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.page import forms
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.plots import decay_plot
from torsionbeat.page.views import named_path, page, trouble
from torsionbeat.page_handlers.choices import clock_names

if TYPE_CHECKING:
    from torsionbeat.jobs.by_hand import HandCheckRequest
    from torsionbeat.jobs.free_swing import FreeSwingRequest

__all__ = ["ROUTES"]

SIGHTINGS = 4
"""Sightings of the hand in the form; two are enough, and more reveal a mistake."""

STRIP_FIELDS = (
    ("thickness", "Thickness (micrometres)", "A micrometer across the strip: 0.10 mm is 100, four thousandths of an inch 101.6"),
    ("width", "Width (mm)", "By calipers, across the strip"),
    ("length", "Length between the clamps (mm)", "What is free to twist"),
    ("load", "All that hangs on it (g)", "Balance, weights and lower clamp on the kitchen scales"),
)  # fmt: skip
MORE_STRIP_FIELDS = (
    ("period", "Period with this strip (s)", "Out and back; gives the inertia of the balance"),
    ("arc", "Arc, end to end (degrees)", "For stress, and what the arc does to the rate"),
    (
        "rate",
        "Rate now (s a day)",
        "Plus gains; says which strip would bring it to time. A quarter of an hour is 900",
    ),
    ("thicker", "A strip thicker by (micrometres)", "What would it do? Minus: thinner"),
)
MATERIALS = ("C17200", "C51000", "N09902", "A228", "302")


def overview(request: Request) -> Response:
    """What can be measured by hand."""
    return page(request, "byhand.html", title="By hand", here="/byhand")


def _asked(request: Request, *names: str) -> dict[str, str]:
    return {name: request.query_params.get(name, "")[:4000] for name in names}


def _answered(job: Any) -> tuple[Any, str]:
    """Run a job; give its result, or the reason why there is none."""
    try:
        return job(), ""
    except TorsionbeatError as error:
        return None, str(error)


def handcheck_page(request: Request) -> Response:
    """The minute hand against a time signal."""
    from torsionbeat.display.by_hand import hand_check_sentences
    from torsionbeat.jobs.by_hand import hand_check

    names = [f"{name}{row}" for row in range(SIGHTINGS) for name in ("when", "ahead")]
    given = _asked(request, "clock", "within", *names)
    found, why = (
        (None, "") if not given["when0"] else _answered(lambda: hand_check(_sightings(given, None, None)))
    )
    return page(
        request, "handcheck.html", title="The minute hand", here="/byhand", given=given, rows=range(SIGHTINGS),
        clocks=clock_names(bench_of(request)), why=why, sentences=[] if found is None else hand_check_sentences(found),
    )  # fmt: skip


def _sightings(given: dict[str, str], clock: str | None, log: str | None) -> HandCheckRequest:
    from torsionbeat.jobs.by_hand import HandCheckRequest, Sighting

    within = forms.optional_number(given, "within", "how far off a sighting may be")
    seen = []
    for row in range(SIGHTINGS):
        when = forms.moment(given, f"when{row}", f"the moment of sighting {row + 1}")
        ahead = forms.optional_number(given, f"ahead{row}", f"what the hand showed at sighting {row + 1}")
        if when is not None and ahead is not None:
            seen.append(Sighting(ahead, 5.0 if within is None else within, when))
        elif when is not None or ahead is not None:
            raise InputError(f"sighting {row + 1} needs both its moment and the seconds the hand was ahead")
    return HandCheckRequest(tuple(seen), clock, log)


def handcheck_kept(request: Request, form: dict[str, str]) -> Response:
    """Keep a hand check with its clock."""
    from torsionbeat.jobs.by_hand import hand_check

    try:
        clock = _clock(form)
        hand_check(_sightings(form, clock, bench_of(request).log))
    except TorsionbeatError as error:
        return trouble(request, error, "/byhand/handcheck", "Back to the form")
    return RedirectResponse(named_path(clock, "checked"), status_code=303)


def freeswing_page(request: Request) -> Response:
    """A free swing, from arcs seen or counted."""
    from torsionbeat.display.by_hand import free_swing_sentences
    from torsionbeat.jobs.free_swing import free_swing

    given = _asked(request, "clock", "looks", "spacing", "period", "within")
    found, why = (
        (None, "") if not given["looks"] else _answered(lambda: free_swing(_looks(given, None, None)))
    )
    plot = None if found is None else decay_plot(found.time_s, found.arc_deg)
    return page(
        request, "freeswing.html", title="A free swing", here="/byhand", given=given, plots=True, why=why, plot=plot,
        clocks=clock_names(bench_of(request)), sentences=[] if found is None else free_swing_sentences(found),
    )  # fmt: skip


def _looks(given: dict[str, str], clock: str | None, log: str | None) -> FreeSwingRequest:
    from torsionbeat.jobs.free_swing import ArcsSeen, FreeSwingRequest

    rows = []
    for line in given["looks"].splitlines():
        numbers = re.findall(r"\d+(?:[.,]\d+)?", line)
        if line.strip() and len(numbers) != 2:
            raise InputError(f"the line {line[:40]!r} cannot be read; write minutes and arc, such as 30 330")
        if numbers:
            rows.append([float(number.replace(",", ".")) for number in numbers])
    times, arcs = tuple(60 * minutes for minutes, _ in rows), tuple(arc for _, arc in rows)
    spacing = forms.optional_number(given, "spacing", "the angle between ornaments")
    within = forms.optional_number(given, "within", "how far off an arc may be")
    seen = ArcsSeen(times, arcs, within) if spacing is None else ArcsSeen.counted(times, arcs, spacing)
    period = forms.optional_number(given, "period", "the period")
    if period is None and clock is None:
        raise InputError("the period is not filled in; write the seconds the balance takes out and back")
    return FreeSwingRequest(seen, period, clock=clock, log=log)


def freeswing_kept(request: Request, form: dict[str, str]) -> Response:
    """Keep a free swing with its clock."""
    from torsionbeat.jobs.free_swing import free_swing

    try:
        clock = _clock(form)
        free_swing(_looks({"looks": ""} | form, clock, bench_of(request).log))
    except TorsionbeatError as error:
        return trouble(request, error, "/byhand/freeswing", "Back to the form")
    return RedirectResponse(named_path(clock, "swung"), status_code=303)


def _clock(form: dict[str, str]) -> str:
    name = forms.text(form, "clock")
    if not name:
        raise InputError("choose the clock to keep it with; a new one is added under Clocks")
    return name


def strip_page(request: Request) -> Response:
    """A suspension strip: its effect, and which one brings a clock to time."""
    from torsionbeat.display.by_hand import strip_sentences

    names = [name for name, *_ in (*STRIP_FIELDS, *MORE_STRIP_FIELDS)]
    given = _asked(request, "material", *names)
    found, why = (None, "") if not given["thickness"] else _answered(lambda: _strip(given))
    return page(
        request, "strip.html", title="A suspension strip", here="/byhand", given=given, fields=STRIP_FIELDS,
        more=MORE_STRIP_FIELDS, materials=MATERIALS, why=why, sentences=[] if found is None else strip_sentences(found),
    )  # fmt: skip


def _strip(given: dict[str, str]) -> Any:
    from torsionbeat.jobs.strip import StripRequest, strip

    thickness, width, length, load = (
        forms.number(given, name, label.lower()) for name, label, _ in STRIP_FIELDS
    )
    period, arc, rate, thicker = (
        forms.optional_number(given, name, label.lower()) for name, label, _ in MORE_STRIP_FIELDS
    )
    return strip(
        StripRequest(
            thickness,
            width,
            length,
            load,
            material=given["material"] if given["material"] in MATERIALS else MATERIALS[0],
            period_s=period,
            arc_deg=arc or 0.0,
            rate_s_per_day=rate,
            thicker_um=thicker,
        )
    )


ROUTES = [
    Route("/byhand", overview),
    Route("/byhand/handcheck", handcheck_page),
    Route("/byhand/handcheck", form_handler(handcheck_kept), methods=["POST"]),
    Route("/byhand/freeswing", freeswing_page),
    Route("/byhand/freeswing", form_handler(freeswing_kept), methods=["POST"]),
    Route("/byhand/strip", strip_page),
]
