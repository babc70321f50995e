"""The door: the code lets one device in, tries are limited, and only this computer sees the code as a picture."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest

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


@pytest.mark.parametrize("stated", ["2.3", "2.4"])
def test_a_stream_ends_when_its_page_is_gone_whatever_the_server_states(page, stated):
    """uvicorn 0.30 states 2.4 and lets a stream send into nothing: 24 pages that were closed shut out the next."""
    page.get("/clocks")
    sent, open_streams = [], []
    headers = {"host": "127.0.0.1:8000", "accept": "text/event-stream", "cookie": page.cookie}
    scope = {
        "type": "http", "http_version": "1.1", "method": "GET", "path": "/events", "raw_path": b"/events",
        "query_string": b"topics=live", "scheme": "http", "client": ("127.0.0.1", 9), "server": ("127.0.0.1", 8000),
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()], "root_path": "",
        "asgi": {"version": "3.0", "spec_version": stated},
    }  # fmt: skip
    waiting = [{"type": "http.disconnect"}, {"type": "http.request", "body": b"", "more_body": False}]

    async def receive():
        if len(waiting) == 1:  # it is gone once the stream has begun
            while not sent or sent[-1].get("body") != b"retry: 1000\n\n":
                await asyncio.sleep(0.01)
            open_streams.append(page.bench.feed.streams)
        return waiting.pop() if waiting else {"type": "http.disconnect"}

    async def send(message):
        sent.append(message)

    def run():
        asyncio.run(asyncio.wait_for(page.app(scope, receive, send), 20))

    with ThreadPoolExecutor(1) as thread:  # a browser that is open in this process has a loop of its own
        thread.submit(run).result()
    assert sent[0]["status"] == 200
    assert open_streams == [1]
    assert page.bench.feed.streams == 0


def test_the_first_page_is_that_of_the_clocks(page):
    assert page.get("/").headers["location"] == "/clocks"
