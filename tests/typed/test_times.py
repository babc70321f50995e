"""Lengths, hours, days and moments: what is read, and what is refused in words."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.errors import InputError
from torsionbeat.typed.times import (
    days_of,
    length_s,
    moment,
    moment_s,
    next_night,
    night_span,
    until_s,
    whole_days,
)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone cannot be set")
def test_until_an_hour_that_comes_twice_or_never(monkeypatch):
    """Berlin: on 25 October 2026 the hour from 2 to 3 comes twice, on 29 March it is left out."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        second_time = datetime.fromisoformat("2026-10-25T02:10:00+01:00")
        first_time = datetime.fromisoformat("2026-10-25T02:10:00+02:00")
        assert until_s("02:30", first_time.astimezone()) == 20 * 60
        assert until_s("02:30", second_time.astimezone()) == 20 * 60
        assert until_s("07:00", datetime.fromisoformat("2026-10-24T22:00:00+02:00").astimezone()) == 10 * 3600
        assert until_s("07:00", datetime.fromisoformat("2026-03-28T22:00:00+01:00").astimezone()) == 8 * 3600
        evening = datetime.fromisoformat("2026-03-28T22:00:00+01:00").astimezone()
        begin, end = next_night(night_span("02:10-02:40"), evening)
        assert (end - begin).total_seconds() == 30 * 60
    finally:
        monkeypatch.undo()
        time.tzset()


def test_hours():
    now = datetime(2026, 3, 1, 23, 30).astimezone()
    assert length_s("1h 30min") == 5400
    assert until_s("07:00", now) == 7.5 * 3600
    assert until_s("23:45", now) == 900
    span = night_span("22:00-07:00")
    assert next_night(span, now)[0] == now
    begin, end = next_night(span, datetime(2026, 3, 1, 12, 0).astimezone())
    assert (f"{begin:%d %H:%M}", f"{end:%d %H:%M}") == ("01 22:00", "02 07:00")
    with pytest.raises(InputError, match=r"at most 31 days"):
        length_s("1000h")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("10s", 10), ("1.5h", 5400), ("2 m", 120), ("90MIN", 5400), ("1h2m3s", 3723), ("744h", 31 * 86400)],
)
def test_a_length_is_hours_minutes_and_seconds(text, seconds):
    assert length_s(text) == seconds


@pytest.mark.parametrize("text", ["", "9", "h", "nine hours", "1h -2m", "9.9s", "745h", "-1h"])
def test_a_length_that_cannot_be_is_refused(text):
    with pytest.raises(InputError, match=r"--for is .*; (write it as 9h|listen for at least 10 s)"):
        length_s(text)


@pytest.mark.parametrize(
    ("text", "seconds"), [("0", 0), ("12.5", 12.5), ("61:05", 3665), ("2h", 7200), ("1m 5s", 65), (" 7s ", 7)]
)
def test_a_moment_of_a_recording_counts_from_its_start(text, seconds):
    assert moment_s(text) == seconds


@pytest.mark.parametrize("text", ["", "later", "1:2:3", "-5"])
def test_a_moment_of_a_recording_that_cannot_be_is_refused(text):
    with pytest.raises(InputError, match=r"the moment .* cannot be read"):
        moment_s(text)


def test_the_next_hour_is_later_than_now_and_within_a_day():
    now = datetime(2026, 6, 1, 7, 0).astimezone()
    assert until_s("07:00", now) == 86_400  # now itself is over
    assert until_s("7:01", now) == 60
    assert until_s("06:59", now) == 86_340


@pytest.mark.parametrize("text", ["24:00", "12:60", "7", "seven", "007:00"])
def test_an_hour_that_no_day_has_is_refused(text):
    with pytest.raises(InputError, match=r"--until has the hour .*; write it as 07:00"):
        until_s(text, datetime(2026, 6, 1).astimezone())


@pytest.mark.parametrize(
    ("text", "said"), [("22:00", "write it as 22:00-07:00"), ("22:00-22:00", "different hours")]
)
def test_a_night_needs_two_hours(text, said):
    with pytest.raises(InputError, match=said):
        night_span(text)


def test_a_night_that_is_on_begins_now_and_one_of_the_day_may_lie_within_it():
    span = night_span("09:00-17:00")
    noon = datetime(2026, 6, 1, 12, 0).astimezone()
    assert next_night(span, noon) == (noon, noon + timedelta(hours=5))
    begin, end = next_night(span, datetime(2026, 6, 1, 18, 0).astimezone())
    assert (f"{begin:%d %H:%M}", f"{end:%d %H:%M}") == ("02 09:00", "02 17:00")


def test_days_are_whole_and_the_last_one_counts():
    start, end = whole_days(" 2026-03-01..2026-03-07 ")
    assert (f"{start:%Y-%m-%d %H:%M}", f"{end:%Y-%m-%d %H:%M}") == ("2026-03-01 00:00", "2026-03-08 00:00")
    assert start.tzinfo is not None
    same, after = whole_days("2026-03-01")
    assert (same, after) == (start, start + timedelta(days=1))
    assert whole_days("2026-03-01..2026-03-01") == (same, after)


@pytest.mark.parametrize(
    ("text", "said"), [("2026-02-30", "not in the calendar"), ("2026-03-02..2026-03-01", "run backwards")]
)
def test_days_that_cannot_be_are_refused(text, said):
    with pytest.raises(InputError, match=said):
        whole_days(text)


def test_days_of_an_option_must_be_days_where_they_are_given():
    assert days_of(None, "--before") is None
    assert days_of("2026-03-01", "--before") == whole_days("2026-03-01")
    with pytest.raises(InputError, match=r"--after is 'soon'; write it as 2026-03-01"):
        days_of("soon", "--after")


def test_a_moment_keeps_the_zone_that_it_says():
    assert moment("2026-03-01T20:00:00+05:00", "--when") == datetime(2026, 3, 1, 15, tzinfo=UTC)
    own = moment(" 2026-03-01 20:00 ", "--when")
    assert f"{own:%Y-%m-%d %H:%M}" == "2026-03-01 20:00"
    assert own.tzinfo is not None


@pytest.mark.parametrize("text", ["yesterday", "2026-13-01", "1799-12-30 12:00", "26-03-01"])
def test_a_moment_that_cannot_be_is_refused(text):
    with pytest.raises(InputError, match=r"--when is "):
        moment(text, "--when")


def test_a_moment_may_be_a_zone_ahead_but_not_in_the_future():
    now = datetime.now(UTC)
    assert moment((now + timedelta(hours=23)).isoformat(), "--when") > now
    with pytest.raises(InputError, match=r"not in the future"):
        moment((now + timedelta(hours=25)).isoformat(), "--when")
