"""The page as its user has it: a server in a process of its own, and a browser where there is one."""

from __future__ import annotations

import asyncio
import http.client
import importlib.util
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest

ROOT = Path(__file__).parents[2]


def _fixtures_of_the_log():
    """The database server of the bench log's own tests."""
    path = ROOT / "tests" / "benchlog" / "conftest.py"
    spec = importlib.util.spec_from_file_location("benchlog_conftest", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.postgres_server, module.postgres_url


postgres_server, postgres_url = _fixtures_of_the_log()
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


class Server:
    """``torsionbeat page`` in a process of its own.

    Attributes
    ----------
    port : int
    log : str
        Path or URL of its bench log.
    process : subprocess.Popen
    """

    def __init__(self, folder, *options, log=None, environment=None):
        self.folder = Path(folder)
        self.log = log or str(self.folder / "log.sqlite")
        self.said, self.told = self.folder / "out.txt", self.folder / "err.txt"
        self._options = options
        self.environment = dict(
            os.environ if environment is None else environment,
            PYTHONPATH=str(ROOT),
            TORSIONBEAT_NIGHTS=str(self.folder / "nights"),
        )
        self.environment.pop("TORSIONBEAT_LOG", None)
        self.start()

    def start(self, *more):
        code = "import sys; from torsionbeat.cli import main; sys.exit(main(sys.argv[1:]))"
        command = ["page", "--port", "0", "--no-browser", "--log", self.log, *self._options, *more]
        with self.said.open("w") as out, self.told.open("a") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, *command],
                env=self.environment,
                cwd=self.folder,
                stdout=out,
                stderr=err,
            )
        last = time.monotonic() + 60
        while time.monotonic() < last:
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", self.said.read_text())
            if found:
                self.port = int(found[1])
                return
            if self.process.poll() is not None:
                raise AssertionError(f"the server ended: {self.told.read_text()}")
            time.sleep(0.05)
        self.process.kill()
        raise AssertionError("the server does not answer")

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def stop(self, number=signal.SIGTERM, within_s=300):
        """End it and give its exit status."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        return self.process.wait(within_s)


class Visitor:
    """A program that speaks to the page as it likes: its own headers, no browser's manners."""

    def __init__(self, server, address="127.0.0.1"):
        self.server, self.address, self.cookie, self.token = server, address, "", ""

    def enter(self, path="/clocks"):
        """Get a session and its token, as a browser does by opening a page."""
        status, headers, body = self.ask("GET", path)
        assert status == 200, body
        self.cookie = headers["set-cookie"].partition(";")[0]
        self.token = re.search(r'name="token" content="([0-9a-f]+)"', body)[1]
        return self

    def ask(self, method, path, body=None, within_s=60, **headers):
        """Send a request; give status, headers with small letters, and the text of the answer."""
        connection = http.client.HTTPConnection(self.address, self.server.port, timeout=within_s)
        sent = {"Host": f"{self.address}:{self.server.port}"}
        if self.cookie:
            sent["Cookie"] = self.cookie
        sent |= {name.replace("_", "-"): value for name, value in headers.items() if value is not None}
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            text = answer.read().decode("utf-8", "replace")
            return answer.status, {name.lower(): value for name, value in answer.getheaders()}, text
        finally:
            connection.close()

    def post(self, path, fields, **headers):
        """Send a form as the page's own would be sent."""
        usual = {
            "Origin": f"http://{self.address}:{self.server.port}",
            "Content_Type": "application/x-www-form-urlencoded",
        }
        return self.ask("POST", path, urlencode({"token": self.token} | fields), **(usual | headers))


@pytest.fixture(scope="session")
def page_kit():
    """Give the classes above to tests, and where the browser is."""
    for needed in ("starlette", "uvicorn", "segno"):
        pytest.importorskip(needed, reason="the extra `page` is not installed")
    return {"Server": Server, "Visitor": Visitor}


@pytest.fixture
def start_page(page_kit, tmp_path):
    """Give what starts a server in a folder of the test; all are ended with it."""
    servers = []

    def start(*options, folder=tmp_path, **more):
        servers.append(Server(folder, *options, **more))
        return servers[-1]

    yield start
    for server in servers:
        if server.process.poll() is None:
            server.process.kill()
            server.process.wait()


@pytest.fixture(scope="module")
def page_server(page_kit, tmp_path_factory):
    """A server that a module's tests share."""
    server = Server(tmp_path_factory.mktemp("page"))
    yield server
    if server.process.poll() is None:
        server.process.kill()
        server.process.wait()


@pytest.fixture
def visitor(page_server):
    """Somebody with a session of that server."""
    return Visitor(page_server).enter()


@pytest.fixture(scope="session")
def browser(page_kit):
    """Debian's Chromium, driven by Playwright."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


AXE = Path(__file__).parent / "vendor" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def shuts_out(browser):
    """Give what asks axe-core whom a page shuts out: its rules for WCAG 2.2 AA and its best practices.

    On a phone in light and on a wide screen in dark, each in a browser of its own.
    """

    def look(url, wait_for="body[data-ready]"):
        told = []
        for width, scheme in ((360, "light"), (1600, "dark")):
            context = browser.new_context(
                viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True
            )
            page = context.new_page()
            page.set_default_timeout(120_000)
            page.goto(url)
            page.wait_for_selector("body[data-ready]")
            page.wait_for_selector(wait_for, state="attached")
            for details in page.locator("details").all():
                details.evaluate("one => one.open = true")
            page.add_script_tag(path=str(AXE))
            found = page.evaluate("rules => axe.run(document, {runOnly: rules})", RULES)["violations"]
            told += [
                f"at {width}, {scheme}: {one['id']}: {one['nodes'][0]['html'][:160]} "
                f"{one['nodes'][0]['failureSummary'][:200]}"
                for one in found
            ]
            context.close()
        return told

    return look


@pytest.fixture(scope="session")
def expect(browser):
    """Playwright's assertions, which wait: what a script draws, or another page brings, is never asked for at once."""
    from playwright.sync_api import expect

    expect.set_options(timeout=60_000)
    return expect


@pytest.fixture
def recordings(tmp_path):
    """Give what makes the page's recordings with given limits; all are ended with the test."""
    from torsionbeat.page.feed import Feed
    from torsionbeat.page.recordings import Limits, Recordings

    made = []

    def make(**limits):
        limits = {"free_bytes": 0} | limits
        made.append(
            Recordings(tmp_path / "sounds", str(tmp_path / "log.sqlite"), Feed(), replace(Limits(), **limits))
        )
        return made[-1]

    yield make
    for one in made:
        one.stop()


async def _pieces(*parts, wait_s=0.0):
    for part in parts:
        await asyncio.sleep(wait_s)
        yield part


@pytest.fixture(scope="session")
def take():
    """Give what sends a recording in parts, so many seconds one after the other."""

    def send(recordings, *parts, name="night.wav", wait_s=0.0):
        def run():
            return asyncio.run(recordings.take(name, _pieces(*parts, wait_s=wait_s), None, ""))

        with ThreadPoolExecutor(1) as thread:  # a browser that is open in this process has a loop of its own
            return thread.submit(run).result()

    return send


@pytest.fixture(scope="session")
def wait_until():
    """Give what waits until something holds, up to so many seconds."""

    def wait(done, seconds=60):
        last = time.monotonic() + seconds
        while time.monotonic() < last:
            if done():
                return
            time.sleep(0.05)
        raise TimeoutError

    return wait
