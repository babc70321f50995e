"""Every page in a real browser: reachable for everyone, nothing lost on a phone, the first reading within a minute."""

from __future__ import annotations

import hashlib
import re
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from uncertainties import ufloat

AXE = Path(__file__).parent / "vendor" / "axe.min.js"
FIGURES = {
    "period_s": (59.97, 0.001), "rate_s_per_day": (43.2, 1.4), "beat_error_ms": (12.0, 1.0),
    "offset_deg": (0.4, 0.05), "arc_deg": (431.0, 0.6), "arc_trend_deg_per_hour": (0.1, 0.4),
}  # fmt: skip
PAGES = {
    "clocks": "/clocks",
    "new": "/clocks/new",
    "clock": "/clocks/1",
    "record": "/clocks/1/record",
    "next": "/clocks/1/next",
    "report": "/clocks/1/report",
    "reading": "/clocks/1/readings/1",
    "compare": "/clocks/1/compare?before=1&after=3",
    "listen": "/listen",
    "recordings": "/recordings",
    "by hand": "/byhand",
    "hand check": "/byhand/handcheck?when0=2026-03-01T08:00:00&ahead0=0&when1=2026-03-08T08:00:00&ahead1=18",
    "free swing": "/byhand/freeswing?period=60&looks=0+400%0A10+352%0A20+310%0A30+273%0A40+240%0A50+211",
    "strip": "/byhand/strip?thickness=100&width=2.5&length=120&load=300&period=60&rate=720",
    "lift": "/byhand/lift?of=c-1&counted=473",
    "cautions": "/cautions",
    "not there": "/nothing",
}


@pytest.fixture(scope="module")
def stocked(page_server, make_night_document):
    """The module's server, its log holding a clock with a life and one without."""
    from torsionbeat.benchlog import open_log

    began = datetime(2026, 3, 2, 20).astimezone()
    with open_log(page_server.log) as log:
        log.add_clock(
            "Harbour shelf", kind="air-driven", nominal_period_s=60.0, lift_deg=20.0, arc_low_deg=360.0,
            arc_high_deg=540.0, knock_arc_deg=600.0, side_a_name="towards the window", side_b_name="towards the wall",
        )  # fmt: skip
        log.add_clock("Glass shelf", kind="400-day")
        for night, (rate, added) in enumerate(((612.0, 4.0), (81.0, 0.5), (9.0, 0.06), (1.4, None))):
            document = make_night_document(seed=night, rate=rate)
            log.add_reading("Harbour shelf", document, "", taken_at=began + timedelta(days=3 * night))
            if added:
                promise = {
                    "expected_rate_s_per_day": 2.0 if night else 70.0,
                    "u_expected_rate_s_per_day": 12.0,
                }
                done = began + timedelta(days=3 * night + 1)
                log.add_work(
                    "Harbour shelf",
                    "weights",
                    f"{added:g} g in all",
                    {"added_g": added} | promise,
                    done_at=done,
                )
        log.add_note("Harbour shelf", "Hangs straight, fork touched up", written_at=began + timedelta(days=2))
        log.add_handcheck("Harbour shelf", ufloat(1.6, 0.8), 168.0, [], checked_at=began + timedelta(days=17))
        log.add_freeswing("Harbour shelf", {}, law="air", q=ufloat(310.0, 12.0), settling_time_s=6000.0)
    return page_server


@pytest.fixture(scope="module")
def make_night_document(make_night_session):
    from torsionbeat.reading.document import reading_document

    def make(seed, rate):
        return reading_document(make_night_session(seed, hours=2.0, period=60.0 / (1 + rate / 86_400)))

    return make


@pytest.fixture(scope="module")
def make_night_session(twin_readings):
    """As ``make_night`` of the shared fixtures, for a module."""
    from torsionbeat.reading.figures import Clock
    from torsionbeat.twin import Balance, Drive, Escapement, TwinClock

    def make(seed, *, hours, period):
        twin = TwinClock(
            balance=Balance(60.0),
            escapement=Escapement(lift_deg=20.0, offset_deg=0.4),
            drive=Drive(arc_deg=430.0, wander_percent=1.0),
        ).with_period(period)
        beats, _ = twin.run(hours * 3600, seed)
        known = Clock("Harbour shelf", 60.0, 20.0, 0.5)
        return twin_readings.reading_of_beats(beats, known, duration_s=hours * 3600, seed=seed)

    return make


