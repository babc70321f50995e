"""The clock as a whole: set to a period, refused where it cannot be."""

from __future__ import annotations

from dataclasses import replace

import pytest

from torsionbeat.errors import InputError
from torsionbeat.twin import (
    Balance,
    Escapement,
    TwinClock,
)
from torsionbeat.twin.voices import VoiceSet


def test_a_clock_can_be_set_to_a_period():
    clock = TwinClock(Balance(60.0, q=150.0, cubic_per_rad2=1e-4), Escapement(offset_deg=3.0))
    assert clock.with_period(59.9).steady_period_s() == pytest.approx(59.9, rel=1e-13)


def test_its_sounds_are_its_beats_with_jitter_in_order_and_within_the_time():
    clock = TwinClock(
        balance=Balance(6.0), sounds=("contact", "drop", "banking"), jitter_ms=0.0, banking_ms=35.0,
        voices=VoiceSet(scatter_db=0.0),
    )  # fmt: skip
    beats, events = clock.run(30.0, 1)
    assert events.time_s.tolist() == events.clean_time_s.tolist() == sorted(events.time_s.tolist())
    assert events.time_s.max() < 30.0
    for kind, times in (
        ("contact", [beat.contact_s for beat in beats]),
        ("drop", [beat.drop_s for beat in beats]),
        ("banking", [beat.drop_s + 0.035 for beat in beats]),
    ):
        mine = events.where(kind=kind)
        assert mine.time_s.tolist() == pytest.approx([time for time in times if time < 30.0])
        assert set(mine.level_db) == {clock.voices.level_db(kind)}
    assert (
        events.where(kind="drop").side.tolist()
        == [beat.side for beat in beats][: len(events.where(kind="drop"))]
    )


def test_the_first_side_and_arc_are_those_asked_for():
    plain = TwinClock(balance=Balance(6.0))
    assert plain.run(10.0, 0)[0][0].side == "a"
    other = replace(plain, start_side="b", start_arc_deg=100.0).run(10.0, 0)[0]
    assert other[0].side == "b"
    assert other[0].arc_deg < 150 < plain.run(10.0, 0)[0][0].arc_deg


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"sounds": ("contact", "gong")}, "unknown kind of sound gong: choose from contact, unlocking"),
        ({"jitter_ms": 50.1}, "jitter 50.1 ms is outside 0 to 50"),
        ({"jitter_ms": -0.1}, "jitter -0.1 ms"),
        ({"start_arc_deg": 0.0}, "a first arc of 0 deg"),
        ({"start_arc_deg": 1501.0}, "a first arc of 1501 deg"),
        ({"start_s": 0.1}, "must be let go at or before 0 s"),
    ],
)
def test_what_no_clock_does_is_refused(given, said):
    with pytest.raises(InputError, match=said):
        TwinClock(**given)
