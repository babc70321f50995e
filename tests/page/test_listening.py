"""What the page listens to: one thing at a time, whatever it ends by is said, and what it tells reaches the pages.

The jobs are stood in for: what they hear is tested with them.
"""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import pytest
from uncertainties import ufloat

from torsionbeat.bench.source import Microphone, Playback
from torsionbeat.errors import DeviceError, InputError
from torsionbeat.page import listening as module
from torsionbeat.page.feed import Feed
from torsionbeat.page.listening import TONE_HZ, Listening, Wanted
from torsionbeat.sound.remarks import Remark

pytest.importorskip("starlette", reason="the extra `page` is not installed")


@dataclass
class Job:
    """A job that tells one state, then waits to be ended, fails, or returns."""

    result: object = None
    error: Exception | None = None
    states: tuple = ()
    waits: bool = False
    asked: list = field(default_factory=list)
    told: threading.Event = field(default_factory=threading.Event)

    def __call__(self, request, *, on_state, cancel):
        self.asked.append(request)
        for state in self.states:
            on_state(state)
        self.told.set()
        if self.waits:
            assert cancel.wait(60)
        if self.error is not None:
            raise self.error
        return self.result


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """Give what makes the page's listening with jobs stood in for; all fragments are the name of their part."""
    monkeypatch.setattr("torsionbeat.page.views.fragment", lambda name, part, activity: f"{name} {part}")
    kept = SimpleNamespace(rows=[])

    def add_read(*row):
        kept.rows.append(row)
        return SimpleNamespace(id="f00")

    def make(**jobs):
        for name, job in jobs.items():
            monkeypatch.setattr(module, name, job)
        made = Listening(
            tmp_path / "sounds", str(tmp_path / "log.sqlite"), Feed(), SimpleNamespace(add_read=add_read)
        )
        made.kept = kept.rows
        return made

    return make  # fmt: skip


def done(listening, wanted):
    """Begin, and wait for the end."""
    activity = listening.begin(wanted)
    activity.thread.join(60)
    assert activity.ended
    return activity


def shown(listening, kind="show"):
    return [json.loads(event.data) for event in listening._feed.since("", frozenset({"live"})) if event.kind == kind]  # fmt: skip


def check_result(*sentences, remarks=()):
    return SimpleNamespace(placing=SimpleNamespace(sentences=sentences), remarks=remarks)


def night_result(night, folder, kept_for=None, failures=()):
    from datetime import UTC, datetime

    began = datetime(2026, 3, 2, 20, 5, tzinfo=UTC)
    return SimpleNamespace(reading=night, folder=folder, kept_for=kept_for, failures=failures, began=began)


# One at a time


def test_a_second_listening_is_refused_while_the_first_runs_and_not_after(bench):
    waiting = Job(check_result("Well placed."), waits=True)
    listening = bench(check_microphone=waiting)
    first = listening.begin(Wanted("check", "Lamp"))
    assert waiting.told.wait(60)
    assert listening.running is first
    with pytest.raises(InputError, match="already; end that first") as refused:
        listening.begin(Wanted("night"))
    assert "checking the microphone at Lamp" in str(refused.value)
    listening.end()
    first.thread.join(60)
    assert listening.running is None
    assert listening.activity is first
    waiting.waits = False
    assert done(listening, Wanted("check")).what == "checking the microphone at a clock"


def test_ending_nothing_is_nothing(bench):
    listening = bench()
    listening.end()
    assert listening.end_all() == ""


def test_ending_all_waits_and_says_what_came_of_it(bench, night, tmp_path):
    failure = DeviceError("the microphone went away")
    job = Job(night_result(night, tmp_path, "Lamp", (failure,)), waits=True)
    listening = bench(listen=job)
    listening.begin(Wanted("night", "Lamp"))
    assert job.told.wait(60)
    said = listening.end_all()
    assert said.startswith("Ended listening to Lamp; it was kept to its last sample. ")
    assert said.endswith("the microphone went away")
    checking = Job(check_result("Well placed."), waits=True)
    listening = bench(check_microphone=checking)
    listening.begin(Wanted("check", "Lamp"))
    assert checking.told.wait(60)
    assert listening.end_all() == "Ended checking the microphone at Lamp."


# How it ends


def test_a_failed_job_is_a_sentence_and_the_page_is_told(bench):
    listening = bench(check_microphone=Job(error=DeviceError("no microphone is there")))
    ended = []
    listening.on_end = ended.append
    activity = done(listening, Wanted("check"))
    assert activity.trouble == "no microphone is there"
    assert ended == [activity]
    assert shown(listening)[-1] == {"place": "live", "html": "live_check.html whole"}


def test_a_fault_nobody_foresaw_is_named_without_a_traceback_and_who_looks_on_cannot_harm(bench):
    listening = bench(check_microphone=Job(error=ZeroDivisionError("x")))

    def harm(_):
        raise RuntimeError("the line at the head is broken")

    listening.on_end = harm
    activity = done(listening, Wanted("check"))
    assert "a fault that nobody foresaw (ZeroDivisionError)" in activity.trouble
    assert shown(listening)[-1]["place"] == "live"


def test_a_state_that_cannot_be_shown_does_not_end_the_listening(bench, monkeypatch):
    listening = bench(check_microphone=Job(check_result("Well placed."), states=("one",)))

    def broken(name, part, activity):
        if part != "whole":
            raise ValueError("a template is broken")
        return "whole"

    monkeypatch.setattr("torsionbeat.page.views.fragment", broken)
    activity = done(listening, Wanted("check"))
    assert activity.said == ("Well placed.",)
    assert activity.trouble == ""


