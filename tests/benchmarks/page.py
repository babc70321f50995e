"""What the page costs and what it withstands: two tables.

    python tests/benchmarks/page.py [--minutes 10] [--only load,pages,attacks]

Load: the server's share of a core while three pages in a real browser show a night at five updates a second, and its
memory over some minutes. Weight: what a browser loads for a page, and how soon its plot stands. List: a log of 200
clocks with 50 readings each. Attacks: each is tried against a server of its own, and what it got is printed.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import importlib.util
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
UPDATES_PER_S, PAGES_OPEN = 5, 3

BUSY = """
import sys, threading, time
from dataclasses import replace
from datetime import UTC, datetime
sys.path.insert(0, {tests!r})
import twin_readings
from torsionbeat.live.level import Level
from torsionbeat.live.session import LiveState
from torsionbeat.page import server
from torsionbeat.page.listening import Activity, Wanted
from torsionbeat.reading.figures import Clock
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock

clock = TwinClock(Balance(60.0), Escapement(lift_deg=20.0, offset_deg=1.0), Drive(arc_deg=430.0, wander_percent=1.0))
beats, _ = clock.run(5 * 3600, 1)
reading = twin_readings.reading_of_beats(beats, Clock("", 60.0, 20.0, 0.5, 360.0, 540.0), duration_s=5 * 3600, seed=1)

def keep_busy(bench):
    listening = bench.listening
    activity = Activity(Wanted("night", "Gate house"), datetime.now(UTC))
    listening.activity = activity
    number = 0
    while True:
        began = time.monotonic()
        number += 1
        rate = reading.rate_s_per_day + 0.01 * (number % 50)
        state = LiveState(
            18_000.0 + number / {updates}, None, Level(-60.0 + number % 7, -30.0, False), False,
            replace(reading, rate_s_per_day=rate), number / {updates}, "", 25.0, (), "night",
        )
        activity.state = state
        listening._show(activity, "tick", "level", "say", "figures", "remarks")
        listening.tell_plots(state)
        time.sleep(max(1 / {updates} - (time.monotonic() - began), 0))

made = server.__dict__["serve"]
from torsionbeat.page_handlers.app import make_app
import torsionbeat.page.bench as benches
opened = benches.Bench.open
def open_and_begin(self, tell):
    opened(self, tell)
    threading.Thread(target=keep_busy, args=(self,), daemon=True).start()
benches.Bench.open = open_and_begin
asked = server.PageRequest(port=0, browser=False, log=sys.argv[1])
made(asked, make_app, address=lambda said: print(said, flush=True), tell=print)
"""


def kit():
    """The server and the visitor of the page's own tests."""
    path = ROOT / "tests" / "page" / "conftest.py"
    spec = importlib.util.spec_from_file_location("page_conftest", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Busy:
    """A server that shows a night at five updates a second."""

    def __init__(self, folder):
        code = BUSY.format(tests=str(ROOT / "tests"), updates=UPDATES_PER_S)
        environment = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "TORSIONBEAT_NIGHTS": str(folder / "nights"),
        }
        command = [sys.executable, "-c", code, str(folder / "log.sqlite")]
        self.process = subprocess.Popen(
            command, env=environment, cwd=folder, stdout=subprocess.PIPE, text=True
        )
        line = next(said for said in self.process.stdout if "127.0.0.1:" in said)
        self.port = int(line.partition("127.0.0.1:")[2].partition("/")[0])
        self.url = f"http://127.0.0.1:{self.port}"


