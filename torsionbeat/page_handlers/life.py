"""Forms that add and correct notes and works of a clock's history; two nights compared; the report."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.benchlog.tables import WORK_KINDS
from torsionbeat.errors import TorsionbeatError
from torsionbeat.jobs.keep import (
    AmendRequest,
    EntryName,
    NoteRequest,
    TurnRequest,
    WorkRequest,
    amend_entry,
    keep_note,
    keep_work,
    restore_entry,
    undo_entry,
)
from torsionbeat.page import forms
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import REPORT_POLICY, form_handler
from torsionbeat.page.views import page, tell_next, trouble
from torsionbeat.page_handlers.choices import clock_of
from torsionbeat.page_handlers.clocks import clock_path

__all__ = ["ROUTES"]

KINDS_OF_ENTRY = ("note", "work", "reading", "hand check", "free swing")

WORDS_OF_WORK = {
    "spring": "strip replaced or trued",
    "weights": "weights changed",
    "regulator": "regulator moved",
    "cleaning": "cleaned",
    "beat": "beat set",
    "level": "levelled",
    "other": "worked on",
}
"""Words kept for a work if the text field is empty."""

TICKS = (
    ("recorder", "Both with the same recorder"),
    ("place", "Neither microphone nor clock was moved between them"),
    ("swapped", "Side a before is side b after"),
)
"""Facts about two nights that only the restorer knows; the sound does not show them."""


def noted(request: Request, form: dict[str, str]) -> Response:
    """Keep a note or a piece of work."""
    bench, number = bench_of(request), request.path_params["number"]
    try:
        clock = clock_of(bench, number).name
        kind = forms.choice(form, "kind", ("note", *WORK_KINDS), "what it is")
        when, said = forms.moment(form, "when", "when it was done"), forms.text(form, "text")
        details = _details(kind, form)
        write_id = forms.text(form, "write_id")[:64] or None
        if kind == "note":
            kept = keep_note(NoteRequest(clock, said, when, bench.log, write_id))
        else:
            kept = keep_work(
                WorkRequest(clock, kind, said or WORDS_OF_WORK[kind], details, when, bench.log, write_id)
            )
        tell_next(request, kept.remarks)
    except TorsionbeatError as error:
        return trouble(request, error, clock_path(number), "Back to the clock")
    return RedirectResponse(clock_path(number, said="noted"), status_code=303)


def turned(request: Request, form: dict[str, str]) -> Response:
    """Take an entry back, bring it back, or correct it."""
    bench, number = bench_of(request), request.path_params["number"]
    try:
        clock = clock_of(bench, number).name
        act = forms.choice(form, "act", ("undo", "restore", "amend"), "what to do")
        entry = EntryName(
            forms.choice(form, "kind", KINDS_OF_ENTRY, "the entry"),
            int(forms.number(form, "entry", "the entry")),
        )
        reason = forms.text(form, "reason")
        if act == "amend":
            amend_entry(AmendRequest(clock, entry, _changes(entry.kind, form), reason, bench.log))
        else:
            turn = undo_entry if act == "undo" else restore_entry
            turn(TurnRequest(clock, entry, reason, bench.log))
    except TorsionbeatError as error:
        return trouble(request, error, clock_path(number), "Back to the clock")
    said = {"undo": "undone", "restore": "restored", "amend": "amended"}[act]
    return RedirectResponse(clock_path(number, said=said), status_code=303)


def _changes(kind: str, form: dict[str, str]) -> dict[str, Any]:
    """The corrections in a form, by the names of ``torsionbeat.benchlog.corrections.AMENDABLE``."""
    found: dict[str, Any] = {}
    texts = {"note": "text", "work": "what"}
    moments = {"note": "written_at", "work": "done_at"}
    if kind in texts and forms.text(form, "text"):
        found[texts[kind]] = forms.text(form, "text")
    when = forms.moment(form, "when", "when it was")
    if when is not None and kind in moments:
        found[moments[kind]] = when
    grams = forms.optional_number(form, "added_g", "the grams, all sides together")
    if kind == "work" and grams is not None:
        found["details"] = {"added_g": grams}
    return found


def _details(kind: str, form: dict[str, str]) -> dict[str, Any]:
    if kind == "weights":
        added = forms.optional_number(form, "added_g", "the grams, all sides together")
        return {} if added is None else {"added_g": added}
    if kind == "regulator":
        found = {
            "moved": forms.optional_number(form, "moved", "how far the regulator was moved"),
            "setting": forms.optional_number(form, "setting", "the regulator's setting"),
        }
        return {name: value for name, value in found.items() if value is not None}
    return {}


def compared(request: Request) -> Response:
    """Two nights side by side: what changed beyond doubt."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.display.changes import comparison_sentences
    from torsionbeat.history.comparison import compare
    from torsionbeat.history.nights import reading_from_document

    bench = bench_of(request)
    clock = clock_of(bench, request.path_params["number"])
    with open_log(bench.log, must_exist=True) as log:
        readings = log.readings(clock.name)
    asked = request.query_params
    chosen = [
        next((one for one in readings if str(one.id) == asked.get(name)), None)
        for name in ("before", "after")
    ]
    comparison, ticked = None, [name for name, _ in TICKS if asked.get(name)]
    if None not in chosen:
        before, after = (reading_from_document(one.document) for one in chosen if one is not None)
        comparison = compare(
            before,
            after,
            same_recorder="recorder" in ticked,
            same_place="place" in ticked,
            swap_sides=True if "swapped" in ticked else None,
        )
    rows = [] if comparison is None else [_row(row) for row in comparison.rows]
    return page(
        request, "compare.html", title=f"{clock.name}: two nights", here="/clocks", clock=clock, readings=readings,
        before=asked.get("before", ""), after=asked.get("after", ""), comparison=comparison,
        sentences=[] if comparison is None else comparison_sentences(comparison),
        ticks=TICKS, ticked=ticked, sounds=[] if comparison is None else _sounds(clock.number, chosen),
        changed=[row for row in rows if row["changed"]], unchanged=[row for row in rows if not row["changed"]],
    )  # fmt: skip


