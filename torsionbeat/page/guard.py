"""Checks every request to the page before anything else sees it.

Checked in this order: the Host it asks for (another name may be DNS rebinding), the Origin it comes from, the access
code if the page is open to the network, and the token of every form. Responses carry a policy that lets a browser
run only the page's own files.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from torsionbeat.page.access import Access, from_here, token_is_right

__all__ = ["POLICY", "REPORT_POLICY", "Guard", "Handler", "Once", "form_handler"]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; media-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'"
)
"""A browser may load only this server's own files for a page, and no inline scripts or styles."""

REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox allow-modals"
"""For a report, one file with its styles inside: it may run nothing."""

SAFE_METHODS = ("GET", "HEAD")
MOST_FORM_BYTES = 64_000
"""A form is a few hundred bytes; a page-long note is a few thousand."""

OPEN_TO_ALL = ("/enter", "/static/page.css", "/static/icon.svg")
"""Paths open to a device before it has entered the code."""

Handler = Callable[[Request], Awaitable[Response]]
FormHandler = Callable[[Request, dict[str, str]], Response]


class Guard:
    """Middleware around the page.

    Parameters
    ----------
    app : ASGI application
    access : Access
    hosts : set of str
        Allowed values of the Host header, each with its port.
    cookie : str
        Name of the session's cookie.
    """

    def __init__(self, app: ASGIApp, access: Access, hosts: set[str], cookie: str) -> None:
        self._app, self._access, self._hosts, self._cookie = app, access, hosts, cookie

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request, then pass it to the page."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        session = self._access.session(_cookie(headers, self._cookie))
        fresh = ""
        if not session:
            fresh = self._access.new_session()
            session = self._access.session(fresh)
        scope["session_name"], scope["access"] = session, self._access

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._seal(MutableHeaders(scope=message), fresh)
            await send(message)

        refused = self._refusal(scope, headers, session)
        await (refused or self._app)(scope, receive, guarded)

    def _refusal(self, scope: Scope, headers: Headers, session: str) -> Response | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return PlainTextResponse(
                "This page answers only under the address that torsionbeat printed.", status_code=421
            )
        if not _own_origin(scope["method"], headers, hosts[0].lower()):
            return PlainTextResponse(
                "This request came from another site and was not carried out.", status_code=403
            )
        if scope["path"] in OPEN_TO_ALL or self._access.is_admitted(session, from_here(scope)):
            return None
        if scope["method"] in SAFE_METHODS and "text/html" in headers.get("accept", ""):
            return RedirectResponse("/enter", status_code=303)
        return PlainTextResponse(
            "This device has not shown the access code. Open the page anew.", status_code=403
        )

    def _seal(self, headers: MutableHeaders, fresh: str) -> None:
        headers.setdefault("content-security-policy", POLICY)
        headers["x-content-type-options"] = "nosniff"
        headers["referrer-policy"] = "same-origin"
        headers["cross-origin-opener-policy"] = "same-origin"
        headers["cross-origin-resource-policy"] = "same-origin"
        headers["permissions-policy"] = "camera=(), geolocation=(), microphone=()"
        headers.setdefault("cache-control", "no-store")
        if fresh:
            headers.append("set-cookie", f"{self._cookie}={fresh}; HttpOnly; SameSite=Strict; Path=/")


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found is not None else ""


def _own_origin(method: str, headers: Headers, host: str) -> bool:
    """Whether a request comes from the page itself, or is a visit by a typed address or a link."""
    origin = headers.get("origin")
    if origin is not None and origin.lower() != f"http://{host}":
        return False
    if method not in SAFE_METHODS:
        return origin is not None
    site = headers.get("sec-fetch-site", "none")
    return site in ("none", "same-origin") or headers.get("sec-fetch-mode") == "navigate"


MOST_REMEMBERED = 200
"""Forms whose responses are remembered: a second press comes within seconds, and no bench sends more in a minute."""


class Once:
    """Forms submitted recently: a form that is sent twice is executed once and answered twice."""

    def __init__(self) -> None:
        self._answers: dict[str, asyncio.Task[Response]] = {}

    async def answer(self, mark: str, carry_out: Callable[[], Awaitable[Response]]) -> Response:
        """Execute a form, or give the response that the same form got before. A failed form may be sent again.

        Parameters
        ----------
        mark : str
            Identifies a form of a page.
        carry_out : callable
        """
        task = self._answers.get(mark)
        if task is None:
            task = asyncio.ensure_future(carry_out())
            self._answers[mark] = task
            task.add_done_callback(lambda done: self._settle(mark, done))
            while len(self._answers) > MOST_REMEMBERED:
                del self._answers[next(iter(self._answers))]
        return await asyncio.shield(task)  # the browser drops the first request at the second press

    def _settle(self, mark: str, task: asyncio.Task[Response]) -> None:
        if task.cancelled() or task.exception() is not None or task.result().status_code != 303:
            self._answers.pop(mark, None)


def form_handler(handler: FormHandler) -> Handler:
    """Make a handler of a form: its size is limited, its token checked, its fields given as texts.

    A form with a field ``write_id`` is executed once, however often it is sent.
    """

    async def handle(request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool

        kind = request.headers.get("content-type", "").partition(";")[0].strip()
        if kind != "application/x-www-form-urlencoded":
            return PlainTextResponse("This form was not sent by the page.", status_code=415)
        body = bytearray()
        async for piece in request.stream():
            body += piece
            if len(body) > MOST_FORM_BYTES:
                return PlainTextResponse(
                    f"This form has more than {MOST_FORM_BYTES // 1000} kB; shorten its texts.",
                    status_code=413,
                )
        try:
            fields = _fields(bytes(body))
        except ValueError:
            return PlainTextResponse("This form has more fields than the page has.", status_code=400)
        if not token_is_right(request, fields.pop("token", "")):
            return _stale(request)
        if not fields.get("write_id"):
            return await run_in_threadpool(handler, request, fields)
        mark = hashlib.sha256(f"{request.url.path} {sorted(fields.items())}".encode()).hexdigest()
        fields["write_id"] = mark[:32]  # different fields under the same identity are another write
        once: Once = request.app.state.once
        return await once.answer(mark, lambda: run_in_threadpool(handler, request, fields))

    return handle


def _fields(body: bytes) -> dict[str, str]:
    from urllib.parse import parse_qsl

    pairs = parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=200)
    return {name: value.replace("\r\n", "\n") for name, value in pairs}


def _stale(request: Request) -> Response:
    """Answer a form from before the server's restart: nothing is executed."""
    from torsionbeat.errors import InputError
    from torsionbeat.page.views import trouble

    said = InputError(
        "this form is from before torsionbeat was started anew, so it was not carried out; open the page again and "
        "send it once more"
    )
    answer = trouble(request, said)
    answer.status_code = 403
    return answer
