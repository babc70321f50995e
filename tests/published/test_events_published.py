"""Times of events against the bound that noise sets, and against a published matching of events.

The bound: S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), range-estimation example,
formula from memory and confirmed by Monte Carlo; P. Swerling, RAND (1957), "inherent accuracy with which a time delay
can be estimated" (abstract read). Matching: mir_eval 0.8.2, ``onset.f_measure`` (C. Raffel and others, ISMIR 2014),
figures computed with it. Clicks: librosa 0.11.0, figures computed with it.
"""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.hearing.listener import Listener
from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, simulate

RATE_HZ = 48_000
WIDTH_S, TONE_HZ = 0.8e-3, 3000.0


def burst(time_s):
    return np.exp(-(time_s**2) / (2 * WIDTH_S**2)) * np.cos(2 * np.pi * TONE_HZ * time_s)


def envelope(time_s):
    return np.exp(-(time_s**2) / (2 * WIDTH_S**2))


def bound_s(shape, sigma):
    """var(t) >= sigma^2 / sum of the squared slope at the samples."""
    time_s = np.arange(-0.01, 0.01, 1 / RATE_HZ)
    slope = (shape(time_s + 1e-8) - shape(time_s - 1e-8)) / 2e-8
    return sigma / np.sqrt(np.sum(slope**2))


def envelope_bound_s(db):
    """The same with the carrier's phase unknown, as it is from tick to tick: 21.3 times, F^2 = 1 / (2 s^2)."""
    return 21.3 * bound_s(burst, 10 ** (-db / 20))


@pytest.mark.parametrize(("db", "bound"), [(30, 2.8727e-7), (20, 9.0841e-7), (14, 1.8125e-6)])
def test_the_bound_of_a_burst_in_white_noise(db, bound):
    """exp(-t^2 / 2 s^2) cos(2 pi 3000 t), s = 0.8 ms, 48 kHz, peak 1."""
    assert bound_s(burst, 10 ** (-db / 20)) == pytest.approx(bound, rel=5e-5)
    energy, slope = (np.sum(shape**2) for shape in (np.gradient(envelope(np.arange(-0.01, 0.01, 1e-6)), 1e-6),
                                                    envelope(np.arange(-0.01, 0.01, 1e-6))))  # fmt: skip
    assert energy / slope == pytest.approx(1 / (2 * WIDTH_S**2), rel=1e-6)
    # carrier and envelope against the envelope alone
    assert np.sqrt((2 * np.pi * TONE_HZ) ** 2 + 1 / (2 * WIDTH_S**2)) * np.sqrt(2) * WIDTH_S == pytest.approx(
        21.3, abs=0.06
    )


@pytest.mark.parametrize("db", [30, 20, 14])
def test_heard_times_lie_between_the_bound_and_three_times_it(db):
    """Sixty drops of one burst in white noise, heard by the package: what is left of their scatter about the truth.

    Below the bound nothing can be, so a smaller scatter would be a fault of this test. From above: three times, and 40
    microseconds in which a frame of 0.5 ms is divided (a twelfth), which no noise sets.
    """
    period_s, beats = 3.0, 60
    rng = np.random.default_rng(db)
    sound = 0.3 * 10 ** (-db / 20) * rng.standard_normal(RATE_HZ * (beats * 3 // 2 + 2))
    true_s = 1.0 + period_s / 2 * np.arange(beats) + rng.uniform(0, 1 / RATE_HZ, beats)
    for at_s in true_s:
        frames = np.arange(int((at_s - 0.006) * RATE_HZ), int((at_s + 0.006) * RATE_HZ))
        sound[frames] += 0.3 * burst(frames / RATE_HZ - at_s)
    listener = Listener(RATE_HZ, 1, nominal_period_s=period_s)
    for first in range(0, len(sound), RATE_HZ):
        listener.feed(sound[first : first + RATE_HZ, None].astype(np.float32))
    heard = listener.finish().sounds
    drops = heard.kind == "drop"
    found_s, side = heard.sample[drops] / RATE_HZ, heard.beat[drops] % 2
    nearest = np.abs(found_s[:, None] - true_s).argmin(axis=1)
    error_s = found_s - true_s[nearest]
    near = np.abs(error_s) < 0.01
    assert np.count_nonzero(near) == beats
    rest = np.concatenate(
        [error_s[near & (side == one)] - error_s[near & (side == one)].mean() for one in (0, 1)]
    )
    scatter_s = float(np.sqrt(np.sum(rest**2) / (beats - 2)))
    bound = envelope_bound_s(db)
    assert bound < scatter_s < 3 * bound + 40e-6


@pytest.mark.parametrize(
    ("window_s", "scores"),
    [
        (0.05, (0.727273, 0.666667, 0.8)),
        (0.01, (0.363636, 0.333333, 0.4)),
        (0.1, (0.909091, 0.833333, 1.0)),
    ],
)
def test_events_are_matched_one_to_one_as_by_mir_eval(window_s, scores):
    mir_eval = pytest.importorskip(
        "mir_eval", reason="mir_eval is not installed: pip install torsionbeat[test]"
    )
    reference = np.array([7.5, 15, 22.5, 30, 37.5])
    estimated = np.array([7.51, 15.04, 22.56, 30.0, 33.0, 37.45])
    found = mir_eval.onset.f_measure(reference, np.sort(estimated), window=window_s)
    assert found == pytest.approx(scores, abs=5e-7)


def test_heard_drops_are_the_twin_s_by_mir_eval():
    """All of them, none besides, in its own window of 50 ms."""
    mir_eval = pytest.importorskip(
        "mir_eval", reason="mir_eval is not installed: pip install torsionbeat[test]"
    )
    clock = TwinClock(Balance(6.0, q=300), Escapement(lift_deg=20.0), Drive(arc_deg=300.0), start_s=-1.0)
    rendering = simulate(clock, Room(), Recorder(16_000), 90.0, 1)
    listener = Listener(16_000, 1, nominal_period_s=6.0)
    listener.feed(rendering.samples())
    sounds = listener.finish().sounds
    true_s = np.array([beat.drop_s for beat in rendering.truth.beats])
    heard_s = sounds.sample[sounds.kind == "drop"] / 16_000
    found = mir_eval.onset.f_measure(np.sort(true_s), np.sort(heard_s))
    assert found == pytest.approx((1.0, 1.0, 1.0))


@pytest.mark.parametrize(("hop", "late_ms"), [(512, (21.7, 6.2, 14.0, 21.7)), (64, (4.3, 3.3, 2.4, 4.3))])
def test_a_stock_onset_detector_is_no_clock(hop, late_ms):
    """Clicks at 1.0, 3.5, 6.0 and 8.5 s, librosa's own: late by up to a hop and more, so it tells that, never when."""
    import librosa

    at_s = np.array([1.0, 3.5, 6.0, 8.5])
    sound = librosa.clicks(times=at_s, sr=22_050, length=10 * 22_050)
    found = librosa.onset.onset_detect(y=sound, sr=22_050, hop_length=hop, units="time")
    assert 1e3 * (found - at_s) == pytest.approx(late_ms, abs=0.06)  # the digit printed
