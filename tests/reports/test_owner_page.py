"""The owner's part of the report."""

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


def figure(value):
    return None if value is None else {"value": value.nominal_value, "standard_uncertainty": value.std_dev}


def document(reading, **changes):
    names = ("period_s", "rate_s_per_day", "beat_error_ms", "offset_deg", "arc_deg", "arc_trend_deg_per_hour")
    s = reading.swings
    return {
        "schema": 1,
        "recording": {"name": reading.recording.name, "duration_s": reading.recording.duration_s},
        "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
        "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0, "lift_tolerance_deg": 0.5},
        **{name: figure(getattr(reading, name)) for name in names},
        "beats": {"expected": reading.beats_expected, "heard": reading.beats_heard},
        "swings": [
            {"time_s": t, "side": str(side), "period_s": None if np.isnan(p) else p, "arc_deg": a}
            for t, side, p, a in zip(s.time_s, s.side, s.period_s, s.arc_deg, strict=True)
        ],
        "remarks": ["Two people talked near the clock."],
    } | changes


@pytest.fixture(scope="module")
def log(tmp_path_factory, night):
    """Give a log with an overhauled clock, one that was never read, and one with nasty texts."""
    with open_log(tmp_path_factory.mktemp("log") / "log.sqlite") as opened:
        fill(opened, "Harbour lamp", night, "New suspension strip, 0.10 mm; fork set 3 mm below the block")
        fill(opened, "Tower & <b>bell</b>", night, NASTY)
        opened.add_clock("Glass shelf")
        yield opened


def fill(log, name, night, what):
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
            document(night, rate_s_per_day=figure(ufloat(rate, 2.5)), arc_deg=figure(ufloat(arc, 6.0))),
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
    return report_html(gather(log, "Harbour lamp", same_recorder=True), MADE)


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


def words(page):
    return " ".join(" ".join(page.text).split())


def owner_part(page):
    """The page without its annex, as it is printed for the owner alone."""
    return re.sub(r'<main class="annex">.*</main>', "", page, flags=re.DOTALL)


def test_the_owners_part_has_no_options_and_no_statistics(html):
    said = words(Page(owner_part(html)))
    for word in ("--", "Allan", "95 %", "interval", "torsionbeat", "offset", "standard"):
        assert word not in said, word


def test_out_of_beat_is_still_to_be_done_and_not_no_fault(log, night):
    from torsionbeat.jobs.advise import AdviseRequest, advise

    log.add_clock("Uneven", nominal_period_s=60.0, lift_deg=20.0)
    log.add_reading(
        "Uneven", document(night, beat_error_ms=figure(ufloat(400, 1)), offset_deg=figure(ufloat(4.5, 0.1)))
    )
    story, judgement = gather(log, "Uneven"), advise(AdviseRequest("Uneven", log=log.where))
    text = words(Page(report_html(story, MADE, judgement=judgement)))
    assert "The beat is not even yet; it is still to be set." in text
    assert "No fault stands out besides what is still to be done." in text
    assert "Nothing: the clock goes as it should" not in text
    assert "differ by 0.8 seconds" in text


def test_a_clock_worked_on_since_its_last_reading_is_to_be_heard_again(log, night):
    from torsionbeat.jobs.advise import judged

    log.add_clock("Reweighted", nominal_period_s=60.0, lift_deg=20.0)
    read = document(night, rate_s_per_day=figure(ufloat(-12.0, 0.3)))
    log.add_reading("Reweighted", read, taken_at=MADE - timedelta(days=3))
    judgement, why = judged("Reweighted", log.where)
    assert judgement is not None
    assert why is None
    log.add_work("Reweighted", "weights", "2 g on", done_at=MADE - timedelta(days=1))
    judgement, why = judged("Reweighted", log.where)
    assert judgement is None
    assert why.code == "worked-on-since"
    assert (
        why
        == "'Reweighted' was worked on after its last reading (weights: 2 g on); let it settle and read it again"
    )
    text = words(Page(owner_part(report_html(gather(log, "Reweighted"), MADE, unjudged=why))))
    assert "worked on after it was last listened to: how it goes now was not measured yet." in text
    assert "The clock is to be listened to again: it was worked on since the last time." in text
    assert "In a day it loses 12 seconds not measured" in text  # before the work, and now
    assert "in a week" not in text
    assert "Nothing: the clock goes as it should" not in text
