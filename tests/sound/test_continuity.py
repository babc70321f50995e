"""Blocks on the recording's time line: lateness, silent losses, reported losses, and a device that comes
back.
"""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.sound.continuity import Arrival, Continuity

RATE_HZ = 48_000
BLOCK = 2048


class Microphone:
    """A sound card and the way from it: each sample is the number of the true frame it was recorded at."""

    def __init__(self, ppm=0.0, jitter_s=0.002, seed=1):
        self.rate_hz = RATE_HZ * (1 + ppm * 1e-6)
        self.jitter_s = jitter_s
        self.rng = np.random.default_rng(seed)
        self.recorded = 0  # true frames since the card was powered
        self.counted = 0  # frames since the device was opened

    def block(self, late_s=0.0, overflow=False):
        true = np.arange(self.recorded, self.recorded + BLOCK, dtype=np.float64)[:, None]
        self.recorded += BLOCK
        self.counted += BLOCK
        now_ns = round(
            1e9 * (100 + self.recorded / self.rate_hz + self.rng.exponential(self.jitter_s) + late_s)
        )
        return Arrival(self.counted - BLOCK, true, now_ns, now_ns + 10**18, overflow)

    def blocks(self, seconds, **options):
        return [self.block(**options) for _ in range(round(seconds * RATE_HZ / BLOCK))]

    def lose(self, seconds):
        """The card records, and nobody ever gets it."""
        self.recorded += round(seconds * self.rate_hz)

    def reopen(self, after_s):
        self.lose(after_s)
        self.counted = 0


def placed(line, arrivals):
    return [placed for arrival in arrivals for placed in line.take(arrival)]


def offsets(result):
    """Place on the time line less true frame, for each block."""
    return np.array([block.start_frame - block.samples[0, 0] for block, _, _ in result])


def gaps(result):
    return [gap for _, gap, _ in result if gap]


def test_first_two_seconds_are_left_out_and_frame_0_follows():
    line, microphone = Continuity(RATE_HZ), Microphone()
    result = placed(line, microphone.blocks(5))
    assert result[0].block.start_frame == 0
    assert 2 * RATE_HZ <= result[0].block.samples[0, 0] < 2 * RATE_HZ + BLOCK
    assert len(set(offsets(result))) == 1
    assert gaps(result) == []
    assert line.stop_frame == result[-1].block.stop_frame


def test_a_row_a_second():
    line, microphone = Continuity(RATE_HZ), Microphone(ppm=40)
    placed(line, microphone.blocks(602))
    assert len(line.rows) == pytest.approx(600, abs=1)
    assert {row.stretch for row in line.rows} == {0}


@pytest.mark.parametrize("late_s", [0.1, 0.5, 1.9])
def test_late_blocks_that_catch_up_are_no_gap(late_s):
    line, microphone = Continuity(RATE_HZ), Microphone()
    arrivals = microphone.blocks(10)
    stall = [microphone.block() for _ in range(int(late_s * RATE_HZ / BLOCK))]
    together_ns = stall[-1].monotonic_ns
    arrivals += [arrival._replace(monotonic_ns=together_ns) for arrival in stall]
    arrivals += microphone.blocks(5)
    result = placed(line, arrivals) + line.flush()
    assert gaps(result) == []
    assert len(set(offsets(result))) == 1
    assert result[-1].block.samples[-1, 0] == microphone.recorded - 1


@pytest.mark.parametrize("lost_s", [0.2, 1.0, 16.0, 3600.0])
def test_loss_without_a_word_becomes_a_gap(lost_s):
    line, microphone = Continuity(RATE_HZ), Microphone(ppm=30)
    arrivals = microphone.blocks(600)
    microphone.lose(lost_s)
    result = placed(line, arrivals + microphone.blocks(10))
    (gap,) = gaps(result)
    assert gap.why == "sound was lost without a word"
    # 0.02 s: jitter of 2 ms in the earliest of two seconds' blocks; and 5 ppm for the crystal fitted in
    # ten minutes
    allowed = RATE_HZ * (0.002 + 5e-6 * lost_s)
    assert gap.stop_frame - gap.start_frame == pytest.approx(lost_s * microphone.rate_hz, abs=allowed)
    assert np.ptp(offsets(result)) <= allowed
    assert [row.stretch for row in line.rows][-1] == 1


def test_what_was_in_the_buffer_before_the_loss_stays_before_the_gap():
    """The computer stops for 10 s; the sound server keeps the first 2 s of it and drops the rest."""
    line, microphone = Continuity(RATE_HZ), Microphone(jitter_s=0.0005)
    arrivals = microphone.blocks(30)
    buffered = microphone.blocks(2)
    microphone.lose(8)
    resumed = microphone.blocks(5)
    arrivals += [arrival._replace(monotonic_ns=resumed[0].monotonic_ns) for arrival in buffered] + resumed
    result = placed(line, arrivals)
    (gap,) = gaps(result)
    assert np.ptp(offsets(result)) <= 0.002 * RATE_HZ
    assert gap.stop_frame - gap.start_frame == pytest.approx(8 * RATE_HZ, abs=0.002 * RATE_HZ)


