"""What simulate says: figures first, signs and units right."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from torsionbeat.terminal.simulated import simulated_words

WHAT = SimpleNamespace(nominal_period_s=60.0, room_words="a quiet room")


def rendering(period_s=60.0, *, beats=40, minutes=20.0, clock=True, **recorder):
    figures = {"period_s": period_s, "arc_deg": 430.04, "offset_deg": 1.5, "beat_error_ms": 120.0}
    how = {"sample_rate_hz": 48_000, "bits": 16} | recorder
    return SimpleNamespace(
        clock="clock" if clock else None,
        recorder=SimpleNamespace(**how),
        duration_s=60 * minutes,
        seed=3,
        truth=SimpleNamespace(beats=[0] * beats, figures=lambda: figures),
    )


@pytest.mark.parametrize(
    ("period_s", "said"),
    [
        (60.0 / (1 + 10 / 86_400), "gains 10.00 s a day"),
        (60.0 / (1 - 2.5 / 86_400), "loses 2.50 s a day"),
        (60.0 / (1 - 0.004 / 86_400), "keeps time"),
        (60.0, "keeps time"),
    ],
)
def test_a_shorter_period_gains(period_s, said):
    words = simulated_words(rendering(period_s), Path("x.flac"), WHAT)
    assert words.startswith(f"The clock {said} against its nominal period of 60 s.")
    assert "arc (amplitude end to end) 430.0 deg" in words
    assert "Offset 1.50 deg, beat error 120.0 ms." in words
    assert "40 beats in 20 minutes of a quiet room." in words
    assert "Sound  x.flac (48 kHz, 16 bit, seed 3)" in words
    assert "Truth  x.truth.json and .csv" in words


@pytest.mark.parametrize(
    ("minutes", "said"), [(119.0, "119 minutes"), (120.0, "2 hours"), (90.5, "90.5 minutes")]
)
def test_long_recordings_are_told_in_hours(minutes, said):
    assert said in simulated_words(rendering(minutes=minutes), Path("x.wav"), WHAT)


def test_zero_has_no_sign():
    one = rendering()
    one.truth.figures = lambda: {
        "period_s": 60.0,
        "arc_deg": 430.0,
        "offset_deg": -1e-4,
        "beat_error_ms": -0.01,
    }
    assert "Offset 0.00 deg, beat error 0.0 ms." in simulated_words(one, Path("x.wav"), WHAT)


def test_no_clock_and_too_few_beats():
    words = simulated_words(rendering(clock=False), Path("x.wav"), WHAT)
    assert words.startswith("No clock is in this recording: 20 minutes of a quiet room.")
    words = simulated_words(rendering(None, beats=3), Path("x.wav"), WHAT)
    assert words.startswith("3 beats of a 60 s clock, too few for a rate")
