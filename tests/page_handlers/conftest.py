"""The page's handlers in this process: the application itself is asked, without a server, a browser or a network."""

from __future__ import annotations

import asyncio
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

import pytest

HOST = "127.0.0.1:8000"
BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


@dataclass
class Answer:
    """What the application answered."""

    status: int
    headers: dict[str, str]
    text: str

    @property
    def words(self):
        """The page's text without its tags."""
        plain = re.sub(r"<(script|style).*?</\1>", " ", self.text, flags=re.S)
        return " ".join(re.sub(r"<[^>]+>", " ", plain).split())


class Caller:
    """A device that asks the application; ``client`` is its address."""

    def __init__(self, app, client="127.0.0.1"):
        self.app, self.client, self.cookie, self.token = app, client, "", ""

    def ask(self, method, path, body=b"", **headers):
        """Send one request and take the whole answer."""
        path, _, query = path.partition("?")
        given = {"host": HOST, "accept": "text/html", **{k.replace("_", "-"): v for k, v in headers.items()}}
        if self.cookie:
            given["cookie"] = self.cookie
        scope = {
            "type": "http", "http_version": "1.1", "method": method, "path": path, "raw_path": path.encode(),
            "query_string": query.encode(), "scheme": "http", "client": (self.client, 9), "server": ("127.0.0.1", 8000),
            "headers": [(k.encode(), v.encode()) for k, v in given.items() if v is not None], "root_path": "",
        }  # fmt: skip
        got = {"body": b""}

        waiting = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive():
            if not waiting:
                await asyncio.Event().wait()  # the device stays until it has its answer
            return waiting.pop()

        async def send(message):
            if message["type"] == "http.response.start":
                got["status"] = message["status"]
                got["headers"] = {k.decode(): v.decode() for k, v in message["headers"]}
            else:
                got["body"] += message.get("body", b"")

        def run():
            asyncio.run(asyncio.wait_for(self.app(scope, receive, send), 60))

        with ThreadPoolExecutor(1) as thread:  # a browser that is open in this process has a loop of its own
            thread.submit(run).result()
        return Answer(got["status"], got["headers"], got["body"].decode("utf-8", "replace"))

    def get(self, path, **headers):
        """Open a page, and keep its session and token as a browser does."""
        answer = self.ask("GET", path, **headers)
        if "set-cookie" in answer.headers:
            self.cookie = answer.headers["set-cookie"].partition(";")[0]
        found = re.search(r'name="token" content="([0-9a-f]+)"', answer.text)
        if found:
            self.token = found[1]
        return answer

    def post(self, path, _headers=None, **fields):
        """Send a form of the page."""
        if not self.token:
            self.get("/cautions")
        sent = {"origin": f"http://{HOST}", "content_type": "application/x-www-form-urlencoded"} | (
            _headers or {}
        )
        return self.ask("POST", path, urlencode({"token": self.token} | fields).encode(), **sent)


@pytest.fixture
def make_page(tmp_path, monkeypatch):
    """Give what makes the application on an empty log, with what lets devices in."""
    pytest.importorskip("starlette", reason="the extra `page` is not installed")
    from torsionbeat.benchlog import open_log
    from torsionbeat.page.access import Access
    from torsionbeat.page.bench import Bench
    from torsionbeat.page_handlers.app import make_app

    monkeypatch.setenv("TORSIONBEAT_NIGHTS", str(tmp_path / "nights"))
    log = str(tmp_path / "log.sqlite")
    open_log(log).close()

    def make(access=None, client="127.0.0.1", **more):
        bench = Bench(log, access or Access(), **more)
        caller = Caller(make_app(bench, {HOST}, "session"), client)
        caller.bench, caller.log = bench, log
        return caller

    return make


@pytest.fixture
def page(make_page):
    """The page as this computer sees it, with one clock in its log."""
    from torsionbeat.benchlog import open_log

    made = make_page()
    with open_log(made.log) as log:
        log.add_clock("Lamp", nominal_period_s=60.0, lift_deg=20.0)
    return made


@pytest.fixture
def read(page):
    """Give what keeps a reading of the clock: its rate (s/day), the day, and what else its document says."""
    from torsionbeat.benchlog import open_log

    def keep(rate, day=0, **more):
        document = {
            "schema": 1,
            "recording": {"name": "lamp.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
            "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
            "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0},
            "period_s": {"value": 60.0 / (1 + rate / 86400), "standard_uncertainty": 1e-5},
            "rate_s_per_day": {"value": rate, "standard_uncertainty": 0.2},
            "beat_error_ms": {"value": 30.0, "standard_uncertainty": 1.0},
            "arc_deg": {"value": 430.0, "standard_uncertainty": 1.0},
            "beats": {"expected": 120, "heard": 120},
            "swings": [],
        } | more
        with open_log(page.log) as log:
            return log.add_reading("Lamp", document, None, taken_at=BEGIN + timedelta(days=day)).id

    return keep
