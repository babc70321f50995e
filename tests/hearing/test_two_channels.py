"""Two clocks, one on each channel: said so, and read one by one."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from torsionbeat.errors import InputError
from torsionbeat.reading.analysis import Listening, analyse_fully

RATE_HZ = 16_000


def ticks(period_s, seconds, seed):
    """A clock's sound: a knock every half period, after it a ring, the sides unlike."""
    rng = np.random.default_rng(seed)
    sound = 1e-4 * rng.standard_normal(seconds * RATE_HZ)
    t = np.arange(int(0.15 * RATE_HZ)) / RATE_HZ
    for beat in range(1, int(2 * seconds / period_s) - 1):
        hertz = 2300 if beat % 2 else 3100
        for lead_s, size in ((0.6, 0.05), (0.0, 0.4)):
            begin = int((beat * period_s / 2 - lead_s + 5e-4 * rng.standard_normal()) * RATE_HZ)
            sound[begin : begin + t.size] += size * np.exp(-t / 0.02) * np.sin(2 * np.pi * hertz * t)
    return sound


@pytest.fixture(scope="module")
def stereo(tmp_path_factory):
    path = tmp_path_factory.mktemp("stereo") / "two.wav"
    soundfile.write(path, np.stack([ticks(14.0, 300, 1), ticks(10.5, 300, 2)], axis=1), RATE_HZ)
    return path


@pytest.mark.parametrize(("channel", "period_s"), [(0, 14.0), (1, 10.5)])
def test_each_channel_is_read_by_itself(stereo, channel, period_s):
    reading = analyse_fully(stereo, None, Listening(channel=channel)).reading
    # 300 s with 0.5 ms of scatter: the period is known to a few tens of microseconds, the file's grid is 62.
    assert reading.period_s.nominal_value == pytest.approx(period_s, abs=3e-4)
    assert "channel-used" not in [remark.code for remark in reading.remarks]


def test_the_clock_on_the_other_channel_is_told(stereo):
    analysis = analyse_fully(stereo)
    (remark,) = [one for one in analysis.reading.remarks if one.code == "clock-on-other-channel"]
    used = analysis.heard.channel
    other = 2 - used
    period = (14.0, 10.5)[1 - used]
    assert f"On channel {other} another clock is heard, with a period of about {period:.2f} s" in remark
    assert f"--channel {other}" in remark


def test_one_clock_on_two_channels_is_one_clock(tmp_path):
    sound = ticks(14.0, 300, 3)
    noise = 1e-4 * np.random.default_rng(4).standard_normal(sound.size)
    soundfile.write(tmp_path / "one.wav", np.stack([sound, 0.4 * sound + noise], axis=1), RATE_HZ)
    assert not analyse_fully(tmp_path / "one.wav").heard.other_channels


def test_a_channel_that_is_not_there(stereo):
    with pytest.raises(InputError, match=r"channel 3 was asked for; two\.wav has 2"):
        analyse_fully(stereo, None, Listening(channel=2))
