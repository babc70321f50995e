"""The motion of the twin's clock against an independent integration, closed forms and energy."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from torsionbeat.errors import InputError
from torsionbeat.twin import (
    Balance,
    BeatShift,
    CaseKnock,
    Drive,
    DriveChange,
    Escapement,
    Halt,
    Temperature,
    TwinClock,
    VoiceSet,
)
from torsionbeat.twin.swing import steady_swing, swing_beats


def beats_of(clock: TwinClock, duration_s: float, seed: int = 0):
    return clock.run(duration_s, seed)[0]


def mean_period_s(beats) -> float:
    """From the first to the last middle of the lift of one side."""
    mine = [beat.middle_s for beat in beats if beat.side == beats[0].side]
    return (mine[-1] - mine[0]) / (len(mine) - 1)


def independent_events(balance: Balance, gear: Escapement, turning_deg: float, push_deg: float, swings: int):
    """Contacts, unlockings, drops and turns by scipy's integrator in seconds and radians, event by event."""
    omega2 = (2 * math.pi / balance.period_s) ** 2
    damping = 2 * math.pi / balance.period_s / balance.q
    half, unlock = math.radians(gear.lift_deg) / 2, math.radians(gear.unlocking_deg)
    middle, push = math.radians(gear.offset_deg), math.radians(push_deg)
    rubbing = math.radians(balance.dry_friction_deg)
    time, state, side = 0.0, [math.radians(turning_deg), 0.0], -1
    found = []
    for _ in range(swings):
        edges = [middle - side * half, middle - side * (half - unlock), middle + side * half]
        forces = [0.0, -gear.unlocking_resistance * push, push, 0.0]
        names = ["contact", "unlocking", "drop", "turn"]
        for name, force, edge in zip(names, forces, [*edges, None], strict=True):
            load = side * (force - rubbing)

            def slope(t, y, load=load):
                return [
                    y[1],
                    omega2 * (load - y[0] * (1 + balance.cubic_per_rad2 * y[0] ** 2)) - damping * y[1],
                ]

            def reached(t, y, edge=edge):
                return y[1] if edge is None else y[0] - edge

            reached.terminal = True
            reached.direction = -side if edge is None else side
            run = solve_ivp(
                slope,
                (time, time + balance.period_s),
                state,
                "DOP853",
                events=reached,
                rtol=1e-12,
                atol=1e-14,
            )
            time, state = run.t_events[0][0], list(run.y_events[0][0])
            found.append((name, time, math.degrees(state[0])))
        state[1], side = 0.0, -side
    return found


def test_every_event_agrees_with_an_independent_integration():
    balance = Balance(15.0, q=80.0, cubic_per_rad2=2e-3, dry_friction_deg=0.2)
    gear = Escapement(lift_deg=18.0, offset_deg=4.0, unlocking_deg=3.0, unlocking_resistance=0.5)
    push, turning = steady_swing(balance, gear, Drive(arc_deg=290.0))
    turning += 7.0  # away from the steady swing, so that the arc moves too
    swings = 24
    expected = independent_events(balance, gear, turning, push, swings)
    beats = list(
        swing_beats(
            balance,
            gear,
            Drive(arc_deg=None, push_deg=push),
            turning_deg=turning,
            push_deg=push,
            duration_s=swings * 7.6,
            rng=np.random.default_rng(0),
        )
    )[:swings]
    ours = [t for b in beats for t in (b.contact_s, b.unlocking_s, b.drop_s, b.turn_s)]
    theirs = [time for _, time, _ in expected]
    # The other integrator's tolerance of 1e-12 a step adds to 1e-10 s over 24 swings; 1e-8 s leaves room.
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-8)
    turns = [turning, *(angle for name, _, angle in expected if name == "turn")]
    arcs = [abs(b - a) for a, b in pairwise(turns)]
    np.testing.assert_allclose([b.arc_deg for b in beats], arcs, rtol=0, atol=1e-8)


