"""The whole road through the page with a microphone: from a clock added to its report, and what happens on the way when
something fails. Real server, real browser, real sound server; several minutes of real time."""

from __future__ import annotations

import importlib.util
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

PARTS = Path(__file__).parents[1] / "live_parts.py"
RATE_HZ = 48_000
PERIOD_S, GAINS_S_PER_DAY = 6.0, 144.0

PATIENCE_MS = 240_000
"""How long anything is waited for: a computer on which a dozen other tests run is ten times as slow."""


@cache
def clock_sound(offset_deg, gains_s_per_day, duration_s=300.0):
    """Sound of a clock of 6 s and a lift of 20 deg in a quiet room, as int16, shape (n, 1)."""
    from torsionbeat.twin import Recorder, simulate

    spec = importlib.util.spec_from_file_location(PARTS.stem, PARTS)
    parts = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(parts)
    clock, room = parts.bench_clock(PERIOD_S, offset_deg=offset_deg)
    clock = replace(clock).with_period(PERIOD_S / (1 + gains_s_per_day / 86_400))
    sound = simulate(clock, room, Recorder(RATE_HZ), duration_s, seed=5).samples()
    return (np.clip(np.asarray(sound).reshape(-1, 1), -1, 1) * 32_767).astype("<i2")


SURE_S = 25
"""After so much of this clock which sound is which stays sure: eight beats; by five or six it may be doubted again."""


class Bench:
    """What the microphone hears: a clock that a hand can touch while it is listened to."""

    def __init__(self, words):
        self.touch(words)

    def touch(self, words):
        self._words, self._from = words, None

    def __call__(self, first, stop):
        if self._from is None:
            self._from = first
        rows = np.arange(first - self._from, stop - self._from) % len(self._words)
        return self._words[rows]


@pytest.fixture
def bench_page(pulse_room, page_kit, browser):
    """Give what starts a server whose microphone hears a bench, and a page that is open on it."""
    servers, contexts = [], []

    def start(bench):
        room = pulse_room(bench)
        server = page_kit["Server"](room.folder, environment=room.environment)
        servers.append(server)
        contexts.append(browser.new_context(viewport={"width": 1000, "height": 900}))
        page = contexts[-1].new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.goto(server.url + "/clocks")
        return room, server, page

    yield start
    for context in contexts:
        context.close()
    for server in servers:
        if server.process.poll() is None:
            server.process.kill()
            server.process.wait()


def add_clock(page, server, name="Gate house"):
    page.goto(server.url + "/clocks/new")
    page.fill("#name", name)
    page.fill("#nominal_period_s", str(PERIOD_S))
    page.fill("#lift_deg", "20")
    page.get_by_role("button", name="Keep").click()
    page.wait_for_url("**/clocks/*said=added")


def begin(page, server, button, clock="Gate house"):
    page.goto(server.url + f"/listen?new=1&clock={clock.replace(' ', '%20')}")
    page.select_option("#device", label="pulse")
    page.select_option("#length", "")
    page.get_by_role("button", name=button, exact=True).click()


def hear_a_night(page, server, seconds, look=list):
    begin(page, server, "Listen")
    page.wait_for_selector("#plot-arc[data-drawn]", timeout=PATIENCE_MS)
    page.locator("#live-tick", has_text="is heard").wait_for()
    assert look() == []
    time.sleep(seconds)  # the night's length in real time is what is tested here
    page.get_by_role("button", name="End, and read it").click()
    page.wait_for_selector("text=Listen again", timeout=PATIENCE_MS)