def _sounds(clock: int, chosen: list[Any]) -> list[tuple[str, str]]:
    """The nights before and after, each with the path where it can be heard; empty if neither kept its sound."""
    found = [
        (word, clock_path(clock, "readings", str(row.id)) if row.recording_path else "")
        for word, row in zip(("Before", "After"), chosen, strict=True)
    ]
    return found if any(path for _, path in found) else []


def _row(row: Any) -> dict[str, Any]:
    from torsionbeat.display.changes import change_words, estimate_words

    return {
        "name": row.name,
        "before": f"{estimate_words(row.before)} {row.unit}" if row.before is not None else "not measured",
        "after": f"{estimate_words(row.after)} {row.unit}" if row.after is not None else "not measured",
        "change": change_words(row),
        "changed": row.verdict == "changed",
    }


def report_page(request: Request) -> Response:
    """The report, ready to open, print or download."""
    clock = clock_of(bench_of(request), request.path_params["number"])
    return page(request, "report_page.html", title=f"{clock.name}: report", here="/clocks", clock=clock)


def report(request: Request) -> Response:
    """The report as one file; its policy forbids scripts."""
    from datetime import datetime

    from torsionbeat.jobs.advise import judged
    from torsionbeat.jobs.report import ReportRequest
    from torsionbeat.jobs.report import report as gathered
    from torsionbeat.reports.report import report_html
    from torsionbeat.reports.workshop import load_workshop

    bench = bench_of(request)
    clock = clock_of(bench, request.path_params["number"])
    judgement, why = judged(clock.name, bench.log)
    html = report_html(
        gathered(ReportRequest(clock.name, bench.log)),
        datetime.now().astimezone(),
        judgement=judgement,
        unjudged=why,
        workshop=load_workshop(None),
    )
    headers = {"content-security-policy": REPORT_POLICY}
    if request.query_params.get("download") is not None:
        headers["content-disposition"] = f'attachment; filename="report-{clock.number}.html"'
    return HTMLResponse(html, headers=headers)


ROUTES = [
    Route("/clocks/{number:int}/notes", form_handler(noted), methods=["POST"]),
    Route("/clocks/{number:int}/entries", form_handler(turned), methods=["POST"]),
    Route("/clocks/{number:int}/compare", compared),
    Route("/clocks/{number:int}/report", report_page),
    Route("/clocks/{number:int}/report.html", report),
]