def test_what_was_shown_before_is_forgotten(bench):
    listening = bench(check_microphone=Job(check_result(), states=("one",)))
    listening._feed.show("live", "live-old", "from before")
    done(listening, Wanted("check"))
    assert {row["place"] for row in shown(listening)} == {"live-level", "live-progress", "live"}


# What is asked of the jobs


def test_a_check_has_its_sound_its_clock_and_its_length(bench, tmp_path):
    job = Job(check_result("Well placed.", remarks=(Remark("x", "It hums."),)))
    listening = bench(check_microphone=job)
    activity = done(listening, Wanted("check", "Lamp", 60.0, 20.0, device="usb", duration_s=25.0))
    (request,) = job.asked
    assert request.sound == Microphone(device="usb")
    assert (request.clock.name, request.clock.log) == ("Lamp", str(tmp_path / "log.sqlite"))
    assert (request.clock.nominal_period_s, request.clock.lift_deg, request.duration_s) == (60.0, 20.0, 25.0)
    assert activity.said == ("Well placed.", "It hums.")
    done(listening, Wanted("check", recording=Path("night.flac")))
    assert job.asked[1].sound == Playback(Path("night.flac"), pace=1.0)
    assert job.asked[1].clock.name is None
    assert job.asked[1].duration_s != 25.0  # its own


def beat_state(beats, setting, heard_s=10.0):
    return SimpleNamespace(beats=beats, setting=setting, heard_s=heard_s)


def setting(offset_deg, settled=True):
    return SimpleNamespace(offset_deg=offset_deg, beat_error_ms=ufloat(80.0, 1.0), settled=settled)


def test_each_beat_moves_the_mark_and_the_tone_sinks_with_the_distance(bench, monkeypatch):
    monkeypatch.setattr(module, "beat_figure", lambda told: (told.offset_deg, "\N{DEGREE SIGN}", 0.2))
    monkeypatch.setattr(module, "beat_bar", lambda figure, *_: figure)
    monkeypatch.setattr(
        module, "beat_shift", lambda figure: (100 * figure.nominal_value, figure.nominal_value / 4)
    )
    states = (
        beat_state(0, None),
        beat_state(4, setting(ufloat(4.0, 0.1)), 20.0),
        beat_state(4, setting(ufloat(4.0, 0.1)), 21.0),
        beat_state(5, setting(ufloat(2.0, 0.1), settled=False), 30.0),
    )
    job = Job(states=states)
    listening = bench(set_beat=job)
    activity = done(listening, Wanted("beat", "Lamp", arc_deg=430.0, share_above_fork=0.8))
    (request,) = job.asked
    assert (request.arc_deg, request.share_above_fork) == (430.0, 0.8)
    # A state without a new beat adds none; the second was not settled, so it was just touched.
    assert [(at_s, figure.nominal_value, touched) for at_s, figure, touched in activity.settings] == [
        (20.0, 4.0, False), (30.0, 2.0, True),
    ]  # fmt: skip
    (mark,) = shown(listening, "beat")  # the newest stands in place of the others
    # Half of the scale away is one of two octaves down: 880 / 2.
    assert mark == {"shift": 200.0, "hz": 440, "fresh": True, "beat": 5}
    assert TONE_HZ == 880.0
    (plot,) = shown(listening, "plot")
    assert plot["place"] == "plot-offset"
    assert plot["plot"]["series"][0]["y"] == [4.0, 2.0]
    assert "Nothing of it is kept" in activity.said[0]


def test_a_night_is_kept_where_it_is_to_be_and_drawn_when_its_reading_is_new(bench, night, tmp_path):
    def state(at_s, reading=night):
        return SimpleNamespace(reading=reading, reading_at_s=at_s, voices=())

    drawn = []
    job = Job(night_result(night, tmp_path / "n", "Lamp"), states=(state(0, None), state(60), state(60), state(90)))  # fmt: skip
    listening = bench(listen=job)
    plain = listening.tell_plots
    listening.tell_plots = lambda told: (drawn.append(told.reading_at_s), plain(told))
    activity = done(listening, Wanted("night", "Lamp", duration_s=7200.0, keep="beats"))
    (request,) = job.asked
    assert (request.duration_s, request.keep, request.parent) == (7200.0, "beats", tmp_path / "sounds")
    assert (tmp_path / "sounds").is_dir()
    assert drawn == [60, 90]
    assert {row["place"] for row in shown(listening, "plot")} == {"plot-remainder", "plot-arc"}
    assert any("a day" in sentence for sentence in activity.said)
    assert activity.recording == ""
    assert listening.kept == []


def test_a_night_of_no_clock_becomes_a_recording_that_can_be_kept_later(bench, night, tmp_path):
    listening = bench(listen=Job(night_result(night, tmp_path / "n")))
    activity = done(listening, Wanted("night"))
    assert activity.recording == "f00"
    ((name, folder, document, sentences, plots),) = listening.kept
    assert name.startswith("Listened to on ")
    assert "March" in name
    assert folder == tmp_path / "n"
    assert document["schema"] == 1
    assert tuple(sentences) == activity.said
    assert set(plots) == {"remainder", "arc"}
