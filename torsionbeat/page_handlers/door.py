"""Access: the code for a device in the network, opening the page on a phone, the stream of changes, cautions."""

from __future__ import annotations

from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from torsionbeat.display.glossary import CAUTIONS, WORDS
from torsionbeat.errors import InputError
from torsionbeat.page.access import Access, from_here
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.views import page, trouble

__all__ = ["ROUTES"]

MOST_STREAMS = 24
"""A browser opens one for each open page; a hundred are an attack or a fault."""

MOST_TOPICS = 12
"""More topics than the page has: a client that requests more is not running our page."""


class _UntilGone(StreamingResponse):
    """A stream that ends when its page is gone.

    A server that states ASGI 2.4 promises an error when it sends to a page that is gone. Some versions of uvicorn state
    it and raise no error, so a stream would count as open forever. The disconnect is therefore always watched for.
    """

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        stated = {**scope.get("asgi", {}), "spec_version": "2.3"}
        await super().__call__({**scope, "asgi": stated}, receive, send)


async def events(request: Request) -> Response:
    """Stream the changes after the last one that the page has seen."""
    feed = bench_of(request).feed
    if feed.streams >= MOST_STREAMS:
        return PlainTextResponse(
            f"{MOST_STREAMS} pages are open already; close some of them.",
            status_code=503,
            headers={"retry-after": "10"},
        )
    last = request.headers.get("last-event-id") or request.query_params.get("since", "")
    topics = frozenset(request.query_params.get("topics", "").split()[:MOST_TOPICS])
    return _UntilGone(
        feed.stream(last[:40], topics), media_type="text/event-stream", headers={"x-accel-buffering": "no"}
    )


def enter(request: Request) -> Response:
    """Ask a device for the access code."""
    access: Access = request.scope["access"]
    if access.is_admitted(request.scope["session_name"], from_here(request.scope)):
        return RedirectResponse("/clocks", status_code=303)
    return page(
        request, "enter.html", title="Access code", code=request.query_params.get("code", "")[:12], wrong=""
    )


def entered(request: Request, form: dict[str, str]) -> Response:
    """Admit a device that enters the code."""
    access: Access = request.scope["access"]
    right = access.try_code(request.scope["session_name"], form.get("code", "")[:40])
    if right:
        return RedirectResponse("/clocks", status_code=303)
    wrong = (
        "That is not the code that stands in the terminal now. Each code lets one device in."
        if right is False
        else "Too many tries. Wait a minute, then type the code that stands in the terminal."
    )
    return page(
        request,
        "enter.html",
        status=403 if right is False else 429,
        title="Access code",
        code="",
        wrong=wrong,
    )


def phone(request: Request) -> Response:
    """Show the code as a picture for a phone's camera, on this computer."""
    bench = bench_of(request)
    if not bench.lan_urls or not from_here(request.scope):
        return trouble(
            request,
            InputError(
                "this page is for this computer alone; end it and start it with torsionbeat page --lan to open it on a phone"
            ),
        )
    import segno

    url = f"{bench.lan_urls[0]}/enter?code={quote(bench.access.code)}"
    picture = segno.make(url, error="m")
    rows = [[x for x, dark in enumerate(row) if dark] for row in picture.matrix]
    return page(
        request, "phone.html", title="Open this page on a phone",
        url=bench.lan_urls[0], code=bench.access.code, rows=rows, size=len(rows),
    )  # fmt: skip


def cautions(request: Request) -> Response:
    """The cautions, and the words of the trade."""
    return page(request, "cautions.html", title="Cautions at the bench", cautions=CAUTIONS, words=WORDS)


def home(_request: Request) -> Response:
    """The clocks are the first page."""
    return RedirectResponse("/clocks", status_code=303)


ROUTES = [
    Route("/", home),
    Route("/events", events),
    Route("/enter", enter),
    Route("/enter", form_handler(entered), methods=["POST"]),
    Route("/phone", phone),
    Route("/cautions", cautions),
]