@pytest.fixture
def open_page(browser, stocked):
    """Give what opens a page; what the browser complains of fails the test."""
    contexts, complaints = [], []

    def open_it(path, width=1200, scheme="light", expect=(200,)):
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda told: complaints.append(told.text) if "Refused to" in told.text else None)
        page.on("pageerror", lambda error: complaints.append(f"{path}: {error}"))
        page.on(
            "request",
            lambda request: complaints.append(request.url) if stocked.url not in request.url else None,
        )
        answer = page.goto(stocked.url + path)
        assert answer.status in expect, path
        page.set_default_timeout(60_000)
        page.wait_for_selector("body[data-ready]")
        return page

    yield open_it
    for context in contexts:
        context.close()
    assert complaints == []


def test_the_checker_is_what_was_published():
    name, *_, digest = (AXE.parent / "registry.txt").read_text().split()
    assert hashlib.sha256((AXE.parent / name).read_bytes()).hexdigest() == digest


@pytest.mark.parametrize("name", PAGES)
def test_nothing_on_a_page_shuts_anyone_out(shuts_out, stocked, name):
    assert shuts_out(stocked.url + PAGES[name]) == []


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_lost_at_360_and_what_is_pressed_is_as_large_as_a_thumb(open_page, name):
    page = open_page(PAGES[name], 360, expect=(200, 404))
    for width in (1600, 1024, 800, 360):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_function("most => document.documentElement.scrollWidth <= most", arg=width)
    for button in page.locator("button:visible, .button:visible, nav a:visible").all():
        box = button.bounding_box()
        assert box["height"] >= 44, button.inner_text()
        assert box["x"] >= 0, button.inner_text()
        assert box["x"] + box["width"] <= 361, button.inner_text()


def test_the_first_reading_of_the_sample_within_a_minute_by_keyboard_alone(open_page, expect):
    began = time.monotonic()
    page = open_page("/clocks")
    page.get_by_role("button", name="Hear the sample").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#plot-arc[data-drawn]", timeout=60_000)
    assert time.monotonic() - began < 60
    expect(page.locator("main")).to_contain_text(re.compile(r"gains 3\d s a day, between 3\d and 4\d"))
    expect(page.locator("main")).to_contain_text(re.compile(r"out of beat by (3\.0|2\.99)"))


def test_a_clock_says_how_it_goes_and_how_expectations_came_out(open_page, expect):
    page = open_page("/clocks/1")
    expect(page.locator(".say")).to_contain_text(re.compile(r"gains 1\.\d+ s a day"))
    expect(page.locator("main")).to_contain_text("Next:")
    life = page.locator("ol.life")
    expect(life).to_contain_text("It came out as expected")
    expect(life).to_contain_text(re.compile(r"Heard for 2 h: gains 1\..*gains 61", re.DOTALL))
    expect(page.locator("#plot-rate[data-drawn='4']")).to_have_attribute(
        "aria-label", re.compile("^Last of 4")
    )


def test_a_note_is_added_put_right_taken_back_and_counted_again(open_page, expect):
    page = open_page("/clocks/1")

    def row(text):
        found = page.locator("ol.life > li", has_text=text)
        expect(found).to_have_count(1)
        return found

    page.get_by_text("Add a note or what was done").click()
    page.fill("#text", "fork touched up <b>twice</b>")
    page.get_by_role("button", name="Keep", exact=True).click()
    note = row("fork touched up <b>twice</b>")
    note.get_by_text("Put right", exact=True).first.click()
    note.get_by_label("Note").fill("fork touched up once")
    note.get_by_label("Why").fill("counted wrongly")
    note.get_by_role("button", name="Put right").click()
    note = row("fork touched up once")
    expect(note.locator("s")).to_have_count(0)
    note.get_by_text("Put right", exact=True).first.click()
    note.get_by_label("Why").fill("another clock's")
    note.get_by_role("button", name="Take it back").click()
    expect(page.locator("ol.life > li s", has_text="fork touched up once")).to_have_count(1)
    note = row("fork touched up once")
    expect(note).to_contain_text("another clock's")
    note.get_by_text("Put right", exact=True).first.click()
    note.get_by_role("button", name="Count it again").click()
    expect(page.locator("ol.life > li s", has_text="fork touched up once")).to_have_count(0)
    row("fork touched up once")


