"""Recordings: uploaded by drag and drop, by choice or from a phone; read, shown, kept with a clock or thrown away."""

from __future__ import annotations

import contextlib
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.jobs.keep_reading import ReadingRequest, keep_reading
from torsionbeat.page import forms
from torsionbeat.page.access import token_is_right
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.reader import Recording
from torsionbeat.page.recordings import TooBigError, TooSlowError, too_big
from torsionbeat.page.views import capital, fragment, named_path, page, sentence, tell_next, trouble
from torsionbeat.page_handlers.choices import clock_names

__all__ = ["ROUTES"]


def listed(request: Request) -> Response:
    """All recordings, and where to put new ones."""
    bench = bench_of(request)
    return page(
        request, "recordings.html", title="Recordings", here="/recordings", topics="recordings",
        rows=bench.recordings.all(), clocks=clock_names(bench), clock=request.query_params.get("clock", ""),
    )  # fmt: skip


async def sent(request: Request) -> Response:
    """Write an upload to disk as it arrives; answer with the path of its page."""
    if not token_is_right(request, request.headers.get("x-token", "")):
        return PlainTextResponse(
            "This page is from before torsionbeat was started anew. Open it again.", status_code=403
        )
    asked = request.query_params
    began_s = None
    with contextlib.suppress(ValueError):
        began_s = float(asked.get("began", ""))
    bench = bench_of(request)
    pieces = request.stream()
    with contextlib.suppress(ValueError):
        if int(request.headers.get("content-length", "0")) > bench.recordings.limits.upload_bytes:
            return _refused(too_big(bench.recordings.limits))  # without waiting for the rest
    try:
        made = await bench.recordings.take(
            asked.get("name", "recording"), pieces, began_s, asked.get("clock", "")[:80]
        )
    except TorsionbeatError as error:
        return _refused(error)
    return PlainTextResponse(f"/recordings/{made.id}")


def _refused(error: TorsionbeatError) -> Response:
    codes = ((TooBigError, 413), (TooSlowError, 408), (InputError, 422))
    code = next((code for kind, code in codes if isinstance(error, kind)), 507)
    return PlainTextResponse(capital(sentence(str(error))), status_code=code, headers={"connection": "close"})


def sample(request: Request, _form: dict[str, str]) -> Response:
    """Make the sample and read it."""
    try:
        made = bench_of(request).recordings.add_sample()
    except TorsionbeatError as error:
        return trouble(request, error)
    return RedirectResponse(f"/recordings/{made.id}", status_code=303)


def shown(request: Request) -> Response:
    """One recording: the progress of its reading, or the result."""
    bench = bench_of(request)
    try:
        one = bench.recordings.get(request.path_params["number"])
    except InputError as error:
        return trouble(request, error, "/recordings", "To the recordings")
    return page(
        request, "recording_page.html", title=one.name, here="/recordings", plots=True,
        topics=f"recording-{one.id}", one=one, clocks=clock_names(bench),
    )  # fmt: skip


def kept(request: Request, form: dict[str, str]) -> Response:
    """Keep a reading with a clock of the log."""
    bench, number = bench_of(request), request.path_params["number"]
    try:
        one = bench.recordings.get(number)
        name = forms.text(form, "clock")
        if one.document is None or one.state == "kept":
            raise InputError("there is no reading to be kept here, or it is kept already")
        if not name:
            raise InputError("choose the clock to keep it with; a new one is added under Clocks")
        sound = Path(one.path)
        found = keep_reading(
            ReadingRequest(
                name,
                one.document,
                sound if sound.exists() else None,
                forms.moment(form, "began", "when it was recorded"),
                keep_anyway=bool(form.get("anyway")),
                log=bench.log,
            )
        )
        if found.entry is None:
            return _odd(request, one, form, [str(odd) for odd in found.odd])
        bench.recordings.mark_kept(number, found.clock)
        tell_next(request, found.remarks)
    except TorsionbeatError as error:
        return trouble(request, error, f"/recordings/{number}", "Back to the recording")
    return RedirectResponse(named_path(found.clock, "kept"), status_code=303)


def _odd(request: Request, one: Recording, form: dict[str, str], odd: list[str]) -> Response:
    """Say why a reading is unlike its clock, and let the restorer decide."""
    return page(
        request, "odd.html", title="Is it this clock?", here="/recordings", one=one, clock=form["clock"], odd=odd,
        began=form.get("began", ""),
    )  # fmt: skip


def read_again(request: Request, form: dict[str, str]) -> Response:
    """Read it again with more or other data of the clock."""
    number = request.path_params["number"]
    try:
        bench_of(request).recordings.read_again(
            number,
            forms.text(form, "clock"),
            forms.optional_number(form, "period", "the period"),
            forms.optional_number(form, "lift", "the lift"),
        )
    except TorsionbeatError as error:
        return trouble(request, error, f"/recordings/{number}", "Back to the recording")
    return RedirectResponse(f"/recordings/{number}", status_code=303)


def thrown_away(request: Request, _form: dict[str, str]) -> Response:
    """Throw a recording away."""
    bench, number = bench_of(request), request.path_params["number"]
    with contextlib.suppress(InputError):
        bench.minutes.forget(bench.recordings.get(number).id)
        bench.recordings.throw_away(number)
    return RedirectResponse("/recordings", status_code=303)


def minute(request: Request, _form: dict[str, str]) -> Response:
    """Assemble the recording in a minute, and give its player, or the reason why there is none."""
    bench, number = bench_of(request), request.path_params["number"]
    why = ""
    try:
        one = bench.recordings.get(number)
        if one.document is None:
            raise InputError("this recording is not read yet; wait until it is")
        bench.minutes.made(one.id, Path(one.path), one.document)
    except TorsionbeatError as error:
        why = str(error)
    return HTMLResponse(fragment("parts.html", "minute_made", f"/recordings/{number}", why))


def minute_played(request: Request) -> Response:
    """The sound of that minute."""
    bench = bench_of(request)
    try:
        one = bench.recordings.get(request.path_params["number"])
        found = bench.minutes.find(one.id, Path(one.path))
        if found is None:
            raise InputError("this minute is not put together yet; open its recording again")
    except InputError as error:
        return trouble(request, error, "/recordings", "To the recordings")
    return FileResponse(found, media_type="audio/flac")


def cancelled(request: Request, _form: dict[str, str]) -> Response:
    """Stop reading."""
    number = request.path_params["number"]
    bench_of(request).recordings.cancel(number)
    return RedirectResponse(f"/recordings/{number}", status_code=303)


def _one(path: str, handler: object) -> Route:
    return Route(f"/recordings/{{number:str}}/{path}", form_handler(handler), methods=["POST"])  # type: ignore[arg-type]


ROUTES = [
    Route("/recordings", listed),
    Route("/recordings", sent, methods=["POST"]),
    Route("/recordings/sample", form_handler(sample), methods=["POST"]),
    Route("/recordings/{number:str}", shown),
    _one("keep", kept),
    _one("again", read_again),
    _one("away", thrown_away),
    _one("cancel", cancelled),
    _one("minute", minute),
    Route("/recordings/{number:str}/minute.flac", minute_played),
]