@pytest.mark.parametrize("arc_deg", [120.0, 300.0, 520.0])
@pytest.mark.parametrize("offset_deg", [0.0, -7.0])
def test_the_steady_arc_is_the_wanted_one(arc_deg, offset_deg):
    clock = TwinClock(
        balance=Balance(20.0, q=150.0, cubic_per_rad2=1e-4, dry_friction_deg=0.02),
        escapement=Escapement(lift_deg=20.0, offset_deg=offset_deg),
        drive=Drive(arc_deg=arc_deg),
    )
    arcs = [beat.arc_deg for beat in beats_of(clock, 600.0)]
    np.testing.assert_allclose(arcs[0::2] + np.array(arcs[1::2]), 2 * arc_deg, rtol=1e-9)


def test_the_push_pays_for_the_drag():
    q, arc, gear = 1000.0, 400.0, Escapement(lift_deg=20.0, unlocking_deg=2.0, unlocking_resistance=0.3)
    push, _ = steady_swing(Balance(60.0, q=q), gear, Drive(arc_deg=arc))
    work = math.radians(push) * math.radians(18.0 - 0.3 * 2.0)
    lost = math.pi / (2 * q) * math.radians(arc / 2) ** 2  # of a pure sine; the true swing differs by 1 / Q
    assert work == pytest.approx(lost, rel=2 / q)


def test_a_stated_push_finds_its_own_arc():
    gear = Escapement(lift_deg=20.0, offset_deg=2.0)
    push, turning = steady_swing(Balance(60.0, q=300.0), gear, Drive(arc_deg=430.0))
    again, found = steady_swing(Balance(60.0, q=300.0), gear, Drive(arc_deg=None, push_deg=push))
    assert again == push
    assert found == pytest.approx(turning, rel=1e-8)


@pytest.mark.parametrize(
    ("q", "half_arc_deg", "simulated"), [(100.0, 270.0, 1.85390e-4), (1000.0, 180.0, 2.78223e-5)]
)
def test_escapement_deviation(q, half_arc_deg, simulated):
    # d nu / nu = -tan(psi) / (2 Q), sin psi = theta_i / A: a short impulse at theta_i = 10 deg after the
    # middle (a standard result, e.g. A. L. Rawlings, The Science of Clocks and Watches: from memory).
    # `simulated` is an independent event-driven simulation of this case, 1/(8 Q^2) of the damping taken off.
    gear = Escapement(lift_deg=20.002, unlocking_deg=20.0, unlocking_resistance=0.0)
    clock = TwinClock(Balance(15.0, q=q), gear, Drive(arc_deg=2 * half_arc_deg))
    longer = clock.steady_period_s() / 15.0 - 1 - 1 / (8 * q * q)
    law = math.tan(math.asin(10.0 / half_arc_deg)) / (2 * q)
    assert longer == pytest.approx(law, rel=1 / q)  # the law is of first order in 1/Q
    assert longer == pytest.approx(simulated, rel=3e-6)  # six digits are given


def test_beat_error_and_offset_follow_the_sine():
    clock = TwinClock(Balance(60.0, q=1e4), Escapement(lift_deg=20.0, offset_deg=10.0), Drive(arc_deg=360.0))
    middles = [beat.middle_s for beat in beats_of(clock, 125.0)]
    assert beats_of(clock, 60.0)[0].side == "a"
    # T 60 s, A 180 deg, offset 10 deg: 31.06158 s and 28.93842 s, half difference 1.06158 s (closed form);
    # drag and push bend the swing by the order of 1/Q of that.
    assert (middles[1] - middles[0] - (middles[2] - middles[1])) / 2 == pytest.approx(1.06158, rel=5e-4)


def test_lift_passage_gives_the_arc_back():
    clock = TwinClock(Balance(15.0, q=1e4), Escapement(lift_deg=20.0), Drive(arc_deg=540.0))
    beat = beats_of(clock, 30.0)[2]
    # T 15 s, A 270 deg, lift 20 deg: 0.176879 s (closed form)
    assert beat.drop_s - beat.contact_s == pytest.approx(0.176879, rel=2e-4)


