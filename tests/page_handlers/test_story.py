"""A clock's life in lines: newest first, and each expectation held against the reading that followed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.page_handlers.story import _expected, _outcomes, story_of

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


def at(day):
    return BEGIN + timedelta(days=day)


def work(day, expected=None, doubt=1.0):
    details = (
        {} if expected is None else {"expected_rate_s_per_day": expected, "u_expected_rate_s_per_day": doubt}
    )
    return SimpleNamespace(at=None if day is None else at(day), details=details)


def heard(number, day, rate=None, u=0.5):
    return SimpleNamespace(
        at=at(day), number=number, figures={} if rate is None else {"rate_s_per_day": ufloat(rate, u)}
    )


def test_a_rate_within_the_interval_of_the_difference_is_as_expected():
    """1.96 roots of 1.0^2 + 0.5^2 are 2.19 s a day."""
    assert "as expected." in _outcomes((work(0, 5.0),), (heard(7, 1, 7.1),))[7]
    late = _outcomes((work(0, 5.0),), (heard(7, 1, 7.3),))[7]
    assert "It came out not as expected, 2.3 s a day faster." in late
    assert "Expected was that it gains 5" in late
    assert "2.3 s a day slower" in _outcomes((work(0, 5.0),), (heard(7, 1, 2.7),))[7]


def test_the_first_reading_after_the_last_of_works_done_together_tells():
    readings = (heard(1, -1, 80.0), heard(2, 1), heard(3, 2, 5.0), heard(4, 3, 5.0))
    assert list(_outcomes((work(0, 99.0), work(0, 5.0)), readings)) == [3]
    assert "as expected" in _outcomes((work(0, 99.0), work(0, 5.0)), readings)[3]
    assert _outcomes((work(0, 5.0), work(1.5, None)), readings) == {}  # other work came between
    assert _outcomes((work(0), work(None, 5.0)), readings) == {}
    assert _outcomes((work(9, 5.0),), readings) == {}
    assert list(_outcomes((work(1, 5.0),), (heard(2, 1, 5.0),))) == [2]  # at the very moment


@pytest.mark.parametrize(("details", "value"), [({}, None), ({"expected_rate_s_per_day": "much"}, None)])
def test_nothing_expected_is_nothing(details, value):
    assert _expected(SimpleNamespace(details=details)) is value


def test_an_expectation_without_its_doubt_is_exact():
    got = _expected(SimpleNamespace(details={"expected_rate_s_per_day": 3}))
    assert (got.nominal_value, got.std_dev) == (3, 1e-6)


def test_lines_are_newest_first_and_what_was_taken_back_is_struck_with_its_reason(tmp_path):
    path = str(tmp_path / "log.sqlite")
    with open_log(path) as log:
        log.add_clock("Lamp", nominal_period_s=60.0)
        log.add_note("Lamp", "hangs straight", written_at=at(0))
        log.add_work("Lamp", "weights", "discs", {"added_g": -3.0}, done_at=at(1))
        log.retract("Lamp", "work", 1, "not this clock")
        log.add_freeswing("Lamp", {}, law="air", q=ufloat(310.0, 12.0), done_at=at(2))
    story = story_of(path, "Lamp")
    lines = [line for line in story.lines if line.kind in ("note", "work", "free swing")]
    whens = [line.when for line in story.lines]
    assert whens == sorted(whens, reverse=True)
    (weights,) = [line for line in lines if line.kind == "work"]
    assert (weights.struck, weights.because, weights.grams) == (True, "not this clock", -3.0)
    assert "3 g taken off, all sides together" in weights.text + weights.more
    assert story.q.nominal_value == 310.0
    assert (story.works, story.last) == ((), None)