def test_a_form_sent_twice_is_kept_once(page_kit, stocked):
    visitor = page_kit["Visitor"](stocked).enter()
    note = {"kind": "note", "text": "pressed twice", "write_id": "a" * 32}
    samples = [visitor.post("/recordings/sample", {"write_id": "9" * 32})[1]["location"] for _ in range(2)]
    assert samples[0] == samples[1]
    for _ in range(2):
        assert visitor.post("/clocks/2/notes", note)[0] == 303
    assert visitor.post("/clocks/2/notes", note | {"text": "said otherwise"})[0] == 303
    life = visitor.ask("GET", "/clocks/2")[2]
    assert life.count("<div>pressed twice</div>") == 1
    assert life.count("<div>said otherwise</div>") == 1


def test_what_a_work_is_kept_with_is_said_once(page_kit, stocked):
    visitor = page_kit["Visitor"](stocked).enter()
    work = {"kind": "weights", "text": "two discs", "write_id": "f" * 32}
    assert visitor.post("/clocks/2/notes", work)[0] == 303
    said = "nothing can be learnt from it: put that right in its life"
    assert said in visitor.ask("GET", "/clocks/2?said=noted")[2]
    assert said not in visitor.ask("GET", "/clocks/2")[2]


def test_done_pressed_twice_at_once_is_one_work(page_kit, start_page, make_night_document):
    from concurrent.futures import ThreadPoolExecutor

    from torsionbeat.benchlog import open_log

    server = start_page()
    with open_log(server.log) as log:
        log.add_clock("Lamp", kind="air-driven", nominal_period_s=60.0, lift_deg=20.0)
        log.add_reading("Lamp", make_night_document(seed=1, rate=90.0))
    visitor = page_kit["Visitor"](server).enter()
    form = {"earlier_g": "1", "earlier_s": "-72", "write_id": "b" * 32}
    with ThreadPoolExecutor(4) as presses:
        answers = list(presses.map(lambda _: visitor.post("/clocks/1/next", form), range(4)))
    answers.append(visitor.post("/clocks/1/next", form))
    assert {(status, headers["location"]) for status, headers, _ in answers} == {(303, "/clocks/1?said=done")}
    with open_log(server.log) as log:
        assert len(log.works("Lamp")) == 1
    for path, form in (
        ("/byhand/handcheck", {"when0": "2026-03-01T08:00:00", "ahead0": "0", "when1": "2026-03-08T08:00:00",
                               "ahead1": "18", "clock": "Lamp", "write_id": "c" * 32}),
        ("/byhand/freeswing", {"looks": "0 400\n10 352\n20 310\n30 273\n40 240", "period": "60",
                               "clock": "Lamp", "write_id": "d" * 32}),
    ):  # fmt: skip
        assert [visitor.post(path, form)[0] for _ in range(2)] == [303, 303]
    life = visitor.ask("GET", "/clocks/1")[2]
    assert life.count("Hands seen over") == 1
    assert life.count("Free swing: Q") == 1
    assert visitor.post("/clocks/new", {"name": "Lamp", "kind": "other", "write_id": "e" * 32})[0] == 422
    assert visitor.post("/clocks/new", {"name": "Lamp", "kind": "other", "write_id": "e" * 32})[0] == 422


def test_a_rate_from_before_the_last_work_is_not_told_as_todays(
    start_page, make_night_document, browser, expect
):
    from torsionbeat.benchlog import open_log

    server = start_page()
    began = datetime(2026, 3, 2, 20).astimezone()
    with open_log(server.log) as log:
        log.add_clock("Lamp", kind="air-driven", nominal_period_s=60.0, lift_deg=20.0)
        log.add_reading("Lamp", make_night_document(seed=1, rate=90.0), taken_at=began)
        log.add_work("Lamp", "weights", "4 g", {"added_g": 4.0}, done_at=began + timedelta(days=1))
    page = browser.new_page()
    before = re.compile(r"gains (8\d|9\d).* before it was worked on; how it goes now is not heard yet")
    for path, place in (("/clocks", "#goes-1"), ("/clocks/1", ".say")):
        page.goto(server.url + path)
        expect(page.locator(place)).to_contain_text(before)
    expect(page.locator(".next")).to_contain_text("let it settle and read it again")
    assert "--" not in page.inner_text("main")
    page.goto(server.url + "/clocks/1/next")
    expect(page.locator(".say")).to_contain_text("let it settle and read it again.")
    page.close()


