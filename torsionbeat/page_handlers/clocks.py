"""The clocks: a list of all, one with its history, and the forms to add a clock and change its record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.benchlog.ranges import CLOCK_FIELDS
from torsionbeat.errors import TorsionbeatError
from torsionbeat.jobs.clock_history import ListRequest, list_clocks
from torsionbeat.jobs.keep import ClockRequest, add_clock, change_clock
from torsionbeat.page import forms
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.pictures import rate_bar
from torsionbeat.page.plots import history_plot
from torsionbeat.page.views import fragment, page, trouble
from torsionbeat.page_handlers.choices import clock_of, row_of
from torsionbeat.page_handlers.fields import FIELD_GROUPS, KINDS
from torsionbeat.page_handlers.story import Story, story_of

if TYPE_CHECKING:
    from torsionbeat.jobs.advise import Judgement
    from torsionbeat.sound.remarks import Remark

__all__ = ["ROUTES", "clock_path"]

SAID = {
    "kept": "The reading is kept.",
    "added": "The clock is in the log.",
    "changed": "Its record is changed.",
    "noted": "Kept.",
    "undone": "Taken back. It stays in the log, struck through, and counts no more.",
    "restored": "It counts again.",
    "amended": "Put right. What stood there before stays in the log.",
    "done": "Kept as done, with what it is expected to bring. Let the clock settle, then listen again.",
    "checked": "The hand check is kept.",
    "swung": "The free swing is kept.",
}
"""Message of a page after a form, by the word in its address."""

MOST_JUDGED_AT_ONCE = 12
"""A judgement reads each night again, 5 ms or more each: with more nights the page comes first and the judgement later."""

SHORT = {
    "hear-better": "Move the microphone: too few beats are heard",
    "find-drive": "Find out what took the drive",
    "stop-knock": "Stop it: it knocks",
    "set-beat": "Set the beat",
    "raise-arc": "Find out why the arc is low",
    "lower-arc": "Find out why the arc is high",
    "let-settle": "Let it settle",
    "move-regulator": "Move the regulator",
    "trial-step": "Try a step of the regulator",
    "listen-again": "Listen for another night",
    "leave-alone": "Nothing: leave it alone",
    "nothing-helps": "Nothing at hand brings it nearer",
}
"""The first task of a clock in a list, by its kind."""

WORK_LABELS = {
    "spring": "strip",
    "weights": "weights",
    "regulator": "regulator",
    "cleaning": "cleaned",
    "beat": "beat",
    "level": "level",
}
"""Words short enough for labels above a plot."""


def clock_path(number: int, *rest: str, said: str = "") -> str:
    """Path of a clock's page."""
    return "/".join(("/clocks", str(number), *rest)) + (f"?said={said}" if said else "")


def listed(request: Request) -> Response:
    """The list of all clocks; a name in the address leads to that clock."""
    bench, said = bench_of(request), request.query_params.get("said", "")
    rows, remarks, _ = list_clocks(ListRequest(bench.log))
    named = request.query_params.get("named")
    if named:
        number = next((row.clock.number for row in rows if row.clock.name == named), None)
        if number is not None:
            return RedirectResponse(clock_path(number, said=said if said in SAID else ""), status_code=303)
    newest = sorted(
        rows, key=lambda row: (row.last.at if row.last else None) or row.clock.added_at, reverse=True
    )
    return page(
        request, "clocks.html", title="Clocks", here="/clocks", rows=newest, news=bench.watch.news, remarks=remarks,
        begun="" if rows else bench.begun,
    )  # fmt: skip


def next_line(request: Request) -> Response:
    """The next task for one clock of the list, requested when its row becomes visible."""
    from torsionbeat.jobs.advise import judged

    bench = bench_of(request)
    row = row_of(bench, request.path_params["number"])
    judgement, why = judged(row.clock.name, bench.log)
    rate = None if row.last is None else row.last.figures.get("rate_s_per_day")
    short = "" if request.query_params.get("whole") is not None else _short(judgement, why)
    return HTMLResponse(fragment("parts.html", "row_answer", row.clock.number, judgement, rate, short, why))


def _short(judgement: Judgement | None, why: Remark | None) -> str:
    """Say the first thing to do in a few words, by its kind."""
    if why is not None and why.code == "worked-on-since":
        return "Let it settle, and listen"
    if judgement is None or not judgement.tasks:
        return ""
    weights, kind = judgement.correction.weights, judgement.tasks[0].kind
    if kind == "change-weights" and weights is not None:
        do, off = ("Put", "on") if weights.total_g > 0 else ("Take", "off")
        return f"{do} {abs(weights.a_side_g):.3g} g {off} each of the {weights.sides} sides"
    return SHORT.get(kind, "See its page")


