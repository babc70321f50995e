"""The recorder's crystal against the computer's clock: found in spite of jitter, steps and interruptions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.sound import hostclock, hostfit, timebase
from torsionbeat.sound.hostclock import HOST_HALF_WIDTH_S, HostState, true_pace
from torsionbeat.sound.timebase import (
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
    # 30 ms at either end of half an hour, as rectangles, are 13.6 ppm; a clock that is being corrected adds to it
    assert 13.6 < found.standard_uncertainty_ppm < 25
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
    monkeypatch.setattr(hostclock, "HOST_HALF_WIDTH_S", case.get("host_s", 0.0))
    monkeypatch.setattr(timebase, "_hidden", lambda _: 0.0)  # no loss is hidden in these rows
    monkeypatch.setattr(hostclock, "CORRECTED_SHARE", 0.0)  # and no clock is being corrected
    held = 0
    for seed in range(200):
        found = host_timebase(journal(50.0, seed, **case), RATE_HZ, True)
        held += abs(found.offset_ppm - 50) <= 1.96 * found.standard_uncertainty_ppm
    assert 180 <= held <= 198


def test_a_night_is_as_well_known_as_the_computers_clock():
    """The fit itself finds 0.1 ppm, 9 ms a day. Two readings of a clock kept to 30 ms, 8 h apart: 0.85 ppm."""
    found = host_timebase(journal(-37.0, 3, minutes=8 * 60), RATE_HZ, True)
    assert abs(found.offset_ppm + 37) < 0.1
    assert 0.86 < found.standard_uncertainty_ppm < 2.1
    told = [HostState(True, 1e-3, 2e-4, 0.0, -12.0)] * 50
    better = host_timebase(journal(-37.0, 3, minutes=8 * 60), RATE_HZ, True, told)
    assert better.standard_uncertainty_ppm < 0.18  # its system states 1 ms


@pytest.mark.parametrize(("hours", "ppm"), [(24, 0.49), (1, 11.8)])
def test_two_readings_of_30_ms_some_hours_apart(hours, ppm, monkeypatch):
    """The worked example for network time (RFC 1128's tens of ms): sqrt 2 x 30 ms / 86 400 s is 0.49 ppm, in an hour 11.8.

    There 30 ms are a standard error; here they are the half-width of a rectangle, a root of 3 smaller. Two rectangles make a
    triangle, of which 95 % lie within 1 - sqrt 0.05 of its half-width, 1.90 of its standard deviations.
    """
    monkeypatch.setattr(hostclock, "CORRECTED_SHARE", 0.0)
    found = host_timebase(journal(0.0, 3, minutes=hours * 60, jitter_s=0.0, late_s=0.0), RATE_HZ, True)
    triangle = (1 - math.sqrt(0.05)) * math.sqrt(6) / 1.96
    # the span of the fit is shorter than the record by a segment's leftovers
    assert found.standard_uncertainty_ppm == pytest.approx(ppm / math.sqrt(3) * triangle, rel=0.03)


def test_a_computer_busy_for_the_last_third_does_not_shift_the_answer():
    rows = journal(10.0, 4, jitter_s=1e-3)
    rng = np.random.default_rng(5)
    rows[1200:, 2] += rng.choice([0, 200_000_000], p=[0.25, 0.75], size=600)
    found = host_timebase(rows, RATE_HZ, True)
    assert abs(found.offset_ppm - 10) < 2
    assert found.silent == ()


@pytest.mark.parametrize("synchronised", [False, None])
def test_clock_that_nobody_keeps_is_as_little_known_as_a_sound_card(synchronised):
    found = host_timebase(journal(50.0, 1), RATE_HZ, synchronised)
    assert found.synchronised is synchronised
    assert found.standard_uncertainty_ppm == pytest.approx(50 / math.sqrt(3), rel=0.01)
    assert found.offset_ppm == pytest.approx(50, abs=3)


def test_large_offsets_are_exact():
    """Without jitter only the rounding to whole frames is left: 1/48000 s in 1800 s, 0.01 ppm."""
    found = host_timebase(journal(2000.0, 1, late_s=0.0, jitter_s=0.0), RATE_HZ, None)
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


FIT = hostfit.HostFit(-10e-6, 0.0, 3600.0, (), (), math.inf, 0.0)
"""A line through an hour without scatter: what is stated of it is the computer's clock's doubt alone."""


def found_of(monkeypatch, *, fit=FIT, raw_s=None, states=(), synchronised=True):
    """The timebase of a fit, with a raw clock that goes as told beside the kept one."""
    monkeypatch.setattr(timebase, "fit_host", lambda *_: fit)
    kept_s = np.arange(1.0, 3601.0)
    rows = np.zeros((3600, 5), np.int64)
    rows[:, 2] = np.round(kept_s * 1e9)
    rows[:, 4] = 0 if raw_s is None else np.round(raw_s(kept_s) * 1e9)
    return host_timebase(rows, RATE_HZ, synchronised, states)


def doubt(monkeypatch, **case):
    return found_of(monkeypatch, **case).standard_uncertainty_ppm


def test_the_error_of_the_ends_is_the_worst_that_the_system_states(monkeypatch):
    told = [HostState(True, 0.004, 0.001, -0.002, None), HostState(True, 0.001, 0.003, 0.001, None)]
    alike = doubt(monkeypatch, states=[HostState(True, 0.006, 0.006)])  # 4 ms and 2 to slew
    assert doubt(monkeypatch, states=told) == alike
    assert alike < 0.4 * doubt(monkeypatch)
    # a system that estimates no error states none
    assert doubt(monkeypatch, states=[HostState(True, 0.001, 0.0)]) == doubt(monkeypatch)


def test_what_bends_against_the_recorder_may_be_the_clock_where_nothing_watches_it(monkeypatch):
    bent = FIT._replace(bend_s=0.050)
    assert doubt(monkeypatch, fit=bent) == doubt(monkeypatch, states=[HostState(True, 0.100, 0.100)])
    assert doubt(monkeypatch, fit=FIT._replace(bend_s=0.010)) == doubt(monkeypatch)
    watched = doubt(monkeypatch, fit=bent, raw_s=lambda kept_s: kept_s)
    # its own crystal says that it was not slewed
    assert watched == doubt(monkeypatch, raw_s=lambda kept_s: kept_s)


def test_the_raw_crystal_is_what_the_frames_are_laid_against(monkeypatch):
    """A clock slewed by 0.1 s in the midst of the hour, back and forth: by the raw crystal the recorder goes evenly."""
    laid = []
    monkeypatch.setattr(timebase, "fit_host", lambda *args: laid.append(args[2]))
    kept_s = np.arange(1.0, 3601.0) + np.interp(np.arange(3600.0), [0, 900, 1800], [0, 0.1, 0])
    rows = np.zeros((3600, 5), np.int64)
    rows[:, 2], rows[:, 4] = np.round(kept_s * 1e9), np.round(np.arange(1.0, 3601.0) * 1e9)
    rows[2000:, 4] -= 600 * 10**9  # and a sleep, in which the raw crystal stands still
    host_timebase(rows, RATE_HZ, True)
    assert laid[0] == pytest.approx(np.arange(3600.0), abs=1e-6)
    rows[:, 4] = 0
    host_timebase(rows, RATE_HZ, True)
    assert laid[1] == pytest.approx(kept_s - 1, abs=1e-6)


def test_a_sleep_is_a_step_beyond_what_a_slew_makes_of_the_time(monkeypatch):
    def slept(step_s):
        return doubt(monkeypatch, raw_s=lambda kept_s: kept_s - step_s * (kept_s > 1800))

    # 50 ms and 1000 ppm of a second: beyond, the two part for another reason than slewing
    assert slept(0.052) == pytest.approx(slept(0.0))
    assert slept(0.050) > 1.2 * slept(0.0)


def by_chance(measured_ppm, span_s, *, apart_ppm=None, learned_ppm=None, seed=1):
    """Quantiles of the recorder's pace by drawing what may have happened, each draw weighed by what was measured."""
    rng = np.random.default_rng(seed)
    count = 400_000
    ends_s = rng.uniform(-0.030, 0.030, (2, count))
    most_s = 500e-6 * span_s + 0.060
    # a correction is above a size with a chance of one over that size
    sizes_s = 1 / (1 / 0.030 - rng.uniform(0, 1, count) * (1 / 0.030 - 1 / most_s))
    corrected = rng.random(count) < 0.2
    gained_s = np.where(corrected, sizes_s * rng.choice([-1, 1], count), ends_s[1] - ends_s[0])
    fast_ppm = 1e6 * gained_s / span_s - (apart_ppm or 0.0)

    def crystal(ppm, odd=0.0):
        beyond = np.maximum(np.abs(ppm) - 50, 0)
        any_pace = odd / (2 * np.maximum(np.abs(ppm), 50) * math.log(1e7 / 50))
        return np.where(beyond == 0, (0.9 - odd) / 100, 0.1 * np.exp(-beyond / 30) / 60 + any_pace)

    pace_ppm = measured_ppm + fast_ppm
    weight = crystal(pace_ppm, 0.01)
    if apart_ppm is not None:
        weight *= crystal(fast_ppm)
        # a clock that nothing corrects leaves a line in half of the recordings in which it is corrected
        weight *= np.where(corrected, 0.5, 1.0)
    if learned_ppm is not None:
        off_ppm = fast_ppm + learned_ppm
        unlearned = np.where(corrected, 0.5, 0.2)
        near = np.exp(-(off_ppm**2) / 8) / math.sqrt(8 * math.pi)
        weight *= unlearned * crystal(off_ppm) + (1 - unlearned) * near
    order = np.argsort(pace_ppm)
    share = np.cumsum(weight[order]) / weight.sum()
    return np.interp([0.025, 0.5, 0.975], share, pace_ppm[order])


@pytest.mark.parametrize(
    ("measured_ppm", "span_s", "watched"),
    [
        (10.0, 620.0, {}),
        (-75.0, 620.0, {}),
        (30.0, 3600.0, {}),
        (300.0, 620.0, {}),
        (20.0, 620.0, {"apart_ppm": 15.0}),
        (20.0, 620.0, {"apart_ppm": 15.0, "learned_ppm": 12.0}),
        (20.0, 620.0, {"apart_ppm": 130.0, "learned_ppm": 30.0}),
        (-40.0, 3600.0, {"apart_ppm": -20.0, "learned_ppm": 25.0}),
    ],
)
def test_the_true_pace_is_that_of_drawing_all_that_may_have_happened(measured_ppm, span_s, watched):
    """An independent way to the same interval: 400 000 weighed draws; their quantiles scatter by hundredths of its width."""
    low, median, high = by_chance(measured_ppm, span_s, **watched)
    known = [HostState(True, frequency_ppm=watched["learned_ppm"])] if "learned_ppm" in watched else []
    found, sigma = true_pace(measured_ppm, span_s, apart_ppm=watched.get("apart_ppm"), states=known)
    half = max(high - median, median - low)
    assert 1.96 * sigma == pytest.approx(half, rel=0.07)
    assert found == pytest.approx(median, abs=0.05 * half)


def test_a_device_off_its_pace_keeps_the_doubt_of_the_clock_as_a_share(monkeypatch):
    """Twice as fast: a clock that is off by 30 ppm makes 60 of the stated rate, which are 30 of its own."""
    double, doubt_ppm = true_pace(1e6, 3600.0)
    assert double == pytest.approx(1e6, rel=1e-4)
    assert doubt_ppm == pytest.approx(true_pace(1e4, 3600.0)[1], rel=0.05)


@pytest.mark.parametrize("slew_ppm", [0.0, 20.0, 100.0, 500.0])
@pytest.mark.parametrize("watched", [True, False], ids=["watched", "not watched"])
def test_interval_of_ten_minutes_holds_the_truth_through_slews_all_the_while(slew_ppm, watched):
    """400 nights: recorder and computer with any crystal that is sold, the clock up to 30 ms off at either end."""
    rng = np.random.default_rng([int(slew_ppm), watched])
    held, half_ppm = 0, []
    for _ in range(400):
        recorder_ppm, computer_ppm = rng.uniform(-50, 50, 2)
        kept_ppm = slew_ppm + float(np.diff(rng.uniform(-0.030, 0.030, 2))[0]) / 620e-6
        unlearned = rng.random() < 0.2
        learned_ppm = rng.uniform(-50, 50) if unlearned else rng.normal(-computer_ppm, 2.0)
        if watched:
            told = [HostState(True, frequency_ppm=learned_ppm)]
            found = true_pace(
                recorder_ppm - computer_ppm, 620.0, apart_ppm=kept_ppm - computer_ppm, states=told
            )
        else:
            found = true_pace(recorder_ppm - kept_ppm, 620.0)
        held += abs(found[0] - recorder_ppm) <= 1.96 * found[1]
        half_ppm.append(1.96 * found[1])
    # of 400 at 90 %, chance brings fewer than 347 once in 100
    assert held >= 347
    # neither needs more than what a crystal is sold to, except where it looks like none
    assert np.median(half_ppm) < (45 if watched else 80 if slew_ppm < 500 else 500)


def test_losses_too_small_to_be_seen_count_by_the_tilt_that_they_make(monkeypatch):
    monkeypatch.setattr(timebase, "true_pace", lambda measured_ppm, *_, **__: (measured_ppm, 0.0))
    per_s = 1e6 / math.sqrt(3) / 3600
    hidden = doubt(monkeypatch, fit=FIT._replace(least_step_s=0.008))
    assert hidden == pytest.approx(0.5 * 0.008 * per_s, rel=1e-6)
    # above 10 ms the beats show it; that counts only where sound was lost in this recording
    large = FIT._replace(least_step_s=0.030)
    assert doubt(monkeypatch, fit=large) == pytest.approx(0.5 * 0.010 * per_s, rel=1e-6)
    lost = large._replace(steps=((5, 0.1),))
    assert doubt(monkeypatch, fit=lost) == pytest.approx((0.5 * 0.010 + 1.5 * 0.020) * per_s, rel=1e-6)
    scatter = large._replace(error=3e-6)
    expected = math.hypot(3.0, 0.5 * 0.010 * per_s)
    assert doubt(monkeypatch, fit=scatter) == pytest.approx(expected, rel=1e-6)


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


def test_where_a_loss_fell_tilts_the_line_through_the_beats(monkeypatch):
    """Least squares through an hour of beats of which those of 60 s are off by a loss of 0.1 s, numpy's; two of them by roots."""
    monkeypatch.setattr(timebase, "true_pace", lambda measured_ppm, *_, **__: (measured_ppm, 0.0))
    x = np.arange(0.0, 3600.0, 0.5)

    def tilt_ppm(at_s):
        return 1e6 * np.polyfit(x, 0.1 * (np.abs(x - at_s) < 30), 1)[0]

    def told(*at_s):
        silent = tuple((round(one * RATE_HZ), 0.1) for one in at_s)
        return doubt(monkeypatch, fit=FIT._replace(silent=silent, place_s=(60.0,) * len(at_s)))

    for at_s in (300.0, 1500.0, 3400.0):
        assert told(at_s) == pytest.approx(abs(tilt_ppm(at_s)), rel=0.02)
    assert told(1800.0) == pytest.approx(0.0, abs=0.01)
    assert told(300.0, 3400.0) == pytest.approx(math.hypot(tilt_ppm(300.0), tilt_ppm(3400.0)), rel=0.02)


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