def test_what_cannot_be_done_is_a_sentence_that_names_the_field(page_kit, stocked):
    visitor = page_kit["Visitor"](stocked).enter()
    for fields, words in (
        ({"name": "Glass Shelf", "kind": "other"}, "Glass"),
        ({"name": "X", "kind": "other", "lift_deg": "wide"}, "Lift (degrees) is &#39;wide&#39;"),
        ({"name": "X", "kind": "sundial"}, "choose one from the list"),
        ({"name": "", "kind": "other"}, "name"),
        ({"name": "X", "kind": "other", "nominal_period_s": "7200"}, "7200"),
    ):
        status, _, body = visitor.post("/clocks/new", fields)
        assert status == 422
        assert words in body
        assert "Traceback" not in body


def test_by_hand_works_out_what_the_commands_do(open_page, expect):
    expect(open_page(PAGES["hand check"]).locator(".say")).to_contain_text("gains 2.6 s a day")
    expect(open_page(PAGES["free swing"]).locator(".say")).to_contain_text(re.compile("^Q is"))
    expect(open_page(PAGES["strip"]).locator("main")).to_contain_text(re.compile("stiff", re.IGNORECASE))
    expect(open_page(PAGES["lift"]).locator(".say")).to_contain_text(
        re.compile(r"^The lift is 22\.\d+ deg, between 21\.\d+ and 22\.\d+")
    )


def test_a_hand_check_is_kept_with_its_clock(open_page, expect):
    page = open_page(PAGES["hand check"])
    page.select_option("#clock", "Glass shelf")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.locator("ol.life")).to_contain_text("Hands seen over 7 d")


def test_a_lift_is_kept_in_a_clocks_record_and_what_gives_none_is_a_sentence(page_kit, stocked):
    visitor = page_kit["Visitor"](stocked).enter()
    form = {"of": "c-1", "counted": "473", "within": "10"}
    status, _, body = visitor.post("/byhand/lift", form)
    assert status == 422
    assert "choose the clock" in body.lower()
    assert visitor.post("/byhand/lift", form | {"clock": "Glass shelf"})[0] == 303
    assert re.search(r'name="lift_deg"[^>]* value="2[12]\b', visitor.ask("GET", "/clocks/2/record")[2])
    for wrong, words in (("of=c-2&counted=400", "not been read yet"), ("of=r-x&counted=400", "thrown away"),
                         ("of=c-1&counted=", "as counted"), ("of=c-1&counted=9000", "1500")):  # fmt: skip
        assert words in visitor.ask("GET", f"/byhand/lift?{wrong}")[2], wrong


def test_the_report_opens_and_may_run_nothing(page_kit, stocked):
    visitor = page_kit["Visitor"](stocked).enter()
    status, headers, body = visitor.ask("GET", "/clocks/1/report.html")
    assert status == 200
    assert "sandbox" in headers["content-security-policy"]
    assert "script-src" not in headers["content-security-policy"]
    assert "Harbour shelf" in body
    download = visitor.ask("GET", "/clocks/1/report.html?download=1")[1]["content-disposition"]
    assert download == 'attachment; filename="report-1.html"'


def test_a_recording_is_dropped_read_kept_and_thrown_away(open_page, tmp_path, stocked, expect):
    from torsionbeat.page.worker import make_sample

    sound = tmp_path / "north wall.flac"
    make_sample(sound)
    page = open_page("/recordings")
    page.set_input_files("#files", str(sound))
    page.wait_for_url("**/recordings/*", timeout=60_000)
    page.wait_for_selector("#plot-remainder[data-drawn]", timeout=60_000)
    expect(page.locator("h1")).to_have_text("north wall.flac")
    page.select_option("#clock", "Glass shelf")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.locator("main")).to_contain_text("The reading is kept")
    expect(page.locator("ol.life")).to_contain_text("Heard for 12 min")
    page.goto(stocked.url + "/recordings")
    page.get_by_role("link", name="north wall.flac").click()
    expect(page.locator("main")).to_contain_text("Kept with Glass shelf")
    page.get_by_role("button", name="Throw away").click()
    expect(page.get_by_role("heading", name="Recordings")).to_be_visible()
    expect(page.get_by_role("link", name="north wall.flac")).to_have_count(0)


