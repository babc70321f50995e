"""One reading of a clock: its figures and plots, and the sound of the night in a minute."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response
from starlette.routing import Route

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.plots import reading_plots
from torsionbeat.page.views import fragment, page, trouble
from torsionbeat.page_handlers.choices import clock_of
from torsionbeat.page_handlers.clocks import clock_path

if TYPE_CHECKING:
    from torsionbeat.benchlog import ReadingRecord
    from torsionbeat.jobs.clock_history import ClockFacts

__all__ = ["ROUTES"]


def shown(request: Request) -> Response:
    """One reading of a clock, with its plots."""
    from torsionbeat.display.words import reading_sentences
    from torsionbeat.history.nights import reading_from_document

    try:
        clock, row, document = _reading(request)
    except InputError as error:
        return trouble(request, error, clock_path(request.path_params["number"]), "To the clock")
    found = reading_from_document(document)
    names = (clock.fields["side_a_name"], clock.fields["side_b_name"])
    return page(
        request, "reading.html", title=f"{clock.name}, heard", here="/clocks", plots=True, clock=clock, at=row.taken_at,
        sentences=reading_sentences(found), remarks=found.remarks, names=names, drawn=reading_plots(found, (), names),
        sound=clock_path(clock.number, "readings", str(row.id)) if row.recording_path else "",
    )  # fmt: skip


def minute(request: Request, _form: dict[str, str]) -> Response:
    """Assemble the night in a minute, and give its player, or the reason why there is none."""
    bench, why = bench_of(request), ""
    number, wanted = request.path_params["number"], request.path_params["reading"]
    try:
        _, row, document = _reading(request)
        bench.minutes.made(_name(row), _sound(row), document)
    except TorsionbeatError as error:
        why = str(error)
    return HTMLResponse(
        fragment("parts.html", "minute_made", clock_path(number, "readings", str(wanted)), why)
    )


def minute_played(request: Request) -> Response:
    """The sound of that minute."""
    bench = bench_of(request)
    try:
        _, row, _ = _reading(request)
        found = bench.minutes.find(_name(row), _sound(row))
        if found is None:
            raise InputError("this minute is not put together yet; open its reading again")
    except InputError as error:
        return trouble(request, error, clock_path(request.path_params["number"]), "To the clock")
    return FileResponse(found, media_type="audio/flac")


def _reading(request: Request) -> tuple[ClockFacts, ReadingRecord, dict[str, Any]]:
    from torsionbeat.benchlog import open_log

    bench, wanted = bench_of(request), request.path_params["reading"]
    clock = clock_of(bench, request.path_params["number"])
    with open_log(bench.log, must_exist=True) as log:
        rows = log.readings(clock.name, superseded=True, retracted=True, documents=False)
        row = next((one for one in rows if one.id == wanted), None)
        if row is None:
            raise InputError("this reading is not with this clock")
        return clock, row, log.reading_document(clock.name, row.id)


def _name(row: ReadingRecord) -> str:
    return f"reading-{row.id}"


def _sound(row: ReadingRecord) -> Path:
    if not row.recording_path:
        raise InputError("no sound was kept with this reading, so there is nothing to play")
    return Path(row.recording_path)


_PATH = "/clocks/{number:int}/readings/{reading:int}"
ROUTES = [
    Route(_PATH, shown),
    Route(f"{_PATH}/minute", form_handler(minute), methods=["POST"]),
    Route(f"{_PATH}/minute.flac", minute_played),
]