def load(minutes):
    """Share of a core and memory, with three pages open."""
    import psutil
    from playwright.sync_api import sync_playwright

    folder = Path(tempfile.mkdtemp())
    busy = Busy(folder)
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=kit().CHROMIUM, args=kit().FLAGS)
            first_plot = []
            for _ in range(PAGES_OPEN):
                page = browser.new_context().new_page()
                began = time.monotonic()
                page.goto(f"{busy.url}/listen")
                page.wait_for_selector("#plot-arc[data-drawn]")
                first_plot.append(time.monotonic() - began)
            server = psutil.Process(busy.process.pid)
            time.sleep(5)
            spent, began, sizes = sum(server.cpu_times()[:2]), time.monotonic(), []
            while time.monotonic() - began < 60 * minutes:
                time.sleep(min(30, 60 * minutes / 4))
                sizes.append(server.memory_info().rss / 1e6)
            share = (sum(server.cpu_times()[:2]) - spent) / (time.monotonic() - began)
            seen = page.get_attribute("body", "data-seen")
            browser.close()
        told = "at the start of every third: " + ", ".join(
            f"{size:.0f}" for size in sizes[:: max(len(sizes) // 3, 1)]
        )
        print(
            f"| server at {UPDATES_PER_S} updates a second, {PAGES_OPEN} pages | {100 * share:.1f} % of a core | below 3 % |"
        )
        print(f"| memory over {minutes:g} min, MB ({told}) | {sizes[-1] - sizes[0]:+.1f} MB | flat |")
        print(f"| live page: its plots stand after | {statistics.median(first_plot):.2f} s | within 1 s |")
        print(f"| last change that a page has seen | {seen} | |")
    finally:
        busy.process.kill()
        busy.process.wait()
        shutil.rmtree(folder, ignore_errors=True)


def stocked_log(folder, clocks, readings):
    """A log of so many clocks, each with so many readings of two hours."""
    from datetime import UTC, datetime, timedelta

    sys.path.insert(0, str(ROOT / "tests"))
    import twin_readings

    from torsionbeat.benchlog import open_log
    from torsionbeat.reading.document import reading_document
    from torsionbeat.reading.figures import Clock
    from torsionbeat.twin import Balance, Drive, Escapement, TwinClock

    twin = TwinClock(
        Balance(60.0), Escapement(lift_deg=20.0, offset_deg=0.3), Drive(arc_deg=430.0, wander_percent=1.0)
    )
    path = folder / "log.sqlite"
    with open_log(path) as log:
        log.add_clock("Clock 000", kind="air-driven", nominal_period_s=60.0, lift_deg=20.0)
        for number in range(readings):
            beats, _ = twin.with_period(60.0 / (1 + (20 - number) / 86_400)).run(7200, number)
            known = Clock("Clock 000", 60.0, 20.0, 0.5)
            document = reading_document(
                twin_readings.reading_of_beats(beats, known, duration_s=7200, seed=number)
            )
            log.add_reading(
                "Clock 000", document, taken_at=datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=3 * number)
            )
    multiply(path, clocks)
    return path


def multiply(path, clocks):
    """Make copies of the only clock of a log and its readings, in the database itself: as if each had been kept."""
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        columns = {
            table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            for table in ("clocks", "readings")
        }
        for number in range(1, clocks):
            new = {
                "id": str(number + 1),
                "name": f"'Clock {number:03d}'",
                "name_key": f"'clock {number:03d}'",
            }
            chosen = ", ".join(new.get(name, name) for name in columns["clocks"])
            connection.execute(f"INSERT INTO clocks SELECT {chosen} FROM clocks WHERE id = 1")
            new = {"id": f"id + {1000 * number}", "clock_id": str(number + 1)}
            chosen = ", ".join(new.get(name, name) for name in columns["readings"])
            connection.execute(f"INSERT INTO readings SELECT {chosen} FROM readings WHERE clock_id = 1")


def pages():
    """Page weight, first plot, and the list of a large workshop."""
    from playwright.sync_api import sync_playwright

    folder = Path(tempfile.mkdtemp())
    log = stocked_log(folder, 200, 50)
    server = kit().Server(folder, log=str(log))
    try:
        visitor = kit().Visitor(server).enter()
        import psutil

        process = psutil.Process(server.process.pid)
        listing, clock = [], []
        for _ in range(7):
            for path, times in (("/clocks", listing), ("/clocks/1", clock)):
                began, spent = time.monotonic(), sum(process.cpu_times()[:2])
                status, _, body = visitor.ask("GET", path)
                times.append((time.monotonic() - began, sum(process.cpu_times()[:2]) - spent))
                assert status == 200
                assert path != "/clocks" or "Clock 199" in body
        print(f"| 200 clocks with 50 readings each, listed in | {middle(listing)} | within 0.3 s |")
        print(f"| a clock with 50 readings, shown (its judgement follows) in | {middle(clock)} | |")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=kit().CHROMIUM, args=kit().FLAGS)
            page = browser.new_context().new_page()
            loaded = []
            page.on("response", lambda answer: loaded.append(answer) if "/events" not in answer.url else None)
            began = time.monotonic()
            page.goto(f"{server.url}/clocks/1")
            page.wait_for_selector("#plot-rate[data-drawn]")
            first = time.monotonic() - began
            weight = sum(len(answer.body()) for answer in loaded) / 1e3
            browser.close()
        print(f"| a clock's page, all that a browser loads for it | {weight:.0f} kB | below 300 kB |")
        print(f"| its first plot stands after | {first:.2f} s | within 1 s |")
    finally:
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)


def middle(times):
    """Say the median by the wall clock, and the processor time in it: the one that a busy computer does not stretch."""
    wall, work = (statistics.median(column) for column in zip(*times, strict=True))
    return f"{wall:.2f} s, {work:.2f} s of work"


