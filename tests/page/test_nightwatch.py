"""Nights that other programs listen to, and nights that were broken off, as the page sees them."""

from __future__ import annotations

import contextlib
import json
import threading
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.nights import announced, nights_folder, running_nights, tell_state
from torsionbeat.errors import DeviceError, InputError, NothingHeardError
from torsionbeat.page import nightwatch as module
from torsionbeat.page.feed import Feed
from torsionbeat.page.nightwatch import NightWatch

BEGAN = datetime(2026, 3, 2, 20, 5, tzinfo=UTC)
AT = f"{BEGAN.astimezone():%H:%M}"


@pytest.fixture
def bench(tmp_path):
    """The page's bench as the watch needs it: where it keeps sound, its stream, and that it listens to nothing."""
    return SimpleNamespace(
        sounds=tmp_path / "sounds", feed=Feed(), listening=SimpleNamespace(running=None), log=None
    )


@pytest.fixture
def watch(bench):
    made = NightWatch(bench.sounds, bench.listening, bench.feed)
    yield made
    made.stop()


def night_of(folder, clock="Lamp"):
    folder.mkdir(parents=True, exist_ok=True)
    return announced(folder, KnownClock(clock), "usb", BEGAN, 3600.0, "sound")


def break_off(folder, clock="Lamp"):
    """Enter a night and leave it behind as a killed program does."""
    with contextlib.suppress(KeyboardInterrupt), night_of(folder, clock):
        raise KeyboardInterrupt


def notices(bench):
    events = bench.feed.since("", frozenset({"all"}))
    return [json.loads(event.data)["text"] for event in events if event.kind == "notice"]


# Running nights


def test_a_night_of_another_program_is_found_by_its_number_while_it_lasts(watch, tmp_path):
    assert watch.others() == []
    assert watch.now_line() == ""
    with night_of(tmp_path / "night") as (night, _):
        assert [other.id for other in watch.others()] == [night.id]
        assert watch.find(night.id).clock == "Lamp"
        link = f'<a href="/listen/night/{night.id}">Listening to Lamp</a>'
        assert watch.now_line() == f"{link} in another program since {AT}"
    with pytest.raises(InputError, match="this night has ended; its reading is with its clock"):
        watch.find(night.id)


def test_a_clock_s_name_cannot_put_anything_into_the_page(watch, tmp_path):
    with night_of(tmp_path / "night", "<script>alert(1)</script>"):
        line = str(watch.now_line())
    assert "<script>" not in line
    assert "&lt;script&gt;" in line


def test_the_page_s_own_night_is_no_other_program_s(watch, bench, tmp_path):
    with night_of(bench.sounds / "own") as (own, _), night_of(tmp_path / "night", "Shelf") as (other, _):
        assert {one.id for one in watch.others()} == {own.id, other.id}  # the page itself listens to nothing
        bench.listening.running = SimpleNamespace(what="listening to Lamp", began=BEGAN)
        assert [one.id for one in watch.others()] == [other.id]
        own_line, _, other_line = str(watch.now_line()).partition(". ")
    assert own_line == f'<a href="/listen">Listening to Lamp</a> since {AT}'
    assert "Listening to Shelf" in other_line


def test_pages_are_told_the_line_and_the_state_of_other_nights(watch, bench, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "LOOK_EVERY_S", 0.02)
    seen = threading.Event()
    topics = {}

    def show(topic, place, html):
        topics[topic, place] = html
        if place.startswith("other-"):
            seen.set()

    monkeypatch.setattr(bench.feed, "show", show)
    monkeypatch.setattr(module, "fragment", lambda name, part, night, state: f"{name} {part} {state.heard_s}")
    from torsionbeat.live.level import Level
    from torsionbeat.live.session import LiveState

    state = LiveState(
        heard_s=75.0, planned_s=None, level=Level(-60.0, -30.0), reading=None, reading_at_s=0.0, why="", standing_db=None,
        kept="sound",
    )  # fmt: skip
    with night_of(tmp_path / "night") as (night, _):
        tell_state(night, state)
        watch.start(lambda _: None)
        assert seen.wait(30)
        watch.stop()
    assert topics[f"night-{night.id}", f"other-{night.id}"] == "live_other.html state 75.0"
    assert "Listening to Lamp" in topics["all", "now"]


# Nights that were broken off


def mended(watch, monkeypatch, finish):
    """Let the watch mend with this in place of the job that reads a night; give what it told."""
    monkeypatch.setattr("torsionbeat.jobs.listen.finish_night", finish)
    told = []
    watch._mend(told.append)
    return told


def test_a_broken_night_is_read_and_it_is_told_where_to_go_on(watch, bench, tmp_path, monkeypatch, night):
    break_off(tmp_path / "night")
    assert running_nights() == ()
    asked = []

    def finish(folder, known, *, cancel):
        asked.append((folder, known.name))
        return SimpleNamespace(reading=night, failures=(), kept_for="Lamp")

    (said,) = mended(watch, monkeypatch, finish)
    assert asked == [(tmp_path / "night", "Lamp")]
    assert said.startswith("The night of Lamp that began on ")
    assert "was broken off. It was read from what was kept. " in said
    assert "a day" in said  # the reading's first sentence
    ((news, path),) = watch.news
    assert path.endswith("Lamp")
    assert notices(bench) == [news]


def test_a_night_of_no_clock_leads_nowhere_and_its_failures_are_said(watch, tmp_path, monkeypatch, night):
    break_off(tmp_path / "night", None)
    failure = DeviceError("the disk is full")
    result = SimpleNamespace(reading=night, failures=(failure,), kept_for=None)
    (said,) = mended(watch, monkeypatch, lambda *_, cancel: result)
    assert said.startswith("The night of a clock that began on ")
    assert said.rstrip(".").endswith("the disk is full")
    assert watch.news[0][1] == ""


@pytest.mark.parametrize(
    ("error", "said_of_it"),
    [
        (NothingHeardError("no clock was heard"), "Its sound is kept, but nothing could be measured: no clock was heard"),
        (DeviceError("the folder is locked"), "and could not be read: the folder is locked"),
    ],
)  # fmt: skip
def test_a_night_that_cannot_be_read_is_told_and_the_next_is_read(
    watch, tmp_path, monkeypatch, night, error, said_of_it
):
    for name in ("Lamp", "Shelf"):
        break_off(tmp_path / name, name)

    def finish(folder, known, *, cancel):
        if known.name == "Lamp":
            raise error
        return SimpleNamespace(reading=night, failures=(), kept_for="Shelf")

    told = mended(watch, monkeypatch, finish)
    assert len(told) == 2
    by_clock = {"Lamp" if "night of Lamp" in said else "Shelf": said for said in told}
    assert said_of_it in by_clock["Lamp"]
    assert "It was read" in by_clock["Shelf"]


def test_a_page_that_ends_reads_no_further_night_and_tells_nothing_of_the_one_it_left(
    watch, tmp_path, monkeypatch
):
    for name in ("Lamp", "Shelf"):
        break_off(tmp_path / name, name)
    begun = []

    def finish(folder, known, *, cancel):
        begun.append(known.name)
        watch.stop()
        assert cancel.is_set()
        raise InputError("reading was called off")

    assert mended(watch, monkeypatch, finish) == []
    assert len(begun) == 1
    assert len(list(nights_folder().glob("*.json"))) == 2  # both are still there for the next start
