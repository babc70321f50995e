"""Trials are closed by the first reading that follows the work, and by none before it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from uncertainties import ufloat

from torsionbeat.jobs.keep_adjustment import close_trials

JUNE = datetime(2026, 6, 1, tzinfo=UTC)


class Log:
    """A log of readings and works at hours, which remembers the trials that it is given."""

    def __init__(self, readings, works, trials=()):
        self.rows = [
            SimpleNamespace(
                id=number,
                taken_at=JUNE + timedelta(hours=hour),
                rate_s_per_day=None if rate is None else ufloat(rate, 0.1),
            )
            for number, (hour, rate) in enumerate(readings, 1)
        ]
        self.done = [
            SimpleNamespace(id=number, done_at=JUNE + timedelta(hours=hour), details=details)
            for number, (hour, details) in enumerate(works, 1)
        ]
        self.known = [SimpleNamespace(work_id=number) for number in trials]
        self.added = []

    def readings(self, clock, *, documents):
        assert not documents
        return self.rows

    def works(self, clock):
        return self.done

    def trials(self, clock):
        return self.known

    def add_trial(self, clock, work_id, reading_id, *, reading_before_id, expected_rate_s_per_day):
        self.added.append((clock, work_id, reading_id, reading_before_id, expected_rate_s_per_day))


PROMISE = {"expected_rate_s_per_day": -2.0, "u_expected_rate_s_per_day": 0.7}


def test_the_first_reading_after_the_work_closes_its_trial():
    log = Log([(0, 50.0), (10, 40.0), (30, -1.0), (50, -3.0)], [(20, PROMISE)])
    assert close_trials(log, "Lamp") == 1
    ((clock, work, after, before, expected),) = log.added
    assert (clock, work, after, before) == ("Lamp", 1, 3, 2)
    assert (expected.nominal_value, expected.std_dev) == (-2.0, 0.7)


def test_a_reading_at_the_very_moment_follows_the_work():
    log = Log([(20, 1.0)], [(20, PROMISE)])
    assert close_trials(log, "Lamp") == 1
    assert log.added[0][2:4] == (1, None)


@pytest.mark.parametrize(
    ("readings", "works", "trials"),
    [
        ([(10, 1.0)], [(20, PROMISE)], ()),  # nothing followed
        ([(30, None)], [(20, PROMISE)], ()),  # what followed has no rate
        ([(30, 1.0)], [(20, {"added_g": 3.0})], ()),  # nobody promised anything
        ([(30, 1.0)], [(20, PROMISE)], (1,)),  # closed already
    ],
)
def test_what_closes_no_trial(readings, works, trials):
    log = Log(readings, works, trials)
    assert close_trials(log, "Lamp") == 0
    assert log.added == []


def test_a_promise_without_doubt_is_not_taken_for_certain():
    log = Log([(30, 1.0)], [(20, {"expected_rate_s_per_day": 0.0})])
    close_trials(log, "Lamp")
    assert log.added[0][4].std_dev > 0


def test_each_work_has_a_trial_of_its_own():
    log = Log([(30, 1.0), (50, 2.0)], [(20, PROMISE), (25, PROMISE), (40, PROMISE)])
    assert close_trials(log, "Lamp") == 3
    assert [row[1:4] for row in log.added] == [(1, 1, None), (2, 1, None), (3, 2, 1)]