def shown(request: Request) -> Response:
    """One clock: how it goes, the next task, its history."""
    from torsionbeat.jobs.advise import judged

    bench = bench_of(request)
    story = story_of(bench.log, clock_of(bench, request.path_params["number"]).name)
    last = story.last
    later = len(story.readings) > MOST_JUDGED_AT_ONCE
    judgement, why = (None, None) if last is None or later else judged(story.clock.name, bench.log)
    rate = None if last is None else last.figures.get("rate_s_per_day")
    if judgement is not None:
        rate = judgement.rate_s_per_day
    return page(
        request, "clock.html", title=story.clock.name, here="/clocks", plots=True, story=story, clock=story.clock,
        known=story.clock.fields, judgement=judgement, why=why, later=later, last=last, rate=rate, bar=rate_bar(rate),
        drawn=_plots(story), said=SAID.get(request.query_params.get("said", ""), ""),
    )  # fmt: skip


def _plots(story: Story) -> dict[str, Any]:
    works = [(work.at, WORK_LABELS.get(work.work, "work")) for work in story.works if work.at is not None]
    known = story.clock.fields
    limits = [
        {"y": known[name], "label": f"{word} {known[name]:g}\N{DEGREE SIGN}"}
        for name, word in (("arc_low_deg", "healthy from"), ("arc_high_deg", "healthy to"))
        if known[name] is not None
    ]
    rows = [(one.at, one.figures) for one in story.readings if one.at is not None]
    found = {
        "rate": history_plot(
            [(at, figures.get("rate_s_per_day")) for at, figures in rows], works, what="rate"
        ),
        "arc": history_plot(
            [(at, figures.get("arc_deg")) for at, figures in rows], works, what="arc", limits=limits
        ),
    }
    return {name: plot for name, plot in found.items() if plot is not None}


def add_page(request: Request) -> Response:
    """The form for a new clock."""
    return page(
        request,
        "clock_form.html",
        title="Add a clock",
        here="/clocks",
        clock=None,
        groups=FIELD_GROUPS,
        kinds=KINDS,
    )


def added(request: Request, form: dict[str, str]) -> Response:
    """Add a clock."""
    try:
        fields = {name: value for name, value in _fields(form).items() if value not in (None, "")}
        kept = add_clock(ClockRequest(forms.text(form, "name"), fields, bench_of(request).log))
    except TorsionbeatError as error:
        return trouble(request, error, "/clocks/new", "Back to the form")
    return RedirectResponse(clock_path(kept.clock.number, said="added"), status_code=303)


def change_page(request: Request) -> Response:
    """The form for a clock's record."""
    clock = clock_of(bench_of(request), request.path_params["number"])
    return page(
        request,
        "clock_form.html",
        title=f"{clock.name}: its record",
        here="/clocks",
        clock=clock,
        groups=FIELD_GROUPS,
        kinds=KINDS,
    )


def changed(request: Request, form: dict[str, str]) -> Response:
    """Change a clock's record; a note keeps the old values."""
    bench, number = bench_of(request), request.path_params["number"]
    try:
        clock = clock_of(bench, number)
        name, fields = forms.text(form, "name"), _fields(form)
        changes = {
            key: value for key, value in fields.items() if (clock.fields[key] or None) != (value or None)
        }
        if name != clock.name:
            changes["name"] = name
        if changes:
            change_clock(ClockRequest(clock.name, changes, bench.log))
    except TorsionbeatError as error:
        return trouble(request, error, clock_path(number, "record"), "Back to the form")
    return RedirectResponse(clock_path(number, said="changed"), status_code=303)


def _fields(form: dict[str, str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for field in (field for group in FIELD_GROUPS for field in group.fields):
        if field.name in form and field.name in CLOCK_FIELDS:
            read = (
                forms.text(form, field.name)
                if field.is_text
                else forms.optional_number(form, field.name, field.label)
            )
            found[field.name] = read
    found["kind"] = forms.choice(form, "kind", tuple(kind for kind, _ in KINDS), "the kind")
    if found.get("lift_tolerance_deg", 0) is None:
        found["lift_tolerance_deg"] = 0.0
    return found


ROUTES = [
    Route("/clocks", listed),
    Route("/clocks/new", add_page),
    Route("/clocks/new", form_handler(added), methods=["POST"]),
    Route("/clocks/{number:int}", shown),
    Route("/clocks/{number:int}/next-line", next_line),
    Route("/clocks/{number:int}/record", change_page),
    Route("/clocks/{number:int}/record", form_handler(changed), methods=["POST"]),
]