def test_a_night_is_played_in_a_minute_before_and_after_side_by_side(open_page, stocked, expect, tmp_path):
    from torsionbeat.page.worker import make_sample

    plays = "one => new Promise(go => one.readyState > 2 ? go(one.duration) : one.oncanplay = () => go(one.duration))"
    page = open_page("/recordings")
    for night in range(2):
        sound = tmp_path / f"night {night}.flac"
        make_sample(sound, night)
        page.goto(stocked.url + "/recordings")
        page.set_input_files("#files", str(sound))
        page.get_by_role("button", name="Play it in a minute").click()
        length_s = page.locator("audio").evaluate(plays)
        assert 5 < length_s < 60  # two dozen beats
        page.select_option("#clock", "Glass shelf")
        page.fill("#began", f"2026-02-0{night + 1}T20:00")
        page.get_by_role("button", name="Keep", exact=True).click()
        expect(page.locator("ol.life")).to_contain_text("Heard for 12 min")
    page.get_by_text("Compare two nights").click()
    page.select_option("#before", index=0)
    page.select_option("#after", index=1)
    page.get_by_role("button", name="Compare").click()
    page.get_by_label("Both with the same recorder").check()
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_label("Both with the same recorder")).to_be_checked()
    for word in ("Before", "After"):
        page.get_by_role("button", name=f"{word} in a minute").click()
    expect(page.locator("audio")).to_have_count(2)
    for player in page.locator("audio").all():
        assert 5 < player.evaluate(plays) < 60


def test_a_lost_connection_is_said_and_joined_again_by_itself(browser, start_page, expect):
    server = start_page()
    context = browser.new_context()
    page = context.new_page()
    page.goto(server.url + "/clocks")
    page.wait_for_selector("body[data-ready]")
    port = server.port
    assert server.stop() == 0
    expect(page.locator("#lost:visible")).to_contain_text("joins again by itself")
    server.start("--port", str(port))
    page.wait_for_selector("#lost", state="hidden", timeout=60_000)
    context.close()


def test_a_log_in_a_database_server_serves_as_well(start_page, page_kit, postgres_url, tmp_path):
    server = start_page(log=postgres_url)
    visitor = page_kit["Visitor"](server).enter()
    assert (
        visitor.post("/clocks/new", {"name": "Post office", "kind": "air-driven", "nominal_period_s": "60"})[
            0
        ]
        == 303
    )
    assert (
        visitor.post("/clocks/1/notes", {"kind": "weights", "text": "two discs", "added_g": "1.5"})[0] == 303
    )
    body = visitor.ask("GET", "/clocks/1")[2]
    assert "1.5 g put on" in body
    assert (
        visitor.post("/clocks/1/entries", {"act": "undo", "kind": "work", "entry": "1", "reason": "slip"})[0]
        == 303
    )
    assert "<s>Weights: two discs</s>" in visitor.ask("GET", "/clocks/1")[2]
    assert "bench@" not in body
    assert server.stop() == 0


def test_a_clock_with_a_long_life_is_shown_first_and_its_judgement_follows(
    browser, start_page, make_night_document, expect
):
    from torsionbeat.benchlog import open_log
    from torsionbeat.page_handlers.clocks import MOST_JUDGED_AT_ONCE

    server = start_page()
    began = datetime(2026, 1, 1, 20).astimezone()
    with open_log(server.log) as log:
        log.add_clock("Long case", kind="air-driven", nominal_period_s=60.0, lift_deg=20.0)
        for night in range(MOST_JUDGED_AT_ONCE + 1):
            document = make_night_document(seed=night, rate=3.0)
            log.add_reading("Long case", document, "", taken_at=began + timedelta(days=night))
    page = browser.new_page()
    page.goto(server.url + "/clocks/1")
    expect(page.locator(".say")).to_contain_text(re.compile(r"gains [23]\.\d+ s a day"))
    expect(page.locator(".next")).to_contain_text(
        re.compile(r"Next:\s*(Put|Take|Change|Leave|Within|Set|Out|Look)"), timeout=120_000
    )
    page.close()