def test_the_whole_road(bench_page, shuts_out):
    bench = Bench(clock_sound(9.0, GAINS_S_PER_DAY))
    _, server, page = bench_page(bench)
    add_clock(page, server)

    begin(page, server, "Check the microphone")
    page.wait_for_selector("#live-progress progress")
    began = time.monotonic()
    assert shuts_out(server.url + "/listen", "#live-level svg") == []
    time.sleep(max(22 - (time.monotonic() - began), 0))  # seven beats: enough to say that it is heard
    page.get_by_role("button", name="That is enough").click()
    page.locator(".say", has_text="The tick is heard").wait_for()
    page.get_by_role("link", name="Go on").wait_for()

    begin(page, server, "Set in beat")
    page.wait_for_selector("#beat-mark", state="attached", timeout=PATIENCE_MS)
    # 9 degrees; the first interval is half a degree wide
    page.locator(".far", has_text=re.compile(r"^\s*(8\.[4-9]|9\.[0-6])°\s*$")).wait_for()
    page.locator("#live-offset", has_text="Turn the fork").wait_for()
    assert shuts_out(server.url + "/listen", "#beat-mark") == []
    bench.touch(clock_sound(0.3, GAINS_S_PER_DAY))
    page.locator("#live-offset", has_text="In beat").wait_for(timeout=PATIENCE_MS)
    page.get_by_role("button", name="It is set: end").click()
    page.wait_for_selector("text=Go on")

    hear_a_night(page, server, SURE_S, lambda: shuts_out(server.url + "/listen", "#plot-arc[data-drawn]"))
    assert shuts_out(server.url + "/listen", "text=Listen again") == []
    gains = re.compile(r"gains 1[345]\d")
    page.locator("main", has_text=gains).wait_for()
    page.get_by_role("link", name="To Gate house", exact=True).click()
    page.get_by_role("heading", name="Gate house", exact=True).wait_for()
    page.locator(".say", has_text=gains).wait_for()

    page.get_by_role("link", name="Next adjustment").click()
    page.get_by_text("What you know besides").click()
    page.fill("#earlier_g", "1")
    page.fill("#earlier_s", "-72")
    page.get_by_role("button", name="Work it out again").click()
    page.get_by_text("g on each of the 2 sides").first.wait_for()
    page.get_by_text("Lock or hold the balance").first.wait_for()
    page.get_by_role("button", name="Done: keep it").click()
    page.wait_for_selector("text=Kept as done")
    page.locator("ol.life", has_text="put on, all sides together").wait_for()

    bench.touch(clock_sound(0.3, 2.0))
    hear_a_night(page, server, SURE_S)
    page.get_by_role("link", name="To Gate house", exact=True).click()
    page.locator("ol.life", has_text="It came out").wait_for()
    page.wait_for_selector("#plot-rate[data-drawn='2']", state="attached", timeout=PATIENCE_MS)

    page.get_by_role("link", name="Report").click()
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="Open, to read or print").click()
    opened.value.set_default_timeout(PATIENCE_MS)
    opened.value.locator("body", has_text="Gate house").wait_for()
    assert server.stop() == 0


