"""Recordings through the page: refused with the status that says why, and never without the page's token."""

from __future__ import annotations

import pytest

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.page.recordings import TooBigError, TooSlowError
from torsionbeat.page_handlers.recordings import _refused


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (TooBigError("x is big"), 413),
        (TooSlowError("x is slow"), 408),
        (InputError("x is odd"), 422),
        (DeviceError("x is full"), 507),
    ],
)
def test_a_refusal_has_the_status_of_its_reason_and_ends_the_connection(error, status):
    answer = _refused(error)
    assert answer.status_code == status
    assert answer.headers["connection"] == "close"
    assert answer.body.decode().startswith("X is ")


def test_an_upload_needs_the_token_of_its_page(page):
    page.get("/recordings")
    origin = {"origin": "http://127.0.0.1:8000"}
    assert page.ask("POST", "/recordings?name=x.wav", b"sound", **origin).status == 403
    assert page.ask("POST", "/recordings?name=x.wav", b"sound", x_token="0" * 64, **origin).status == 403
    assert page.bench.recordings.all() == []
    taken = page.ask("POST", "/recordings?name=x.wav&clock=Lamp", b"sound", x_token=page.token, **origin)
    assert taken.status == 200
    (one,) = page.bench.recordings.all()
    assert taken.text == f"/recordings/{one.id}"
    assert one.name == "x.wav"


def test_one_that_says_it_is_too_big_is_not_waited_for(page):
    page.get("/recordings")
    most = page.bench.recordings.limits.upload_bytes
    answer = page.ask(
        "POST",
        "/recordings?name=x.wav",
        b"",
        origin="http://127.0.0.1:8000",
        x_token=page.token,
        content_length=str(most + 1),
    )
    assert answer.status == 413


def test_what_is_not_there_or_not_read_cannot_be_kept_or_played(page):
    assert page.get("/recordings/nothing").status == 422
    assert page.post("/recordings/nothing/keep", clock="Lamp").status == 422
    assert page.get("/recordings/nothing/minute.flac").status == 422
    assert page.post("/recordings/nothing/away").headers["location"] == "/recordings"
