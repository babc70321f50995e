"""The lift of a clock, from an arc that was counted by eye while the clock was recorded or listened to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.page import forms
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.views import ago, named_path, page, trouble
from torsionbeat.page_handlers.choices import Choice, clock_names, row_of

if TYPE_CHECKING:
    from torsionbeat.jobs.find_lift import FindLiftResult
    from torsionbeat.page.bench import Bench

__all__ = ["ROUTES"]

FIELDS = ("of", "counted", "within")


def lift_page(request: Request) -> Response:
    """The form and its result."""
    from torsionbeat.display.by_hand import lift_sentences

    bench = bench_of(request)
    given = {name: request.query_params.get(name, "")[:100] for name in FIELDS}
    found, why = None, ""
    if given["of"]:
        try:
            found = _found(bench, given)
        except TorsionbeatError as error:
            why = str(error)
    return page(
        request, "lift.html", title="The lift", here="/byhand", given=given, why=why, clocks=clock_names(bench),
        readings=_readings(bench), sentences=[] if found is None else lift_sentences(found)[:-1],
    )  # fmt: skip


def kept(request: Request, form: dict[str, str]) -> Response:
    """Put the lift into a clock's record."""
    from torsionbeat.jobs.find_lift import keep_lift

    bench = bench_of(request)
    try:
        clock = forms.text(form, "clock")
        if not clock:
            raise InputError("choose the clock whose lift it is; a new one is added under Clocks")
        keep_lift(_found(bench, {name: form.get(name, "") for name in FIELDS}), clock, bench.log)
    except TorsionbeatError as error:
        return trouble(request, error, "/byhand/lift", "Back to the form")
    return RedirectResponse(named_path(clock, "changed"), status_code=303)


def _readings(bench: Bench) -> list[Choice]:
    """Readings that a counted arc can belong to: the recordings of this page, and each clock's last reading."""
    from torsionbeat.jobs.clock_history import ListRequest, list_clocks

    found = [
        Choice(f"r-{one.id}", f"{one.name}, {ago(one.came)}")
        for one in bench.recordings.all()
        if one.document is not None
    ]
    lasts = [
        (row.clock, row.last.at) for row in list_clocks(ListRequest(bench.log))[0] if row.last is not None
    ]
    return found + [
        Choice(f"c-{clock.number}", f"{clock.name}, heard {ago(at)}") for clock, at in lasts if at is not None
    ]


def _found(bench: Bench, given: dict[str, str]) -> FindLiftResult:
    from torsionbeat.benchlog import open_log
    from torsionbeat.history.nights import reading_from_document
    from torsionbeat.jobs.find_lift import COUNTED_WITHIN_DEG, CountedArc, FindLiftResult, lift_of_counts

    counted = forms.number(given, "counted", "the arc as counted")
    within = forms.optional_number(given, "within", "how far off the count may be")
    kind, _, name = given["of"].partition("-")
    document: dict[str, Any] | None
    if kind == "c" and name.isdigit():
        row = row_of(bench, int(name))
        if row.last is None:
            raise InputError(f"{row.clock.name} has not been read yet; listen to it, or read a recording")
        with open_log(bench.log, must_exist=True) as log:
            document = log.reading_document(row.clock.name, row.last.number)
    else:
        document = bench.recordings.get(name).document
    if document is None:
        raise InputError("this recording is not read yet; wait until it is")
    arc = CountedArc(counted, COUNTED_WITHIN_DEG if within is None else within)
    return FindLiftResult(*lift_of_counts(reading_from_document(document), (arc,)))


ROUTES = [
    Route("/byhand/lift", lift_page),
    Route("/byhand/lift", form_handler(kept), methods=["POST"]),
]
