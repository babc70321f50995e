"""The recorder's crystal against the computer's clock: found in spite of jitter, steps and interruptions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.sound import hostfit, timebase
from torsionbeat.sound.hostclock import HostState
from torsionbeat.sound.timebase import (
    HOST_HALF_WIDTH_S,
    ClockRow,
    Timebase,
    clock_steps,
    host_timebase,
    stated_timebase,
    unknown_timebase,
)

RATE_HZ = 48_000


def journal(ppm, seed, *, minutes=30, late_s=5e-3, jitter_s=5e-3, host_s=0.0, steps=(), breaks=()):
    """One row a second of a crystal that runs ``ppm`` fast.

    Each arrival scatters both ways (normal, ``jitter_s``) and is late besides (exponential, ``late_s``);
    the host's clock is off by up to ``host_s`` at either end; ``steps`` are (second, s) of the clock of
    day; at each of ``breaks`` sound is lost and counted only to within 50 ms, which begins a new stretch.
    """
    rng = np.random.default_rng(seed)
    true_s = np.arange(60.0 * minutes)
    frame = np.floor(true_s * RATE_HZ * (1 + ppm * 1e-6)).astype(np.int64)
    host_s = np.interp(true_s, true_s[[0, -1]], rng.uniform(-host_s, host_s, 2)) if host_s else 0.0
    seen_s = true_s + host_s + rng.normal(0, jitter_s, true_s.size) + rng.exponential(late_s, true_s.size)
    stretch = np.zeros(true_s.size, np.int64)
    for second in breaks:
        stretch[second:] += 1
        frame[second:] += round(rng.uniform(-0.05, 0.05) * RATE_HZ)
    utc_s = seen_s.copy()
    for second, step_s in steps:
        utc_s[second:] += step_s
    seen_ns, utc_ns = (np.round(1e9 * clock_s).astype(np.int64) for clock_s in (seen_s, utc_s))
    columns = (stretch, frame, 5_000_000_000 + seen_ns, 1_700_000_000_000_000_000 + utc_ns)
    return np.column_stack(columns).astype(np.int64)


def test_fifty_ppm_are_found_through_jitter_and_steps():
    rows = journal(50.0, 1, steps=((400, 2.5), (1300, -0.4)))
    found = host_timebase([ClockRow(*row.tolist()) for row in rows], RATE_HZ, True)
    assert found.source == "host clock"
    assert found.synchronised is True
    assert abs(found.offset_ppm - 50) < 1.96 * found.standard_uncertainty_ppm
    # 30 ms at either end of half an hour, as rectangles, are 13.6 ppm
    assert found.standard_uncertainty_ppm == pytest.approx(13.7, abs=0.2)
    assert found.steps == ()
    assert [round(step_s, 1) for _, step_s in clock_steps(rows)] == [2.5, -0.4]
    assert [frame for frame, _ in clock_steps(rows)] == [rows[400, 1], rows[1300, 1]]


@pytest.mark.parametrize(
    "case",
    [
        {"host_s": HOST_HALF_WIDTH_S, "steps": ((400, 2.5), (1300, -0.4))},
        {"steps": ((400, 2.5), (1300, -0.4))},
        {"late_s": 30e-3, "jitter_s": 1e-3},
        {"minutes": 5},
        {"breaks": (300, 700, 1500)},
    ],
    ids=["host clock off", "host clock perfect", "busy computer", "five minutes", "interruptions"],
)
def test_interval_holds_the_truth_95_times_in_100(case, monkeypatch):
    """Over 200 seeds; 90 to 99 % is what sampling 95 % allows. The host's own error is simulated as it is
    assumed.
    """
    monkeypatch.setattr(timebase, "HOST_HALF_WIDTH_S", case.get("host_s", 0.0))
    monkeypatch.setattr(timebase, "_hidden", lambda _: 0.0)  # no loss is hidden in these rows
    held = 0
    for seed in range(200):
        found = host_timebase(journal(50.0, seed, **case), RATE_HZ, True)
        held += abs(found.offset_ppm - 50) <= 1.96 * found.standard_uncertainty_ppm
    assert 180 <= held <= 198


def test_a_night_is_as_well_known_as_the_computers_clock():
    """The fit itself finds 0.1 ppm, 9 ms a day. Two readings of a clock kept to 30 ms, 8 h apart: 0.85 ppm."""
    found = host_timebase(journal(-37.0, 3, minutes=8 * 60), RATE_HZ, True)
    assert abs(found.offset_ppm + 37) < 0.1
    assert found.standard_uncertainty_ppm == pytest.approx(0.86, abs=0.02)
    told = [HostState(True, 1e-3, 2e-4, 0.0, -12.0)] * 50
    better = host_timebase(journal(-37.0, 3, minutes=8 * 60), RATE_HZ, True, told)
    assert better.standard_uncertainty_ppm < 0.15  # its system states 1 ms


@pytest.mark.parametrize(("hours", "ppm"), [(24, 0.49), (1, 11.8)])
def test_two_readings_of_30_ms_some_hours_apart(hours, ppm):
    """The worked example for network time (RFC 1128's tens of ms): sqrt 2 x 30 ms / 86 400 s is 0.49 ppm, in an hour 11.8.

    There 30 ms are a standard error; here they are the half-width of a rectangle, a root of 3 smaller.
    """
    found = host_timebase(journal(0.0, 3, minutes=hours * 60, jitter_s=0.0, late_s=0.0), RATE_HZ, True)
    # the span of the fit is shorter than the record by a segment's leftovers
    assert found.standard_uncertainty_ppm == pytest.approx(ppm / math.sqrt(3), rel=0.03)


def test_a_computer_busy_for_the_last_third_does_not_shift_the_answer():
    rows = journal(50.0, 4, jitter_s=1e-3)
    rng = np.random.default_rng(5)
    rows[1200:, 2] += rng.choice([0, 200_000_000], p=[0.25, 0.75], size=600)
    found = host_timebase(rows, RATE_HZ, True)
    assert abs(found.offset_ppm - 50) < 2
    assert found.silent == ()


@pytest.mark.parametrize("synchronised", [False, None])
def test_clock_that_nobody_keeps_is_as_little_known_as_a_sound_card(synchronised):
    found = host_timebase(journal(50.0, 1), RATE_HZ, synchronised)
    assert found.synchronised is synchronised
    assert found.standard_uncertainty_ppm == pytest.approx(50 / math.sqrt(3), rel=0.01)
    assert found.offset_ppm == pytest.approx(50, abs=3)


def test_large_offsets_are_exact():
    """Without jitter only the rounding to whole frames is left: 1/48000 s in 1800 s, 0.01 ppm."""
    found = host_timebase(journal(2000.0, 1, late_s=0.0, jitter_s=0.0), RATE_HZ, True)
    assert found.offset_ppm == pytest.approx(2000, abs=0.02)


@pytest.mark.parametrize("rows", [[], journal(50.0, 1)[:39], journal(50.0, 1)[:50]])
def test_too_little_says_unknown(rows):
    assert host_timebase(rows, RATE_HZ, True) == unknown_timebase()


def test_unknown_is_a_rectangle_of_fifty_ppm():
    assert unknown_timebase() == Timebase("unknown", 0.0, 50 / math.sqrt(3))


def test_stated():
    assert stated_timebase(12.5) == Timebase("stated", 12.5, 0.5)
    assert stated_timebase(12.5, 2.0).standard_uncertainty_ppm == 2.0


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (("guess", 0.0, 1.0), "source is 'guess'; use host clock"),
        (("stated", 1e6, 1.0), "off by 1e\\+06 ppm; at most 20000"),
        (("stated", float("nan"), 1.0), "off by nan ppm"),
        (("host clock", -1e6, 1.0), "off by -1e\\+06 ppm"),
        (("stated", 1.0, -1.0), "uncertainty is -1 ppm; it must be 0 or more"),
    ],
)
def test_timebase_refuses(values, message):
    with pytest.raises(InputError, match=message):
        Timebase(*values)


def test_segments_that_go_together_widen_the_interval():
    """Forty segments whose lateness remembers three of them: the line's error counts that, not their bare number."""
    x, group = np.arange(40.0), np.zeros(40, np.int64)
    held, wider = 0, []
    for seed in range(200):
        rng = np.random.default_rng([seed, 21])
        late = np.zeros(60)
        for segment in range(1, 60):
            late[segment] = 0.7 * late[segment - 1] + rng.standard_normal()
        slope, error = hostfit._line(x, late[20:], group, 38)
        held += abs(slope) <= 1.96 * error
        rest = late[20:] - np.polyval(np.polyfit(x, late[20:], 1), x)
        wider.append(error / math.sqrt(rest @ rest / 38 / np.sum((x - 19.5) ** 2)))
    assert held >= 160  # of 200; as independent segments they would hold 120
    assert np.median(wider) > 1.5


def test_few_segments_are_widened_by_student(monkeypatch):
    """Eighty rows make sixteen segments and leave fourteen degrees of freedom: 2.145 / 1.96 of the line's own error."""
    monkeypatch.setattr(hostfit, "_line", lambda *_: (0.0, 1e-6))
    seconds = np.arange(80.0)
    fit = hostfit.fit_host(
        np.zeros(80, np.int64), np.round(seconds * RATE_HZ).astype(np.int64), seconds, RATE_HZ
    )
    assert fit.error == pytest.approx(1e-6 * 2.14479 / 1.96, rel=1e-5)


FIT = hostfit.HostFit(-40e-6, 0.0, 3600.0, (), (), math.inf, 0.0)
"""A line through an hour without scatter: what is stated of it is the computer's clock's doubt alone."""

END_PPM = 1e6 * math.sqrt(2 / 3) / 3600
"""Of a second at either end of an hour, each a rectangle."""


def doubt(monkeypatch, *, fit=FIT, raw_s=None, states=(), synchronised=True):
    """Standard uncertainty stated for a fit, with a raw clock that goes as told beside the kept one."""
    monkeypatch.setattr(timebase, "fit_host", lambda *_: fit)
    kept_s = np.arange(1.0, 3601.0)
    rows = np.zeros((3600, 5), np.int64)
    rows[:, 2] = np.round(kept_s * 1e9)
    rows[:, 4] = 0 if raw_s is None else np.round(raw_s(kept_s) * 1e9)
    return host_timebase(rows, RATE_HZ, synchronised, states).standard_uncertainty_ppm


def test_the_ends_of_the_computers_clock_count_each_as_a_rectangle(monkeypatch):
    assert doubt(monkeypatch) == pytest.approx(0.030 * END_PPM)
    told = [HostState(True, 0.004, 0.001, -0.002, 0.0), HostState(True, 0.001, 0.003, 0.001, 0.0)]
    assert doubt(monkeypatch, states=told) == pytest.approx(0.006 * END_PPM)  # the worst: 4 ms and 2 to slew
    # a system that estimates no error states none
    assert doubt(monkeypatch, states=[HostState(True, 0.001, 0.0)]) == pytest.approx(0.030 * END_PPM)


def test_what_bends_against_the_recorder_may_be_the_clock_where_nothing_watches_it(monkeypatch):
    bent = FIT._replace(bend_s=0.050)
    assert doubt(monkeypatch, fit=bent) == pytest.approx(0.100 * END_PPM)
    small = FIT._replace(bend_s=0.010)
    assert doubt(monkeypatch, fit=small) == pytest.approx(0.030 * END_PPM)
    watched = doubt(monkeypatch, fit=bent, raw_s=lambda kept_s: kept_s)
    assert watched == pytest.approx(0.030 * END_PPM)  # its own crystal says that it was not slewed


ONE_SLEW_PPM = 1e6 * 0.128 / 3600
"""A clock that is off by more than 128 ms is set, not slewed: so much in an hour."""


@pytest.mark.parametrize(
    ("ppm", "odd"),
    [
        (49.0, 0.0),
        (51.0, ONE_SLEW_PPM),
        (149.0, ONE_SLEW_PPM),
        (151.0, 151.0),
        (400.0, 400.0),
        (3000.0, 500.0),
    ],
)
def test_an_offset_that_no_crystal_has_may_be_a_slew_of_at_most_500_ppm(monkeypatch, ppm, odd):
    fit = FIT._replace(slope=-ppm * 1e-6 / (1 + ppm * 1e-6))
    assert doubt(monkeypatch, fit=fit) == pytest.approx(math.hypot(0.030 * END_PPM, odd / math.sqrt(3)))


@pytest.mark.parametrize("crystal_ppm", [-45.0, 0.0, 40.0])
def test_a_slew_of_100_ppm_that_nothing_watches_stays_within_the_interval_of_ten_minutes(
    monkeypatch, crystal_ppm
):
    measured = crystal_ppm - 100.0
    fit = FIT._replace(slope=-measured * 1e-6 / (1 + measured * 1e-6), span_s=620.0)
    assert abs(measured - crystal_ppm) < 1.96 * doubt(monkeypatch, fit=fit)


def test_clocks_of_one_computer_that_go_apart_as_no_crystals_do(monkeypatch):
    apart = doubt(monkeypatch, raw_s=lambda kept_s: kept_s * (1 - 200e-6))
    # over 3599 s of rows the kept clock goes ahead by 200 ppm of its own
    assert apart == pytest.approx(math.hypot(0.030 * END_PPM, 200 / math.sqrt(3)), rel=1e-3)
    usual = doubt(monkeypatch, raw_s=lambda kept_s: kept_s * (1 - 100e-6))
    assert usual == pytest.approx(0.030 * END_PPM, rel=1e-3)


def test_a_bend_against_the_crystal_that_nothing_slews_counts_twice(monkeypatch):
    """Slewed by 0.1 s in the first half of the hour: it leaves the line between its ends by 0.05 s."""

    def raw_s(kept_s):
        return kept_s - np.interp(kept_s, [0, 1800], [0, 0.1])

    assert doubt(monkeypatch, raw_s=raw_s) == pytest.approx(2 * 0.05 * END_PPM, rel=0.01)
    # with nobody to keep it, a rectangle of 50 ppm and the bend besides
    expected = math.hypot(50.0, 2e6 * 0.05 / 3600) / math.sqrt(3)
    assert doubt(monkeypatch, raw_s=raw_s, synchronised=None) == pytest.approx(expected, rel=0.01)


def test_of_a_slew_that_is_known_and_taken_out_a_fifth_stays_in_doubt(monkeypatch):
    """The kernel adds -12 ppm for good; beyond that the clock went 0.36 s ahead in the hour."""

    def raw_s(kept_s):
        return kept_s * (1 + 12e-6) - np.interp(kept_s, [0, 3600], [0, 0.36])

    told = [HostState(True, 0.030, 0.001, 0.0, -12.0)]
    assert doubt(monkeypatch, raw_s=raw_s, states=told) == pytest.approx(0.2 * 0.36 * END_PPM, rel=1e-3)


def test_a_sleep_is_a_step_beyond_what_a_slew_makes_of_the_time(monkeypatch):
    def slept(step_s):
        return doubt(monkeypatch, raw_s=lambda kept_s: kept_s - step_s * (kept_s > 1800))

    # 50 ms and 1000 ppm of a second: beyond, the two part for another reason than slewing
    assert slept(0.052) == pytest.approx(0.030 * END_PPM)
    assert slept(0.050) > 0.040 * END_PPM


def test_losses_too_small_to_be_seen_count_by_the_tilt_that_they_make(monkeypatch):
    alone = {"states": [HostState(True, 1e-9, 1e-9, 0.0, 0.0)]}
    per_s = 1e6 / math.sqrt(3) / 3600
    hidden = doubt(monkeypatch, fit=FIT._replace(least_step_s=0.008), **alone)
    assert hidden == pytest.approx(0.5 * 0.008 * per_s, rel=1e-6)
    # above 10 ms the beats show it; that counts only where sound was lost in this recording
    large = FIT._replace(least_step_s=0.030)
    assert doubt(monkeypatch, fit=large, **alone) == pytest.approx(0.5 * 0.010 * per_s, rel=1e-6)
    lost = large._replace(steps=((5, 0.1),))
    assert doubt(monkeypatch, fit=lost, **alone) == pytest.approx(
        (0.5 * 0.010 + 1.5 * 0.020) * per_s, rel=1e-6
    )
    scatter = large._replace(error=3e-6)
    expected = math.hypot(3.0, 0.5 * 0.010 * per_s)
    assert doubt(monkeypatch, fit=scatter, **alone) == pytest.approx(expected, rel=1e-6)


def test_a_loss_that_the_count_may_hide_tilts_the_line_by_where_it_lies():
    """Least squares through rows that step, numpy's: with that half-width, whatever the place."""
    host = Timebase("host clock", 0.0, 3.0, True, unseen_s=0.030, span_s=3600.0)
    x = np.arange(3600.0)
    for at in (360, 1800, 3000):
        tilt_ppm = 1e6 * np.polyfit(x, 0.020 * (x >= at), 1)[0]
        doubt = host.in_doubt_by([(at / 3600, 0.020)])
        expected = math.hypot(3.0, tilt_ppm / math.sqrt(3))
        assert doubt.standard_uncertainty_ppm == pytest.approx(expected, rel=1e-3)
    assert host.in_doubt_by([(0.5, 0.031), (0.5, -0.020)]) == host
    assert stated_timebase(0.0).in_doubt_by([(0.5, 0.020)]) == stated_timebase(0.0)


def test_the_timebase_says_which_losses_may_be_hidden(monkeypatch):
    monkeypatch.setattr(timebase, "fit_host", lambda *_: FIT._replace(least_step_s=0.016))
    rows = np.column_stack([np.zeros(90, np.int64), *[np.arange(90) * 10**9] * 3])
    found = host_timebase(rows, RATE_HZ, True)
    # of a scatter of which the limit is eight, three more may lie between
    assert (found.unseen_s, found.span_s) == (pytest.approx(0.022), 3600.0)


def test_steps_of_the_clock_of_day_are_told_from_a_tenth_of_a_second_on():
    rows = [
        ClockRow(0, 48_000 * n, n * 10**9, n * 10**9 + (n > 2) * 10**8 - (n > 4) * 10**8) for n in range(6)
    ]
    assert [(frame, round(step_s, 6)) for frame, step_s in clock_steps(rows)] == [
        (144_000, 0.1),
        (240_000, -0.1),
    ]
    assert clock_steps(rows, least_s=0.11) == []
    assert clock_steps(rows[:1]) == []
