"""A clock shown: its record alone or as JSON, its whole history with the judgement, its story as a picture."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.jobs.clock_history import HistoryRequest, clock_history
from torsionbeat.terminal.clock_shown import answer, show_history, story_picture

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


@pytest.fixture
def path(tmp_path):
    """Give a log with the clock Lamp, its regulator in turns, and nothing that happened."""
    place = str(tmp_path / "log.sqlite")
    with open_log(place) as log:
        log.add_clock("Lamp", kind="400-day", nominal_period_s=15.0, lift_deg=20.0, maker="nobody")
    return place


def document(rate):
    return {
        "schema": 1,
        "recording": {"name": "lamp.flac", "duration_s": 3600.0, "sample_rate_hz": 48_000, "channels": 1},
        "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
        "clock": {"nominal_period_s": 15.0, "lift_deg": 20.0},
        "period_s": {"value": 15.0 / (1 + rate / 86_400), "standard_uncertainty": 1e-6},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": 0.2},
        "beats": {"expected": 480, "heard": 480},
        "swings": [],
    }


def history(path):
    return clock_history(HistoryRequest("Lamp", log=path))


def said(capsys):
    out = capsys.readouterr()
    assert out.err == ""
    return " ".join(out.out.split())


def test_the_record_is_said_after_what_was_done(path, capsys):
    answer(history(path).clock, path, False, "Lamp was added.")
    words = said(capsys)
    assert words.startswith("Lamp was added. ")
    for known in ("400-day", "15", "20", "nobody"):
        assert known in words


def test_as_json_there_is_the_whole_history_and_nothing_else(path, capsys):
    with open_log(path) as log:
        log.add_note("Lamp", "hangs straight", written_at=BEGIN)
    answer(history(path).clock, path, True, "Lamp was added.")
    exported = json.loads(capsys.readouterr().out)
    with open_log(path) as log:
        assert exported == log.export_clock("Lamp")
    assert "hangs straight" in json.dumps(exported)


def test_a_clock_that_was_not_heard_says_so_and_has_no_judgement(path, capsys):
    show_history(history(path), path)
    words = said(capsys)
    assert words == "It has not been heard yet."


def test_the_last_reading_goes_first_then_what_happened_then_the_judgement(path, capsys):
    with open_log(path) as log:
        log.add_reading("Lamp", document(-80.0), taken_at=BEGIN)
        log.add_work("Lamp", "weights", "discs off", {"added_g": -3.0}, done_at=BEGIN + timedelta(days=1))
        log.add_reading("Lamp", document(-3.5), taken_at=BEGIN + timedelta(days=2))
    show_history(history(path), path)
    words = said(capsys)
    assert 0 <= words.index("loses 3.5 s a day") < words.index("discs off")
    assert words.index("discs off") < words.index("By all that is in the log:")
    assert len(words) > words.index("By all that is in the log:") + 40  # the judgement itself


def test_without_a_judgement_it_is_said_why(path, capsys, monkeypatch):
    with open_log(path) as log:
        log.add_reading("Lamp", document(-80.0), taken_at=BEGIN)
    monkeypatch.setattr("torsionbeat.jobs.advise.judged", lambda *_: (None, "the log holds no weights"))
    show_history(history(path), path)
    words = said(capsys)
    assert words.endswith("No advice yet: the log holds no weights.")
    assert "By all that is in the log" not in words


def test_entries_that_had_to_be_left_out_are_said(path, capsys):
    from dataclasses import replace

    from torsionbeat.sound.remarks import Remark

    broken = replace(history(path), remarks=(Remark("row-left-out", "Note 3 cannot be read."),))
    show_history(broken, path)
    assert said(capsys) == "It has not been heard yet. Note 3 cannot be read."


def test_the_story_is_drawn_with_every_night(path):
    with open_log(path) as log:
        for day, rate in enumerate((-80.0, -40.0, -3.5)):
            log.add_reading("Lamp", document(rate), taken_at=BEGIN + timedelta(days=day))
    figure = story_picture("Lamp", path)
    heights = {
        round(float(y), 1) for axes in figure.axes for line in axes.lines for y in line.get_ydata(orig=True)
    }
    assert {-80.0, -40.0, -3.5} <= heights
