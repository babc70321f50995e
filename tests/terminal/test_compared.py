"""A comparison and a report shown: sentences or JSON, and the pictures and files that were asked for."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.history.comparison import compare
from torsionbeat.history.nights import Group, Night
from torsionbeat.jobs.report import ReportRequest, report
from torsionbeat.reading.document import reading_document
from torsionbeat.sound.remarks import Remark
from torsionbeat.terminal.compared import show_comparison, write_report_files

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def result(make_night):
    """Two nights a side of a clock that gained 14.4 s a day and now gains 28.8: periods of 59.99 and 59.98 s."""
    sides = [
        Group(tuple(Night(make_night(seed, period=period)) for seed in seeds), label)
        for period, seeds, label in ((59.99, (1, 2), "before"), (59.98, (3, 4), "after"))
    ]
    return compare(*sides)


def test_the_change_of_rate_is_said_and_every_row_only_where_it_is_wanted(result, capsys):
    show_comparison(result, None, json=False, every_row=False)
    short = capsys.readouterr().out
    show_comparison(result, None, json=False, every_row=True)
    whole = capsys.readouterr().out
    assert "rate" in short
    assert "+14" in short  # 86 400 (60 / 59.98 - 60 / 59.99) is 14.4
    assert len(whole.splitlines()) > len(short.splitlines())
    assert max(map(len, whole.splitlines())) <= 80


def test_as_json_there_is_the_document_and_nothing_else(result, capsys):
    show_comparison(result, None, json=True, every_row=False)
    shown = json.loads(capsys.readouterr().out)
    assert shown == json.loads(json.dumps(result.document()))


def test_pictures_are_written_where_they_were_asked_for(result, capsys, tmp_path):
    fall = np.outer(100 * 0.9 ** np.arange(80), np.ones(5)).astype(np.float32)
    drops = tuple(VoiceProfile(side, "drop", 0.0005, -0.012, fall, 40, (1e-6,) * 5) for side in "ab")
    sides = [
        replace(group, nights=tuple(replace(night, voices=drops) for night in group.nights))
        for group in (result.before, result.after)
    ]
    result = compare(*sides)
    plot, portrait = tmp_path / "plot.png", tmp_path / "portrait.svg"
    show_comparison(result, plot, portrait, json=True, every_row=False)
    assert plot.read_bytes().startswith(b"\x89PNG")
    assert "<svg" in portrait.read_text()
    json.loads(capsys.readouterr().out)  # nothing else is said


@pytest.fixture
def story(tmp_path, make_night):
    """A clock with a night before its work and one after, and the path of its log."""
    path = str(tmp_path / "log.sqlite")
    with open_log(path) as log:
        log.add_clock("Lamp", nominal_period_s=60.0, lift_deg=20.0)
        for day, seed in ((0, 1), (2, 2)):
            log.add_reading("Lamp", reading_document(make_night(seed)), taken_at=BEGIN + timedelta(days=day))
        log.add_work("Lamp", "spring", "new strip", done_at=BEGIN + timedelta(days=1))
    return report(ReportRequest("Lamp", path)), path


def test_a_report_is_written_as_html_and_with_a_second_path_as_pdf(story, tmp_path, monkeypatch):
    from torsionbeat.reports import report as module

    printed = []
    monkeypatch.setattr(module, "write_pdf", lambda html, path: printed.append((html, path)))
    page, pdf = tmp_path / "lamp.html", tmp_path / "lamp.pdf"
    write_report_files(*story, [page], None, None)
    assert printed == []
    assert "new strip" in page.read_text()
    write_report_files(*story, [page, pdf], None, None)
    ((html, path),) = printed
    assert (html, path) == (page.read_text(), pdf)


def test_photo_and_letterhead_stand_in_the_report(story, tmp_path):
    from PIL import Image

    photo, workshop, page = tmp_path / "lamp.png", tmp_path / "workshop.toml", tmp_path / "lamp.html"
    Image.new("RGB", (40, 30), "green").save(photo)
    workshop.write_text('name = "Harbour bench"\n')
    write_report_files(*story, [page], photo, workshop)
    text = page.read_text()
    assert "Harbour bench" in text
    assert 'src="data:image/' in text
    write_report_files(*story, [page], None, None)
    text = page.read_text()
    assert "Harbour bench" not in text
    assert 'src="data:image/' not in text


def test_where_there_is_no_judgement_the_report_says_why(story, tmp_path, monkeypatch):
    page = tmp_path / "lamp.html"
    write_report_files(*story, [page], None, None)
    assert "it was worked on since the last time" not in page.read_text()
    why = Remark("worked-on-since", "the clock was worked on since")
    monkeypatch.setattr("torsionbeat.jobs.advise.judged", lambda *_: (None, why))
    write_report_files(*story, [page], None, None)
    assert "it was worked on since the last time" in page.read_text()