def test_flag_of_overflow_without_a_measured_loss_is_no_loss():
    line, microphone = Continuity(RATE_HZ), Microphone(jitter_s=0.02)
    arrivals = microphone.blocks(30)
    for _ in range(10):
        arrivals += [microphone.block(overflow=True), *microphone.blocks(5)]
    result = placed(line, arrivals) + line.flush()
    assert gaps(result) == []
    assert len(set(offsets(result))) == 1
    assert len(result) == len([one for one in arrivals if one.first_frame >= 2 * RATE_HZ])


@pytest.mark.parametrize("pace", [0.5, 0.9, 0.97, 1.03, 1.5, 2.0])
def test_a_pace_that_is_not_what_the_device_says_is_no_loss(pace):
    """60 s at up to twice the pace, jitter 20 ms, and a loss of 2 s in the midst, which is one."""
    line, microphone = Continuity(RATE_HZ), Microphone(ppm=(pace - 1) * 1e6, jitter_s=0.02)
    result = placed(line, microphone.blocks(30 * pace))
    assert gaps(result) == []
    microphone.lose(2.0)
    result += placed(line, microphone.blocks(30 * pace)) + line.flush()
    (gap,) = gaps(result)
    # the earliest of 23 blocks a second at 20 ms of jitter, carried on over the two seconds held
    assert gap.stop_frame - gap.start_frame == pytest.approx(2 * microphone.rate_hz, abs=0.03 * RATE_HZ)


@pytest.mark.parametrize("together", [1, 3])
def test_blocks_handed_over_twice_are_left_out(together):
    line, microphone = Continuity(RATE_HZ), Microphone()
    arrivals = microphone.blocks(20)
    shift = 0
    for _ in range(60):
        few = [microphone.block() for _ in range(together)]
        for copy in (0, 1):
            arrivals += [
                one._replace(first_frame=one.first_frame + shift + copy * together * BLOCK) for one in few
            ]
        shift += together * BLOCK
    arrivals += [one._replace(first_frame=one.first_frame + shift) for one in microphone.blocks(10)]
    result = placed(line, arrivals)
    assert gaps(result) == []
    assert len(set(offsets(result))) == 1
    assert line.doubled_frames == 60 * together * BLOCK


def test_digital_silence_is_no_copy():
    line, microphone = Continuity(RATE_HZ), Microphone()
    silent = [one._replace(samples=np.zeros((BLOCK, 1))) for one in microphone.blocks(20)]
    assert sum(len(block.samples) for block, _, _ in placed(line, silent)) == (len(silent) - 47) * BLOCK


@pytest.mark.parametrize(("lost_s", "least", "most"), [(0.04, 1700, 2200), (1.0, 47_500, 48_500)])
def test_reported_loss_is_a_gap_as_long_as_it_is_measured(lost_s, least, most):
    line, microphone = Continuity(RATE_HZ), Microphone(jitter_s=0.0005)
    arrivals = microphone.blocks(30)
    microphone.lose(lost_s)
    result = placed(line, [*arrivals, microphone.block(overflow=True), *microphone.blocks(5)])
    (gap,) = gaps(result)
    assert gap.why == "the sound system lost sound"
    assert least <= gap.stop_frame - gap.start_frame <= most


def test_blocks_dropped_on_the_way_are_counted_exactly():
    line, microphone = Continuity(RATE_HZ), Microphone()
    arrivals = microphone.blocks(20)
    result = placed(line, arrivals[:200] + arrivals[300:])
    (gap,) = gaps(result)
    assert gap.stop_frame - gap.start_frame == 100 * BLOCK
    assert "too busy" in gap.why
    assert len(set(offsets(result))) == 1


@pytest.mark.parametrize("away_s", [0.5, 5.0, 3600.0])
def test_device_that_comes_back_joins_in_by_the_clock(away_s):
    line, microphone = Continuity(RATE_HZ), Microphone(ppm=-60)
    result = placed(line, microphone.blocks(600))
    result += line.begin("the microphone was away")
    microphone.reopen(away_s)
    result += placed(line, microphone.blocks(10))
    (gap,) = gaps(result)
    assert gap.why == "the microphone was away"
    assert np.ptp(offsets(result)) <= RATE_HZ * (0.002 + 5e-6 * away_s)
    assert [row.stretch for row in line.rows][-1] == 1


def test_device_lost_while_blocks_are_held():
    line, microphone = Continuity(RATE_HZ), Microphone()
    result = placed(line, microphone.blocks(20))
    microphone.lose(1.0)
    result += placed(line, microphone.blocks(1))  # not decided yet
    result += line.begin("the microphone was away")
    microphone.reopen(3.0)
    result += placed(line, microphone.blocks(10))
    assert [gap.why for gap in gaps(result)] == ["sound was lost without a word", "the microphone was away"]
    assert np.ptp(offsets(result)) <= 0.004 * RATE_HZ


@pytest.mark.parametrize("ppm", [-200.0, 200.0])
def test_drift_alone_is_never_a_gap(ppm):
    """Half an hour at 200 ppm is 0.36 s, more than the limit on lateness."""
    line, microphone = Continuity(RATE_HZ), Microphone(ppm=ppm)
    assert gaps(placed(line, microphone.blocks(1800))) == []