def attacks():
    """Try what an attacker would, and print what it got."""
    folder = Path(tempfile.mkdtemp())
    tools = kit()
    server = tools.Server(folder, "--lan")
    rows = []
    try:
        visitor = tools.Visitor(server).enter()

        def row(what, answer):
            rows.append(
                (
                    what,
                    f"{answer[0]}: {' '.join(answer[2].split())[:90]}"
                    if "<" not in answer[2][:20]
                    else str(answer[0]),
                )
            )

        row("wrong Host (DNS rebinding)", visitor.ask("GET", "/clocks", Host="evil.example:80"))
        row(
            "post from another site", visitor.post("/clocks/new", {"name": "x"}, Origin="http://evil.example")
        )
        row("post without an Origin", visitor.post("/clocks/new", {"name": "x"}, Origin=None))
        row("form without its token", visitor.post("/clocks/new", {"name": "x", "token": ""}))
        row(
            "script of another site reads",
            visitor.ask("GET", "/clocks", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="cors"),
        )
        row("path traversal", visitor.ask("GET", "/static/..%2f..%2f..%2fetc%2fpasswd"))
        evil = "<script>alert(1)</script>"
        visitor.post("/clocks/new", {"name": evil, "kind": "other"})
        body = visitor.ask("GET", "/clocks")[2]
        rows.append(
            ("script in a clock's name", "escaped" if evil not in body and "&lt;script" in body else "RUN")
        )
        origin = {"X_Token": visitor.token, "Origin": server.url}
        row(
            "upload of 5 GB",
            visitor.ask("POST", "/recordings?name=x.wav", Content_Length="5000000000", **origin),
        )
        status, _, path = visitor.ask("POST", "/recordings?name=..%2f..%2fx.wav", b"no sound", **origin)
        rows.append(("upload named ../../x.wav", f"{status}: kept as {path}"))
        rows.append(("slow upload, 4 bytes and then nothing", slow_upload(server, visitor)))
        rows.append(("slow headers", slow_headers(server)))
        rows.append(("a hundred open streams", streams(server, visitor)))
        from torsionbeat.page.server import _lan_addresses

        for address in _lan_addresses()[:1]:
            stranger = tools.Visitor(server, address)
            row("another device without the code", stranger.ask("GET", "/clocks"))
            stranger.enter("/enter")
            tries = [stranger.post("/enter", {"code": f"GUESS{i:03d}"})[0] for i in range(8)]
            rows.append(("guessing the code, eight tries", ", ".join(map(str, tries))))
    finally:
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)
    for what, got in rows:
        print(f"| {what} | {got} |")


def slow_upload(server, visitor):
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
    connection.putrequest("POST", "/recordings?name=x.wav", skip_host=True)
    for name, value in (
        ("Host", f"127.0.0.1:{server.port}"), ("Cookie", visitor.cookie), ("Origin", server.url),
        ("X-Token", visitor.token), ("Content-Length", "1000000"),
    ):  # fmt: skip
        connection.putheader(name, value)
    began = time.monotonic()
    connection.endheaders(b"RIFF")
    answer = connection.getresponse()
    return f"{answer.status} after {time.monotonic() - began:.0f} s: {answer.read().decode()[:90]}"


def slow_headers(server):
    import socket

    with socket.create_connection(("127.0.0.1", server.port)) as idle:
        idle.sendall(b"GET / HTTP/1.1\r\nHost:")
        idle.settimeout(60)
        began = time.monotonic()
        idle.recv(100)
        return f"let go after {time.monotonic() - began:.0f} s"


def streams(server, visitor):
    open_ones, statuses = [], []
    for _ in range(100):
        stream = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
        stream.request(
            "GET",
            "/events?topics=all",
            headers={"Host": f"127.0.0.1:{server.port}", "Cookie": visitor.cookie},
        )
        answer = stream.getresponse()
        statuses.append(answer.status)
        open_ones.append((stream, answer))
    began = time.monotonic()
    answered = visitor.ask("GET", "/clocks")[0]
    gone = time.monotonic() - began
    for stream, answer in open_ones:
        answer.close()
        stream.close()
    return f"{statuses.count(200)} open, {statuses.count(503)} refused (503); a page meanwhile: {answered} in {gone:.2f} s"


def main():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0, help="how long memory is watched")
    parser.add_argument("--only", default="load,pages,attacks")
    asked = parser.parse_args()
    only = asked.only.split(",")
    if "pages" in only or "load" in only:
        print("| what | measured | target |\n|---|---|---|")
    if "pages" in only:
        pages()
    if "load" in only:
        load(asked.minutes)
    if "attacks" in only:
        print("\n| attack | what it got |\n|---|---|")
        attacks()


if __name__ == "__main__":
    main()
