"""The door: the code lets one device in, tries are limited, and only this computer sees the code as a picture."""

from __future__ import annotations

from torsionbeat.page.access import Access


def test_a_device_is_led_to_the_code_and_let_in_by_it_once(make_page):
    codes = []
    page = make_page(Access(needs_code=True, on_new_code=codes.append), client="192.168.1.7")
    led = page.get("/clocks")
    assert (led.status, led.headers["location"]) == (303, "/enter")
    page.get("/enter")
    wrong = page.post("/enter", code="AAAAAAAA")
    assert wrong.status == 403
    assert "That is not the code" in wrong.words
    assert page.post("/enter", code=codes[0].lower()).headers["location"] == "/clocks"
    assert page.get("/clocks").status == 200
    assert len(codes) == 2  # the next device needs another one
    assert page.get("/enter").headers["location"] == "/clocks"


def test_six_tries_in_a_minute_are_one_too_many(make_page):
    page = make_page(Access(needs_code=True), client="192.168.1.7")
    page.get("/enter")
    answers = [page.post("/enter", code="AAAAAAAA").status for _ in range(6)]
    assert answers == [403] * 5 + [429]
    assert "Too many tries" in page.post("/enter", code="AAAAAAAA").words


def test_the_code_is_shown_on_this_computer_alone(make_page):
    access = Access(needs_code=True)
    here = make_page(access, lan_urls=("http://192.168.1.5:8000",))
    shown = here.get("/phone")
    assert f"{access.code[:4]} {access.code[4:]}" in shown.text
    assert "http://192.168.1.5:8000" in shown.text
    other = make_page(access, client="192.168.1.7", lan_urls=("http://192.168.1.5:8000",))
    other.get("/enter")
    other.post("/enter", code=access.code)
    hidden = other.get("/phone")
    assert hidden.status == 422
    assert access.code[:4] not in hidden.text
    assert "torsionbeat page --lan" in make_page().get("/phone").text


def test_streams_are_limited(page, monkeypatch):
    monkeypatch.setattr(type(page.bench.feed), "streams", 24)
    full = page.get("/events?topics=live")
    assert (full.status, full.headers["retry-after"]) == (503, "10")


def test_the_first_page_is_that_of_the_clocks(page):
    assert page.get("/").headers["location"] == "/clocks"