def test_it_goes_on_when_the_page_is_closed_and_a_second_page_and_a_terminal_see_it(bench_page):
    _, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    begin(page, server, "Listen")
    page.wait_for_selector("#live-level svg")
    context = page.context
    page.close()
    first, second = context.new_page(), context.new_page()
    for one in (first, second):
        one.goto(server.url + "/listen")
        one.wait_for_selector("#plot-arc[data-drawn]", timeout=PATIENCE_MS)
        one.get_by_role("heading", name="Gate house: listening").wait_for()
        one.wait_for_selector("body[data-seen]", timeout=PATIENCE_MS)
    listed = subprocess.run(
        [sys.executable, "-c", "from torsionbeat.bench.nights import running_nights as r; print(r()[0].clock)"],
        env=server.environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert listed.stdout.strip() == "Gate house"
    first.get_by_role("button", name="End, and read it").click()
    second.wait_for_selector("text=Listen again", timeout=PATIENCE_MS)


def test_a_night_of_a_terminal_is_seen_on_the_page_and_ended_from_it(bench_page):
    room, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    code = "import sys; from torsionbeat.cli import main; sys.exit(main(sys.argv[1:]))"
    terminal = subprocess.Popen(
        [sys.executable, "-c", code, "listen", "--device", "pulse", "--clock", "Gate house", "--log", server.log],
        env=server.environment, cwd=room.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        page.goto(server.url + "/clocks")
        page.get_by_role("link", name="Listening to Gate house").click()
        page.get_by_text("tick is heard").first.wait_for(timeout=PATIENCE_MS)
        time.sleep(SURE_S)
        page.get_by_role("button", name="End it, and have it read there").click()
        out, err = terminal.communicate(timeout=PATIENCE_MS / 1e3)
        assert terminal.returncode == 0, err
        assert "day" in out
    finally:
        terminal.kill()
        terminal.wait()
    page.goto(server.url + "/clocks/1")
    page.locator("ol.life", has_text="Heard for").wait_for()


def test_a_server_that_is_killed_loses_nothing_and_the_next_one_tells(bench_page):
    _, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    begin(page, server, "Listen")
    page.wait_for_selector("#plot-arc[data-drawn]", timeout=PATIENCE_MS)
    time.sleep(SURE_S)
    server.process.kill()
    server.process.wait()
    page.wait_for_selector("#lost:visible")
    server.start("--port", str(server.port))
    page.wait_for_selector("#lost", state="hidden")
    page.goto(server.url + "/clocks")
    page.get_by_text("was broken off. It was read from what was kept").first.wait_for()
    page.goto(server.url + "/clocks/1")
    page.locator("ol.life", has_text="Heard for").wait_for()
    assert "broken off" in server.told.read_text()


def test_an_end_by_a_signal_keeps_the_night_to_its_last_sample_and_says_so(bench_page):
    _, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    begin(page, server, "Listen")
    page.wait_for_selector("#plot-arc[data-drawn]", timeout=PATIENCE_MS)
    time.sleep(SURE_S)
    assert server.stop(signal.SIGINT) == 0
    told = server.told.read_text()
    assert "kept to its last sample" in told
    assert "Heard" in told
    server.start()
    page.goto(server.url + "/clocks/1")
    page.locator("ol.life", has_text="Heard for").wait_for()


def test_a_microphone_that_is_unplugged_is_told_and_found_again(bench_page):
    room, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    begin(page, server, "Listen")
    page.wait_for_selector("#live-level svg")
    time.sleep(5)
    room.stop_server()
    page.locator("#live-level", has_text="No sound arrives").wait_for()
    page.locator("#live-tick", has_text="gone").wait_for()
    room.start_server()
    page.wait_for_selector("#live-level svg", timeout=PATIENCE_MS)
    page.get_by_role("button", name="End, and read it").click()
    page.wait_for_selector("text=Listen again", timeout=PATIENCE_MS)


@pytest.fixture
def small_disk(tmp_path):
    """Give a file system of its own and what makes it so many bytes large."""
    mount = tmp_path / "disk"
    mount.mkdir()

    def sized(options):
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(mount)]
        return (
            shutil.which("mount") and not subprocess.run(command, capture_output=True, check=False).returncode
        )

    if not sized("size=4g"):
        pytest.skip("a file system cannot be mounted here: only root may")
    yield mount, lambda size: sized(f"remount,size={size}")
    subprocess.run(["umount", "--lazy", mount], check=True)


def test_a_disk_that_fills_is_told_while_the_night_goes_on_and_what_was_kept_stays(
    bench_page, small_disk, monkeypatch, expect
):
    disk, resize = small_disk
    monkeypatch.setenv("TORSIONBEAT_SOUNDS", str(disk / "sounds"))
    _, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    begin(page, server, "Listen")
    page.wait_for_selector("#live-level svg")
    time.sleep(5)  # some sound is kept
    assert resize("8m")
    remarks = page.locator("#live-remarks")
    remarks.get_by_text("Listening went on without keeping").wait_for()
    assert "the disk is full" in remarks.inner_text()
    page.wait_for_selector("#plot-arc[data-drawn]", timeout=PATIENCE_MS)
    time.sleep(SURE_S)
    page.get_by_role("button", name="End, and read it").click()
    page.locator("main [role=alert]", has_text="The disk is full").or_(
        page.locator("main [role=alert]", has_text="the disk is full")
    ).first.wait_for()
    page.wait_for_selector("text=Listen again", timeout=PATIENCE_MS)
    assert list(disk.rglob("*.flac"))
    sound = disk.parent / "late.wav"
    sound.write_bytes(b"RIFF" + bytes(100_000))
    page.goto(server.url + "/recordings")
    page.set_input_files("#files", str(sound))
    expect(page.locator("#sending .wrong")).to_contain_text("make room")
    expect(page.locator("#sending .wrong")).to_contain_text("nothing of the recording was kept")


def test_a_microphone_that_is_not_there_is_a_sentence(bench_page):
    room, server, page = bench_page(Bench(clock_sound(0.3, 2.0)))
    add_clock(page, server)
    room.stop_server()
    page.goto(server.url + "/listen")
    page.get_by_role("button", name="Check the microphone").click()
    page.locator("main [role=alert]", has_text=re.compile("microphone|sound")).wait_for()
    assert "Traceback" not in page.inner_text("main")
