"""What the tests of the report share: a log with an overhauled clock, its report, and the report taken apart."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.jobs.report import gather
from torsionbeat.reports.report import report_html

BEGIN = datetime(2026, 2, 3, 20, tzinfo=UTC)
MADE = datetime(2026, 3, 1, 10, tzinfo=UTC)
NASTY = "--><script>alert(1)</script><img src=http://127.0.0.1:9/x.png> & $x$ {{ 7 * 7 }}"


def _figure(value):
    """A figure as a document has it; what is none stays as it is."""
    if not hasattr(value, "nominal_value"):
        return value
    return {"value": value.nominal_value, "standard_uncertainty": value.std_dev}


def _document(reading, **changes):
    names = ("period_s", "rate_s_per_day", "beat_error_ms", "offset_deg", "arc_deg", "arc_trend_deg_per_hour")
    s = reading.swings
    return {
        "schema": 1,
        "recording": {"name": reading.recording.name, "duration_s": reading.recording.duration_s},
        "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
        "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0, "lift_tolerance_deg": 0.5},
        **{name: _figure(getattr(reading, name)) for name in names},
        "beats": {"expected": reading.beats_expected, "heard": reading.beats_heard},
        "swings": [
            {"time_s": t, "side": str(side), "period_s": None if np.isnan(p) else p, "arc_deg": a}
            for t, side, p, a in zip(s.time_s, s.side, s.period_s, s.arc_deg, strict=True)
        ],
        "remarks": ["Two people talked near the clock."],
    } | {name: _figure(value) for name, value in changes.items()}


@pytest.fixture(scope="module")
def log(tmp_path_factory, night):
    """Give a log with an overhauled clock, one that was never read, and one with nasty texts (`nasty`)."""
    with open_log(tmp_path_factory.mktemp("log") / "log.sqlite") as opened:
        _fill(opened, "Harbour lamp", night, "New suspension strip, 0.10 mm; fork set 3 mm below the block")
        _fill(opened, "Tower & <b>bell</b>", night, NASTY)
        opened.add_clock("Glass shelf")
        yield opened


def _fill(log, name, night, what):
    log.add_clock(
        name,
        kind="air-driven",
        nominal_period_s=60.0,
        lift_deg=20.0,
        lift_tolerance_deg=0.5,
        arc_low_deg=380,
        arc_high_deg=480,
        notes=f"Case number 12. {what}",
    )
    for day, rate, arc in (
        (0, -930.0, 350.0),
        (1, -928.0, 351.0),
        (5, 60.0, 429.0),
        (9, 2.4, 431.0),
        (10, 2.9, 430.0),
    ):
        log.add_reading(
            name,
            _document(night, rate_s_per_day=ufloat(rate, 2.5), arc_deg=ufloat(arc, 6.0)),
            taken_at=BEGIN + timedelta(days=day),
        )
    log.add_work(name, "spring", what, done_at=BEGIN + timedelta(days=3))
    log.add_work(name, "weights", "Added 0.9 g", done_at=BEGIN + timedelta(days=8))
    log.add_note(name, f"The owner says: {what}", written_at=BEGIN)
    log.add_handcheck(name, ufloat(2.7, 0.4), 168.0, [], checked_at=BEGIN + timedelta(days=20))
    time = np.arange(0, 5400.0, 30)
    arcs = 430 * np.exp(-np.pi * time / (300 * 60)) + np.random.default_rng(1).normal(0, 0.4, time.size)
    rows = [{"time_s": t, "arc_deg": a} for t, a in zip(time, arcs, strict=True)]
    log.add_freeswing(
        name,
        {"readings": rows, "period_s": 60.0},
        law="air",
        q=ufloat(300, 2),
        done_at=BEGIN + timedelta(days=11),
    )


@pytest.fixture(scope="module")
def html(log):
    """The report of the overhauled clock."""
    return report_html(gather(log, "Harbour lamp", same_recorder=True), MADE)


@pytest.fixture(scope="session")
def document():
    """Give what makes a document of a reading, with whatever is to be otherwise; figures as uncertain numbers."""
    return _document


@pytest.fixture(scope="session")
def nasty():
    """A text that harms a page which does not escape it."""
    return NASTY


class Page(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text, self.open = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        if not {"style", "svg"} & set(self.open):
            self.text.append(data)


@pytest.fixture(scope="session")
def parsed():
    """Give what takes a page apart."""
    return Page


@pytest.fixture(scope="session")
def words_of():
    """Give the words that a page shows outside its pictures."""

    def words(html):
        return " ".join(" ".join(Page(html).text).split())

    return words


@pytest.fixture(scope="session")
def owner_part():
    """Give a report without its annex, as it is printed for the owner alone."""

    def part(html):
        return re.sub(r'<main class="annex">.*</main>', "", html, flags=re.DOTALL)

    return part
