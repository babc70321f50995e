"""What a tick sounds like: its formula, at a fraction of a sample."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.twin.voices import VOICES, VoiceSet, strike


def test_a_tick_is_its_formula_at_a_fraction_of_a_sample():
    from torsionbeat.twin.voices import Voice, strike

    voice = Voice(((2000.0, 1.0, 5.0), (5000.0, 0.5, 2.0)), 0.2, 0.0, 1.0, variation=0.0)
    first_s, rate_hz = 0.37 / 48_000, 48_000
    tick = strike(voice, 0.5, first_s, rate_hz, np.random.default_rng(0))

    def formula(t):
        rise = 1 - np.exp(-t / 0.2e-3)
        one = np.exp(-t / 5e-3) * np.sin(2 * np.pi * 2000 * t)
        two = 0.5 * np.exp(-t / 2e-3) * np.sin(2 * np.pi * 5000 * t + 2.4)
        return rise * (one + two)

    times = first_s + np.arange(len(tick)) / rate_hz
    gain = 0.5 / np.abs(formula(np.arange(0, 0.04, 1 / 96_000))).max()
    np.testing.assert_allclose(tick, gain * formula(times), atol=1e-7)  # float32 at half scale


def test_each_sound_has_its_voice_and_its_level_against_the_drop():
    voices = VoiceSet(drop_peak=0.05)
    assert voices.name("drop", "a") == voices.name("flutter", "a") == "clear_ring"
    assert (voices.name("drop", "b"), voices.name("contact", "b"), voices.name("banking", "a")) == (
        "bright_tooth",
        "thin_pin",
        "slow_seat",
    )
    # 20 lg 0.05 = -26.02 dB
    assert voices.level_db("drop") == pytest.approx(-26.02, abs=0.01)
    assert voices.level_db("contact") == pytest.approx(-26.02 - 8, abs=0.01)
    assert voices.level_db("flutter") == pytest.approx(-26.02 - 3, abs=0.01)


def test_a_voice_reaches_the_peak_that_is_asked_for():
    """Without variation and click: the highest sample at a fine rate is the peak."""
    for voice in VOICES.values():
        calm = replace(voice, variation=0.0, click=0.0)
        assert np.abs(strike(calm, 0.3, 0.0, 96_000.0, np.random.default_rng(1))).max() == pytest.approx(
            0.3, rel=0.01
        )


def test_a_set_is_refused_for_a_voice_or_a_peak_that_there_is_not():
    with pytest.raises(InputError, match="there is no voice 'gong': choose from bright_tooth"):
        VoiceSet(contact_b="gong")
    for peak in (0.9e-4, 1.01):
        with pytest.raises(InputError, match=r"outside 0\.0001 to 1"):
            VoiceSet(drop_peak=peak)
    VoiceSet(drop_peak=1.0)