def test_drive_lost_and_regained():
    clock = TwinClock(
        Balance(15.0, q=60.0),
        drive=Drive(arc_deg=300.0),
        changes=(DriveChange(150.0, 0.0), DriveChange(300.0, 1.0)),
    )
    beats = beats_of(clock, 1500.0)
    arcs = {round(b.middle_s): b.arc_deg for b in beats}
    lost = [b.arc_deg for b in beats if 165 < b.middle_s < 290]
    np.testing.assert_allclose(np.diff(np.log(lost)), -math.pi / 120, rtol=1e-3)  # exp(-pi / 2Q) a swing
    assert beats[0].arc_deg == pytest.approx(300.0)
    assert min(arcs.values()) < 190
    assert beats[-1].arc_deg == pytest.approx(300.0, abs=1.0)  # five settling times later


def test_a_slipped_clamp_shifts_the_beat():
    clock = TwinClock(Balance(15.0), changes=(BeatShift(100.0, 5.0),))
    offsets = [(b.middle_s, b.offset_deg) for b in beats_of(clock, 200.0)]
    assert {o for t, o in offsets if t < 100} == {0.0}
    assert {o for t, o in offsets if t > 108} == {5.0}


def test_a_knock_moves_the_balance_and_a_hold_stops_it():
    plain = TwinClock(Balance(15.0, q=1e6), drive=Drive(arc_deg=300.0))
    moved = TwinClock(
        Balance(15.0, q=1e6),
        drive=Drive(arc_deg=300.0),
        changes=(CaseKnock(60.0, angle_deg=10.0), Halt(130.0)),
    )
    before, after = beats_of(plain, 200.0), beats_of(moved, 200.0)
    assert after[0] == before[0]
    assert max(b.arc_deg for b in after if math.isfinite(b.arc_deg)) == pytest.approx(320.0, abs=0.5)
    assert after[-1].contact_s < 130 < before[-1].contact_s


def test_a_knock_that_turns_the_balance_back_ends_its_swing():
    turned = TwinClock(Balance(15.0), changes=(CaseKnock(3.0, speed_deg_per_s=200.0),))
    beats = beats_of(turned, 60.0)
    assert [b.side for b in beats[:4]] == ["a", "b", "a", "b"]
    assert beats[0].contact_s > 7.5  # the first passage, due at 3.75 s, never came


def test_knocks_and_holds_within_the_lift():
    clock = TwinClock(Balance(15.0))
    plain = beats_of(clock, 60.0)
    within_s = (plain[2].contact_s + plain[2].drop_s) / 2
    held = beats_of(replace(clock, changes=(Halt(within_s),)), 60.0)
    assert len(held) == 3
    assert held[2].contact_s == plain[2].contact_s
    assert math.isnan(held[2].drop_s)
    assert math.isnan(held[2].arc_deg)
    onwards = beats_of(replace(clock, changes=(CaseKnock(within_s, angle_deg=-1.0),)), 60.0)
    assert plain[2].side == "a"  # moving towards the negative, so 1 deg further on
    assert plain[2].drop_s - 0.1 < onwards[2].drop_s < plain[2].drop_s
    back = beats_of(replace(clock, changes=(CaseKnock(within_s, speed_deg_per_s=300.0),)), 60.0)
    assert math.isnan(back[2].drop_s)
    assert [b.side for b in back[2:5]] == [
        "a",
        "a",
        "b",
    ]  # side b left the lift backwards: no contact, no drop


def test_too_long_an_arc_strikes_the_fork_from_outside():
    gear = Escapement(lift_deg=20.0, knock_arc_deg=600.0)
    clock = TwinClock(
        Balance(15.0), gear, Drive(arc_deg=500.0), start_arc_deg=598.0, sounds=("contact", "drop", "knock")
    )
    assert not (clock.run(60.0, 0)[1].kind == "knock").any()
    kicked = TwinClock(
        Balance(15.0),
        gear,
        Drive(arc_deg=590.0),
        sounds=("contact", "drop", "knock"),
        changes=(CaseKnock(7.6, angle_deg=-20.0),),
    )
    beats, events = kicked.run(60.0, 0)
    assert (events.kind == "knock").sum() >= 1
    assert max(b.arc_deg for b in beats) < 615.0


