"""Serving the page: where it listens, what it prints, how it opens and how it ends."""

from __future__ import annotations

import asyncio
import contextlib
import io
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import FrameType
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from torsionbeat.errors import InputError
from torsionbeat.page.access import Access

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from torsionbeat.page.bench import Bench

__all__ = ["DEFAULT_PORT", "PageRequest", "serve"]

DEFAULT_PORT = 8318
"""In the range that user programs may use, and not registered for a common service."""

HEADERS_WITHIN_S = 10.0
"""A browser sends its request at once; a slower client holds the connection open on purpose."""

MOST_CONNECTIONS = 150
"""Six for each browser; one bench has no more than twenty browsers."""

ENDS_WITHIN_S = 3
"""Time for unfinished responses when the server ends."""


@dataclass(frozen=True, slots=True)
class PageRequest:
    """How to serve the page; ``log`` None is the default bench log, port 0 any free port."""

    port: int = DEFAULT_PORT
    browser: bool = True
    lan: bool = False
    log: str | None = None


class _Connection(H11Protocol):
    """A connection that is closed if no request comes."""

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self.loop.call_later(HEADERS_WITHIN_S, self._without_request)

    def _without_request(self) -> None:
        if self.cycle is None and not self.transport.is_closing():
            self.transport.close()


class _Server(uvicorn.Server):
    """A server that ends at a signal without ending the program: a running listening must still be kept."""

    def __init__(self, config: uvicorn.Config, bench: Bench, opened: Callable[[], None]) -> None:
        super().__init__(config)
        self._bench, self._opened = bench, opened

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
        before = {
            number: signal.signal(number, self.handle_exit)
            for number in map(signal.Signals.__getitem__, names)
        }
        try:
            yield
        finally:
            for number, old in before.items():
                signal.signal(number, old)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.should_exit = True
        self._bench.feed.close()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._bench.loop = asyncio.get_running_loop()
        self._opened()


def serve(
    request: PageRequest,
    make_app: Callable[[Bench, set[str], str], ASGIApp],
    address: Callable[[str], None],
    tell: Callable[[str], None],
) -> None:
    """Serve the page until a signal ends it.

    Parameters
    ----------
    request : PageRequest
    make_app : callable
        Makes the application (`torsionbeat.page_handlers.app.make_app`) from the bench, the hosts and the cookie's name.
    address : callable
        Called with the line that gives the page's address, as soon as the page answers.
    tell : callable
        Called with everything else: the access code, and the result of a listening that ended with the server.

    Raises
    ------
    InputError
        The port is taken or out of range.
    BenchLogError
        The log cannot be opened.
    """
    from torsionbeat.page.bench import Bench

    door = _door(request)
    port = door.getsockname()[1]
    here = f"http://127.0.0.1:{port}/"
    addresses = _lan_addresses() if request.lan else []

    def on_new_code(code: str) -> None:
        tell(_code_words(code, addresses, port))

    access = Access(request.lan, on_new_code)
    bench = Bench(request.log, access, lan_urls=tuple(f"http://{name}:{port}" for name in addresses))
    app = make_app(bench, _hosts(port, addresses), f"torsionbeat-{port}")
    config = uvicorn.Config(
        app,
        http=_Connection,
        ws="none",
        lifespan="off",
        log_level="critical",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_graceful_shutdown=ENDS_WITHIN_S,
    )

    def opened() -> None:
        address(f"The bench page is at {here} (Ctrl-C ends it)")
        if request.browser:
            threading.Thread(target=_open_browser, args=(here,), daemon=True).start()

    try:
        bench.open(tell)
        _Server(config, bench, opened).run(sockets=[door])
    finally:
        door.close()
        bench.close(tell)


def _door(request: PageRequest) -> socket.socket:
    if not 0 <= request.port <= 65535:
        raise InputError(f"the port is {request.port}; it must lie between 1 and 65535 (0: any that is free)")
    door = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        door.bind(("0.0.0.0" if request.lan else "127.0.0.1", request.port))
        door.listen(128)
    except OSError as error:
        door.close()
        raise InputError(
            f"port {request.port} cannot be used ({error.strerror}): another program has it, perhaps a bench page "
            "that is open already; end that one, or choose another with --port"
        ) from error
    return door


def _lan_addresses() -> list[str]:
    """This computer's addresses in its networks, the one towards the router first. No packet is sent."""
    found: list[str] = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # documentation address (RFC 5737): only the route is looked up
        found.append(str(probe.getsockname()[0]))
    with contextlib.suppress(OSError):
        found += [str(row[4][0]) for row in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return list(dict.fromkeys(name for name in found if not name.startswith("127.")))


def _hosts(port: int, addresses: list[str]) -> set[str]:
    names = ["127.0.0.1", "localhost", *addresses]
    if addresses:
        own = socket.gethostname().lower()
        names += [own, f"{own.partition('.')[0]}.local"]
    return {f"{name}:{port}" for name in names} | ({*names} if port == 80 else set())


def _code_words(code: str, addresses: list[str], port: int) -> str:
    """The access code with its picture, for a terminal."""
    if not addresses:
        return f"Access code: {code}. This computer is in no network now; connect it, then open its address there."
    import segno

    picture = io.StringIO()
    url = f"http://{addresses[0]}:{port}"
    segno.make(f"{url}/enter?code={code}", error="l").terminal(out=picture, compact=True)
    return (
        f"{picture.getvalue()}Open {url}/ on a phone or tablet in this network and type the code {code[:4]} {code[4:]},\n"
        "or point its camera at the picture. A code lets one device in. What is sent is not encrypted: "
        "do this in a network whose users you trust."
    )


def _open_browser(url: str) -> None:
    import webbrowser

    with contextlib.suppress(Exception):  # without a browser, the address on the terminal is enough
        webbrowser.open(url)
