"""A demonstration by its names: each kind has its period and sounds, a rate its period, a room what it says."""

from __future__ import annotations

import pytest

from torsionbeat.errors import InputError
from torsionbeat.twin.demonstration import PERIODS_S, ROOMS, Demonstration, _clock, demonstrate
from torsionbeat.twin.parts import DriveChange


@pytest.mark.parametrize(("kind", "period_s"), [("60s", 60.0), ("20s", 20.0), ("15s", 15.0), ("12s", 12.0)])
def test_a_kind_keeps_time_at_its_period_and_is_heard_as_such_clocks_are(kind, period_s):
    what = Demonstration(kind=kind)
    assert what.nominal_period_s == period_s
    clock = _clock(what)
    assert clock.steady_period_s() == pytest.approx(period_s, rel=1e-9)
    assert clock.sounds == (("contact", "drop") if kind == "60s" else ("drop",))
    assert clock.drive.arc_deg == (440.0 if kind == "60s" else 300.0)
    assert Demonstration(kind=kind, period_s=7.5).nominal_period_s == 7.5


@pytest.mark.parametrize("rate", [-864.0, 86.4])
def test_a_clock_that_gains_has_the_shorter_period(rate):
    """One part in a hundred lost, one in a thousand gained, of a day."""
    period = _clock(Demonstration(kind="15s", rate_s_per_day=rate)).steady_period_s()
    assert 15.0 / period - 1 == pytest.approx(rate / 86_400, rel=1e-6)


def test_what_is_given_reaches_the_clock():
    clock = _clock(
        Demonstration(
            lift_deg=15.0, offset_deg=3.0, arc_deg=380.0, q=250.0, start_arc_deg=200.0, wander_percent=0.5, drop_peak=0.2,
            jitter_ms=1.5, drive_lost_at_min=4.0,
        )
    )  # fmt: skip
    assert (clock.escapement.lift_deg, clock.escapement.offset_deg, clock.escapement.unlocking_deg) == (
        15.0,
        3.0,
        1.5,
    )
    assert (clock.drive.arc_deg, clock.drive.wander_percent, clock.balance.q) == (380.0, 0.5, 250.0)
    assert (clock.start_arc_deg, clock.voices.drop_peak, clock.jitter_ms) == (200.0, 0.2, 1.5)
    assert clock.changes == (DriveChange(240.0, 0.0),)
    assert _clock(Demonstration()).changes == ()


def test_two_seeds_may_sound_differently():
    assert _clock(Demonstration(seed=1)).voices.drop_a != _clock(Demonstration(seed=2)).voices.drop_a


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"kind": "30s"}, "there is no kind '30s': choose from 60s, 20s, 15s, 12s"),
        ({"room": "cellar"}, "there is no room 'cellar': choose from quiet, workshop"),
        ({"rate_s_per_day": 20_001.0}, "a rate of 20001 s/day is outside -20000 to 20000"),
        ({"rate_s_per_day": -20_001.0}, "a rate of -20001 s/day"),
        ({"seed": -1}, "seed -1 is negative"),
    ],
)
def test_what_no_clock_or_room_has_is_refused(given, said):
    with pytest.raises(InputError, match=said):
        Demonstration(**given)


def test_every_kind_and_room_has_its_words():
    assert set(PERIODS_S) == {"60s", "20s", "15s", "12s"}
    assert all(Demonstration(room=name).room_words == words for name, words in ROOMS.items())


def test_a_room_without_a_clock_has_no_beats():
    made = demonstrate(Demonstration(kind="12s", duration_s=2.0, has_clock=False))
    assert made.truth.beats == ()
    assert demonstrate(Demonstration(kind="12s", duration_s=40.0)).truth.beats