def test_warmth_slows_the_clock():
    warm = Temperature((0.0, 1e6), (8.0, 8.0))
    cold = TwinClock(Balance(15.0, period_ppm_per_k=158.5))
    heated = TwinClock(Balance(15.0, period_ppm_per_k=158.5), temperature=warm)
    ratio = mean_period_s(beats_of(heated, 300.0)) / mean_period_s(beats_of(cold, 300.0))
    assert ratio - 1 == pytest.approx(8 * 158.5e-6, rel=1e-9)


def test_the_drive_wanders_by_the_stated_amount():
    clock = TwinClock(Balance(1.0, q=100.0), drive=Drive(arc_deg=300.0, wander_percent=2.0, wander_beats=5.0))
    pushes = np.array([b.push_deg for b in beats_of(clock, 3000.0, seed=4)])
    # 6000 beats with a memory of 5 hold about 600 independent ones: 3 % standard error, three of them allowed
    assert pushes.std() / pushes.mean() == pytest.approx(0.02, rel=0.1)
    lag = np.corrcoef(pushes[:-5], pushes[5:])[0, 1]
    assert lag == pytest.approx(math.exp(-1), abs=0.1)


def test_the_period_walks_by_the_stated_amount():
    steps = []
    for seed in range(40):
        clock = TwinClock(Balance(20.0), period_walk_ppm_per_sqrt_h=30.0)
        beats = beats_of(clock, 3600.0, seed)
        steps.append(1e6 * (beats[-1].middle_s - beats[-3].middle_s) / clock.steady_period_s() - 1e6)
    assert np.std(steps) == pytest.approx(30.0, rel=0.35)  # 40 draws: 11 % standard error, three of them


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Balance(0.0), "period 0 s cannot be simulated"),
        (lambda: Balance(60.0, q=0.5), "Q 0.5 is outside 2"),
        (lambda: Balance(60.0, dry_friction_deg=-1.0), "dry friction -1 deg is negative"),
        (lambda: Balance(60.0, cubic_per_rad2=7.0), "outside -0.01 to 1"),
        (lambda: Escapement(lift_deg=200.0), "lift 200 deg is outside 0.5 to 120"),
        (lambda: Escapement(lift_deg=10.0, unlocking_deg=10.0), "must lie within the lift"),
        (lambda: Escapement(offset_deg=math.nan), "offset nan deg is outside -180 to 180"),
        (lambda: Temperature((0.0, 1.0), (5.0,)), "2 times and 1 temperatures"),
        (lambda: Temperature((2.0, 1.0), (5.0, 6.0)), "times rising"),
        (lambda: VoiceSet(drop_peak=0.0), "a drop's peak of 0 is outside"),
        (lambda: VoiceSet(banking="gong"), "no voice 'gong'"),
        (lambda: TwinClock(start_arc_deg=-5.0), "a first arc of -5 deg"),
        (lambda: Escapement(unlocking_resistance=-1.0), "outside 0 to 2 times the push"),
        (lambda: Drive(arc_deg=0.0), "arc 0 deg is outside 1 to 1500"),
        (lambda: Drive(arc_deg=300.0, push_deg=2.0), "not both"),
        (lambda: Drive(wander_percent=80.0), "outside 0 to 50"),
        (lambda: Drive(wander_beats=0.0), "more than 0"),
        (lambda: Drive(arc_deg=None, push_deg=400.0), "outside 0 to 360"),
        (lambda: steady_swing(Balance(60.0), Escapement(), Drive(arc_deg=20.0)), "does not clear the lift"),
        (
            lambda: steady_swing(Balance(60.0), Escapement(), Drive(arc_deg=None, push_deg=1e-4)),
            "cannot keep this balance swinging",
        ),
        (
            lambda: steady_swing(
                Balance(60.0), Escapement(10.0, unlocking_deg=9.0, unlocking_resistance=1.0), Drive()
            ),
            "unlocking takes more",
        ),
        (lambda: TwinClock(sounds=("boom",)), "unknown kind of sound boom"),
        (lambda: TwinClock(jitter_ms=-1.0), "outside 0 to 50"),
        (lambda: TwinClock(start_s=1.0), "at or before 0 s"),
    ],
)
def test_what_cannot_be_is_refused(make, words):
    with pytest.raises(InputError, match=words):
        make()
