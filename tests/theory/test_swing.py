"""Arc, offset and lift passage against the moving balance itself, root finding and chance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from uncertainties import ufloat, wrap

from torsionbeat.errors import InputError
from torsionbeat.theory import swing

PERIOD_S = 15.0

# (arc, lift, offset) in degrees: usual clocks, a lift comparable with the swing, offsets of both signs.
CASES = [
    (270, 20, 0),
    (270, 20, 5),
    (270, 20, -30),
    (540, 12, 100),
    (60, 40, 9),
    (60, 40, -9.9),
    (200, 60, 69),
]


def event_times(arc: float, lift: float, offset: float, decay_per_s: float = 0.0) -> dict[str, list[float]]:
    """Integrate the balance; times at which it crosses the two ends of the lift, by direction."""
    omega = 2 * math.pi / PERIOD_S
    ends = (offset - lift / 2, offset + lift / 2)

    def crossing(end: float, direction: int):
        def event(t: float, state: np.ndarray) -> float:
            return float(state[0] - end)

        event.direction = direction
        return event

    found = solve_ivp(
        lambda t, s: [s[1], -(omega**2 + decay_per_s**2) * s[0] - 2 * decay_per_s * s[1]],
        (0, 1.6 * PERIOD_S),
        [-arc / 2, -decay_per_s * (-arc / 2)],
        events=[crossing(ends[0], 1), crossing(ends[1], 1), crossing(ends[1], -1), crossing(ends[0], -1)],
        rtol=1e-11,
        atol=1e-11,
        max_step=PERIOD_S / 20,
    )
    names = ("b contact", "b drop", "a contact", "a drop")
    return dict(zip(names, (list(times) for times in found.t_events), strict=True))


@pytest.mark.parametrize(("arc", "lift", "offset"), CASES)
def test_integrated_balance_gives_back_arc_and_offset(arc, lift, offset):
    """The start is a turning point, so the first passage, towards positive angles, is side b by our sign."""
    t = event_times(arc, lift, offset)
    b_passage, a_passage = t["b drop"][0] - t["b contact"][0], t["a drop"][0] - t["a contact"][0]
    b_middle = [(c + d) / 2 for c, d in zip(t["b contact"], t["b drop"], strict=False)]
    a_middle = (t["a contact"][0] + t["a drop"][0]) / 2
    beat_error_ms = 1e3 * ((b_middle[1] - a_middle) - (a_middle - b_middle[0])) / 2
    drops_ms = 1e3 * ((t["b drop"][1] - t["a drop"][0]) - (t["a drop"][0] - t["b drop"][0])) / 2

    # Integration to 1e-11 leaves about 1e-8 in the times;
    # a millionth of a degree is far above what that makes.
    near = pytest.approx
    assert b_passage == near(a_passage, abs=1e-7)
    assert drops_ms == near(beat_error_ms, abs=1e-3)
    assert swing.lift_passage_s(arc, PERIOD_S, lift, offset) == near(b_passage, abs=1e-7)
    assert swing.arc_deg(b_passage, PERIOD_S, lift, offset) == near(arc, rel=1e-5)
    assert swing.beat_error_ms(offset, arc, PERIOD_S, lift) == near(beat_error_ms, abs=1e-3)
    assert swing.offset_deg(beat_error_ms, arc, PERIOD_S, lift) == near(offset, abs=1e-4)
    both = swing.arc_and_offset_deg(b_passage, beat_error_ms, PERIOD_S, lift)
    assert both == (near(arc, rel=1e-5), near(offset, abs=1e-4))


def test_dying_swing_gives_the_arc_of_its_envelope():
    """Viscous loss with Q = 100: the arc found belongs to the middle of the passage."""
    decay = math.pi / (100 * PERIOD_S)
    t = event_times(270, 20, 0, decay)
    contact, drop = t["b contact"][0], t["b drop"][0]
    # Envelope about its value at the turning point it started from, (1 + (decay/omega)^2)^(1/2) there.
    envelope = 270 * math.exp(-decay * (contact + drop) / 2) * math.hypot(1, decay * PERIOD_S / (2 * math.pi))
    # Second order in the loss of one passage (decay * 0.35 s = 7e-4) and 1/Q^2 = 1e-4.
    assert swing.arc_deg(drop - contact, PERIOD_S, 20) == pytest.approx(envelope, rel=1e-4)


def test_arc_solves_the_passage_equation():
    """Closed form against root finding on the equation with the two arcsines."""

    def passage(amplitude: float, lift: float, offset: float) -> float:
        phases = [math.asin((offset + side * lift / 2) / amplitude) for side in (1, -1)]
        return PERIOD_S / (2 * math.pi) * (phases[0] - phases[1])

    for time_s, lift, offset in [(0.2, 20, 8), (0.3, 12, -40), (1.5, 60, 10), (0.01, 5, 1)]:
        smallest = abs(offset) + lift / 2
        amplitude = brentq(
            lambda a, g=lift, d=offset, t=time_s: passage(a, g, d) - t, smallest, 1e5, xtol=1e-10
        )
        # brentq's own tolerance on an amplitude of 20 deg and more.
        assert swing.arc_deg(time_s, PERIOD_S, lift, offset) == pytest.approx(2 * amplitude, rel=1e-10)


def test_round_trips_over_arrays():
    rng = np.random.default_rng(1)
    arc, lift = rng.uniform(150, 700, 2000), rng.uniform(2, 60, 2000)
    offset = rng.uniform(-1, 1, 2000) * np.minimum((arc - lift) / 2.001, 180)
    passage = swing.lift_passage_s(arc, PERIOD_S, lift, offset)
    # Near a turning point the inverse sine loses half the digits: 1e-7 is ten times the root of
    # double precision.
    np.testing.assert_allclose(swing.arc_deg(passage, PERIOD_S, lift, offset), arc, rtol=1e-7)
    error = swing.beat_error_ms(offset, arc, PERIOD_S, lift)
    np.testing.assert_allclose(swing.offset_deg(error, arc, PERIOD_S, lift), offset, atol=1e-5)
    found_arc, found_offset = swing.arc_and_offset_deg(passage, error, PERIOD_S, lift)
    np.testing.assert_allclose(found_arc, arc, rtol=1e-7)
    np.testing.assert_allclose(found_offset, offset, atol=1e-5)


def test_limits_of_the_passage():
    half_period = PERIOD_S / 2
    # Turns round at both ends of the lift.
    assert swing.arc_deg(half_period, PERIOD_S, 20) == pytest.approx(20, rel=1e-12)
    for impossible in (0.0, -0.1, half_period * 1.001, math.nan):
        assert math.isnan(swing.arc_deg(impossible, PERIOD_S, 20))
    # With an offset of 10 and a lift of 20 the longest passage ends at the turning point of an arc of 40.
    longest = swing.lift_passage_s(40, PERIOD_S, 20, 10)
    assert swing.arc_deg(longest, PERIOD_S, 20, 10) == pytest.approx(40, rel=1e-7)
    assert math.isnan(swing.arc_deg(longest * 1.0001, PERIOD_S, 20, 10))
    assert math.isnan(swing.lift_passage_s(39.99, PERIOD_S, 20, 10))
    assert math.isnan(swing.beat_error_ms(10, 39.99, PERIOD_S, 20))
    assert math.isnan(swing.offset_deg(7501, 270, PERIOD_S))
    assert np.isnan(swing.arc_and_offset_deg(5.0, 3000, PERIOD_S, 20)).all()


def test_missed_beat_passes_through_as_nan():
    arcs = swing.arc_deg([0.354, math.nan, 0.354], PERIOD_S, 20)
    assert np.isnan(arcs).tolist() == [False, True, False]


def test_small_swing_limit_is_passage_over_speed():
    """A short lift is crossed at the speed of the middle, to (lift / arc)^2 / 6."""
    speed = swing.middle_speed_deg_per_s(270, PERIOD_S, 20)
    assert swing.lift_passage_s(270, PERIOD_S, 0.01, 20) == pytest.approx(0.01 / speed, rel=1e-8)


def test_symmetric_swing_has_no_beat_error():
    assert swing.beat_error_ms(0, 270, PERIOD_S, 20) == 0
    assert swing.offset_deg(0, 270, PERIOD_S, 20) == 0


def test_wrapped_for_uncertainty():
    """Lift known to 0.5 deg: the arc of a centred swing is known to the same fraction."""
    arc = wrap(swing.arc_deg)(0.354, PERIOD_S, ufloat(20, 0.5))
    assert arc.std_dev / arc.nominal_value == pytest.approx(0.025, rel=1e-4)  # numerical derivative


@pytest.mark.parametrize("lift", [0.0, 20.0, 150.0])
@pytest.mark.parametrize("after_deg", [7.0, -4.0, -2.0])
def test_two_offsets_give_the_arc(lift, after_deg):
    before = swing.beat_error_ms(2.0, 270, PERIOD_S, lift)
    after = swing.beat_error_ms(after_deg, 270, PERIOD_S, lift)
    arc = swing.arc_from_two_offsets_deg(after_deg - 2, before, after, PERIOD_S, lift)
    assert arc == pytest.approx(270, rel=1e-10)


def test_two_offsets_on_the_same_side_of_a_wide_lift():
    before, after = (swing.beat_error_ms(offset, 200, PERIOD_S, 60) for offset in (55.0, 65.0))
    assert swing.arc_from_two_offsets_deg(10, before, after, PERIOD_S, 60) == pytest.approx(200, rel=1e-10)


def test_two_offsets_without_the_lift_reads_low_as_stated():
    before, after = (swing.beat_error_ms(offset, 270, PERIOD_S, 20) for offset in (-3.0, 3.0))
    arc = swing.arc_from_two_offsets_deg(6.0, before, after, PERIOD_S)
    # Next order is (lift / arc)^4 and (offset / arc)^2 of the correction: a twentieth of it.
    assert arc / 270 - 1 == pytest.approx(-((20 / 270) ** 2) / 2, rel=0.05)


def test_two_offsets_uncertainty_against_chance():
    rng = np.random.default_rng(2)
    change, before, after = ufloat(6, 0.2), ufloat(-106.2, 3.0), ufloat(106.2, 3.0)
    arc = swing.arc_from_two_offsets_deg(change, before, after, ufloat(PERIOD_S, 1e-4), 20)
    drawn = [
        swing.arc_from_two_offsets_deg(c, b, a, PERIOD_S, 20)
        for c, b, a in zip(
            rng.normal(6, 0.2, 4000), rng.normal(-106.2, 3, 4000), rng.normal(106.2, 3, 4000), strict=True
        )
    ]
    # A standard deviation from 4000 draws is known to 1.1 %; three of these, and 1 % for the second order.
    assert arc.std_dev == pytest.approx(np.std(drawn), rel=0.045)


def test_two_offsets_that_do_not_differ_are_refused():
    with pytest.raises(InputError, match=r"too near each other.*move the beat setting further"):
        swing.arc_from_two_offsets_deg(3, ufloat(10, 2), ufloat(13, 2), PERIOD_S)
    with pytest.raises(InputError, match="too near each other"):
        swing.arc_from_two_offsets_deg(3, 10.0, 10.0, PERIOD_S)
    with pytest.raises(InputError, match=r"no arc fits a lift of 60 deg and a change of offset of 5 deg"):
        swing.arc_from_two_offsets_deg(5, -2387.0, 4297.0, PERIOD_S, 60)
    with pytest.raises(InputError, match=r"change of offset is 0 deg; it must lie above 0"):
        swing.arc_from_two_offsets_deg(0, 10.0, 20.0, PERIOD_S)
    with pytest.raises(InputError, match=r"beat error after is 7600 ms; it must lie between 0 and 7500"):
        swing.arc_from_two_offsets_deg(3, 10.0, 7600.0, PERIOD_S)


def test_knock_margin_and_clearance():
    assert swing.knock_margin_deg(300, 340) == 20
    assert swing.knock_margin_deg(350, 340) == -5  # it knocks
    # Half a turn at a radius of 1 mm is pi mm.
    assert swing.knock_clearance_mm(180, 1.0) == pytest.approx(math.pi, rel=1e-15)


def test_middle_speed():
    assert swing.middle_speed_deg_per_s(270, PERIOD_S) == pytest.approx(math.pi * 270 / PERIOD_S, rel=1e-15)
    assert math.isnan(swing.middle_speed_deg_per_s(20, PERIOD_S, 11))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: swing.arc_deg(0.3, -15, 20), r"period is -15 s; it must lie above 0 and at most 600 s.*out"),
        (lambda: swing.arc_deg(0.3, 15, 0), r"lift is 0 deg; it must lie above 0 and at most 180 deg"),
        (lambda: swing.arc_deg(0.3, 15, 20, 200), r"offset is 200 deg; it must lie between -180 and 180 deg"),
        (lambda: swing.lift_passage_s(-270, 15, 20), r"arc is -270 deg; .*turning point to turning point"),
        (lambda: swing.lift_passage_s([270, 1e9], 15, 20), r"arc is 1e\+09 deg"),
        (lambda: swing.beat_error_ms(1, 270, 15, -1), r"lift is -1 deg; it must lie between 0 and 180 deg"),
        (lambda: swing.offset_deg(1, 270, math.inf), r"period is inf s"),
        (lambda: swing.arc_deg(0.3, 15, math.nan), r"lift is nan deg"),
        (lambda: swing.knock_clearance_mm(10, -2), r"radius is -2 mm"),
        (lambda: swing.knock_margin_deg(300, 0), r"knock arc is 0 deg"),
        (lambda: swing.arc_deg(0.3, "fifteen", 20), r"period is 'fifteen'; it must be a number"),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_knock_is_nearer_by_the_offset():
    """Knock at 340, arc 300: 20 deg of room at either turning point; an offset of 4 deg takes 4 of one of them."""
    assert swing.knock_margin_deg(300, 340) == pytest.approx(20, rel=1e-15)
    for offset in (4.0, -4.0):
        assert swing.knock_margin_deg(300, 340, offset) == pytest.approx(16, rel=1e-15)
