"""What forms offer: clocks by number and name, lengths in seconds, the next morning."""

from __future__ import annotations

from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import DeviceError, InputError
from torsionbeat.page_handlers import choices
from torsionbeat.page_handlers.choices import clock_names, clock_of, length_s, microphones, row_of


@pytest.mark.parametrize(
    ("value", "seconds"), [("", None), ("120", 120.0), ("1200", 1200.0), ("7200", 7200.0), ("86400", 86400.0)]
)
def test_a_length_is_in_seconds(value, seconds):
    assert length_s(value) == seconds


@pytest.mark.parametrize(
    ("now", "hours"),
    [
        ("22:00", 9.0),
        ("06:00", 1.0),
        ("06:49", 11 / 60),
        ("06:51", 24 + 9 / 60),
        ("07:00", 24.0),
        ("12:30", 18.5),
    ],
)
def test_until_morning_is_until_seven_and_not_for_less_than_ten_minutes(monkeypatch, now, hours):
    at = datetime.fromisoformat(f"2026-03-05T{now}").astimezone()

    class Fixed(datetime):
        @classmethod
        def now(cls, tz=None):
            return at

    monkeypatch.setattr(choices, "datetime", Fixed)
    assert length_s("morning") == pytest.approx(hours * 3600)


def test_another_length_is_refused():
    with pytest.raises(InputError, match="the length is '99'; choose one from the list"):
        length_s("99")


def test_a_clock_is_found_by_its_number_and_not_once_it_was_taken_back(page):
    with open_log(page.log) as log:
        other = log.add_clock("Shelf")
        log.retract_clock("Lamp", "sold")
    assert clock_names(page.bench) == ["Shelf"]
    assert clock_of(page.bench, other.id).name == row_of(page.bench, other.id).clock.name == "Shelf"
    for find in (clock_of, row_of):
        with pytest.raises(InputError, match="it may have been taken back"):
            find(page.bench, 1)


def test_a_log_that_cannot_be_read_offers_no_clocks(page):
    assert clock_names(SimpleNamespace(log="mysql://h/d")) == []


def test_no_microphone_and_no_sound_system_say_why(monkeypatch):
    from torsionbeat.jobs import microphone

    monkeypatch.setattr(microphone, "devices", lambda: [])
    assert microphones() == ([], "No microphone is connected. Plug one in, then open this page again.")

    def broken():
        raise DeviceError("there is no sound system here")

    monkeypatch.setattr(microphone, "devices", broken)
    assert microphones() == ([], "there is no sound system here")
    monkeypatch.setattr(microphone, "devices", lambda: [SimpleNamespace(name="usb")])
    assert [(one.value, one.words) for one in microphones()[0]] == [("usb", "usb")]


def test_morning_is_tomorrow_at_the_latest():
    assert 0 < length_s("morning") <= timedelta(days=1, minutes=10).total_seconds()
