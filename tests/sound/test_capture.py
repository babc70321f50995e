"""Listening live, with a stand-in for the sound system that fails on command."""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import DeviceError
from torsionbeat.sound.capture import LiveSource
from torsionbeat.sound.devices import Device
from torsionbeat.sound.hostclock import HostClock, HostState
from torsionbeat.sound.keeper import Keeper
from torsionbeat.sound.recording import open_recording

RATE_HZ = 8000
BLOCK = 800


class Bench:
    """A sound system whose time runs as fast as blocks are made; every sample is its true frame, in 24 bits.

    ``script`` is a list of steps: ("play", seconds), ("lose", seconds), ("overflow",), ("unplug", seconds),
    ("hang", seconds), ("set clock", seconds), ("wait",); the end of the script plays on until nobody listens.
    """

    def __init__(self, script, ppm=0.0):
        self.script = list(script)
        self.rate_hz = RATE_HZ * (1 + ppm * 1e-6)
        self.frame = 0
        self.utc_ahead_s = 1e9
        self.plugged = True
        self.overflow = False
        self.opened = self.restarts = 0
        self.closed = []
        self.streams = []
        self.played_out, self.waiting, self.go_on = (threading.Event() for _ in range(3))
        self._away_until = None

    def clock(self, synchronised=True):
        return HostClock(
            lambda: round(1e9 * self.frame / self.rate_hz),
            lambda: round(1e9 * (self.frame / self.rate_hz + self.utc_ahead_s)),
            lambda: synchronised,
        )

    def devices(self):
        if not self.plugged:
            return []
        return [Device(3 + self.restarts, "Bench microphone", "stand-in", 1, float(RATE_HZ), True)]

    def accepts(self, _device, sample_rate_hz, channels):
        return (sample_rate_hz, channels) == (RATE_HZ, 1)

    def restart(self):
        self.restarts += 1
        if self._away_until is not None and self.restarts >= self._away_until:
            self.plugged, self._away_until = True, None

    def open(self, _device, _rate, _channels, block_frames, on_block, on_end):
        if not self.plugged:
            raise DeviceError("unplugged")
        self.opened += 1
        for stream in self.streams:  # what a stream that is gone still has to say
            stream.on_block(np.ones((block_frames, 1), np.float32), True)
            stream.on_end()
        self.streams.append(BenchStream(self, block_frames, on_block, on_end))
        return self.streams[-1]


class BenchStream:
    def __init__(self, bench, block_frames, on_block, on_end):
        self.bench, self.block_frames, self.on_block, self.on_end = bench, block_frames, on_block, on_end
        self.going = True
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self):
        bench = self.bench
        while self.going:
            what, *amount = bench.script.pop(0) if bench.script else ("idle",)
            if what == "play":
                for _ in range(round(amount[0] * RATE_HZ / self.block_frames)):
                    frames = np.arange(bench.frame, bench.frame + self.block_frames)[:, None]
                    bench.frame += self.block_frames
                    self.on_block((frames / 2**23).astype(np.float32), bench.overflow)
                    bench.overflow = False
            elif what == "wait":
                bench.waiting.set()
                bench.go_on.wait(10)
            elif what == "lose":
                bench.frame += round(amount[0] * RATE_HZ)
            elif what == "overflow":
                bench.overflow = True
            elif what == "set clock":
                bench.utc_ahead_s += amount[0]
            elif what == "unplug":
                bench.plugged, bench._away_until = False, bench.restarts + 2
                bench.frame += round(amount[0] * RATE_HZ)
                self.on_end()
                return
            elif what == "hang":  # active, and nothing comes
                bench.frame += round(amount[0] * RATE_HZ)
                return
            else:
                bench.played_out.set()
                return

    def abort(self):
        self.going = False
        self.bench.closed.append("abort")

    def close(self):
        self.thread.join(5)
        self.bench.closed.append("close")


def listen(bench, **options):
    """All that is heard of a script; the source, its blocks and its events."""
    events = []
    source = LiveSource(
        None,
        sample_rate_hz=RATE_HZ,
        block_frames=BLOCK,
        silence_s=0.3,
        rejoin_every_s=0.01,
        queue_blocks=100_000,
        backend=bench,
        clock=options.pop("clock", None) or bench.clock(),
        on_event=lambda what, **details: events.append((what, details)),
        **options,
    )
    blocks = []
    with source:
        threading.Thread(target=stop_after, args=(bench, source), daemon=True).start()
        blocks.extend(source.blocks())
    return source, blocks, events


def stop_after(bench, source):
    bench.played_out.wait(20)
    while not source._queue.empty():
        time.sleep(0.01)
    source.stop()


def frames_of(blocks):
    """Place on the time line and true frame of every sample."""
    place = np.concatenate([np.arange(block.start_frame, block.stop_frame) for block in blocks])
    true = np.concatenate([np.round(block.samples[:, 0] * 2.0**23).astype(int) for block in blocks])
    return place, true


def named(events, what):
    return [details for name, details in events if name == what]


def test_sound_comes_through_untouched_after_two_seconds():
    bench = Bench([("play", 20)])
    source, blocks, events = listen(bench)
    place, true = frames_of(blocks)
    assert np.array_equal(place, np.arange(18 * RATE_HZ))
    assert np.array_equal(true, place + 2 * RATE_HZ)
    assert all(block.samples.shape == (BLOCK, 1) for block in blocks)
    assert (source.name, source.sample_rate_hz, source.channels) == ("Bench microphone", RATE_HZ, 1)
    assert source.remarks == []
    assert {what for what, _ in events} == {"clock"}
    assert bench.closed == ["abort", "close"]


def test_blocks_of_another_length():
    bench = Bench([("play", 10)])
    source = LiveSource(
        None,
        sample_rate_hz=RATE_HZ,
        block_frames=BLOCK,
        queue_blocks=10_000,
        backend=bench,
        clock=bench.clock(),
    )
    with source:
        blocks = source.blocks(3000)
        assert [len(next(blocks).samples) for _ in range(5)] == [3000] * 5


def test_overflow_flag_becomes_a_gap():
    source, blocks, events = listen(Bench([("play", 20), ("lose", 0.5), ("overflow",), ("play", 10)]))
    place, true = frames_of(blocks)
    assert np.array_equal(true, place + 2 * RATE_HZ)
    assert named(events, "gap") == [
        {
            "start_frame": 18 * RATE_HZ,
            "stop_frame": 18 * RATE_HZ + RATE_HZ // 2,
            "why": "the sound system lost sound",
        }
    ]
    assert len(named(events, "overflow")) == 1
    assert source.remarks == ["Nothing was heard for 0.50 s at 18.0 s: the sound system lost sound."]


def test_loss_without_a_word_becomes_a_gap():
    _, blocks, events = listen(Bench([("play", 20), ("lose", 16), ("play", 10)]))
    place, true = frames_of(blocks)
    assert np.array_equal(true, place + 2 * RATE_HZ)
    assert [gap["stop_frame"] - gap["start_frame"] for gap in named(events, "gap")] == [16 * RATE_HZ]


def test_slow_listener_loses_sound_and_is_told():
    """The stand-in plays 20 s at once to a listener that is asleep, then goes on; 5 s fit the queue."""
    bench = Bench([("play", 20), ("wait",), ("play", 10)])
    events = []
    source = LiveSource(
        None,
        sample_rate_hz=RATE_HZ,
        block_frames=BLOCK,
        queue_blocks=50,
        backend=bench,
        clock=bench.clock(),
        on_event=lambda what, **details: events.append((what, details)),
    )
    with source:
        threading.Thread(target=stop_after, args=(bench, source), daemon=True).start()
        blocks = []
        for block in source.blocks():
            blocks.append(block)
            if len(blocks) == 1:
                bench.waiting.wait(10)
                bench.go_on.set()
    place, true = frames_of(blocks)
    assert np.array_equal(true, place + 2 * RATE_HZ)
    assert len(place) < 20 * RATE_HZ
    assert named(events, "gap")
    assert {gap["why"] for gap in named(events, "gap")} == {"the computer was too busy to take the sound"}


def test_unplugged_device_is_waited_for_and_joins_in_by_the_clock():
    bench = Bench([("play", 20), ("unplug", 30), ("play", 20)])
    source, blocks, events = listen(bench)
    place, true = frames_of(blocks)
    assert np.array_equal(true, place + 2 * RATE_HZ)
    assert [(gap["start_frame"], gap["stop_frame"]) for gap in named(events, "gap")] == [
        (18 * RATE_HZ, 50 * RATE_HZ)  # 30 s away, and 2 s of the reopened device left out
    ]
    assert len(named(events, "device lost")) == len(named(events, "device back")) == 1
    assert bench.opened == 2
    assert source.device.number == 3 + bench.restarts
    assert source.remarks == ["Nothing was heard for 32.00 s at 18.0 s: the microphone was away."]
    assert {details["stretch"] for details in named(events, "clock")} == {0, 1}


def test_device_that_delivers_nothing_is_reopened():
    bench = Bench([("play", 20), ("hang", 5), ("play", 20)])
    _, blocks, events = listen(bench)
    place, true = frames_of(blocks)
    assert np.array_equal(true, place + 2 * RATE_HZ)
    assert len(named(events, "gap")) == 1
    assert bench.opened == 2
    assert bench.closed[:2] == ["abort", "close"]


def test_device_that_never_comes_back():
    bench = Bench([("play", 20), ("unplug", 1)])
    bench.restart = lambda: None
    with pytest.raises(DeviceError, match=r"Bench microphone went away and did not come back within 0\.2 s"):
        listen(bench, patience_s=0.2)
    assert bench.closed == ["abort", "close"]


def test_clock_of_day_set_while_listening():
    source, blocks, events = listen(Bench([("play", 10), ("set clock", 3600.0), ("play", 10)]))
    assert [details["step_s"] for details in named(events, "clock set")] == [pytest.approx(3600.0)]
    assert named(events, "gap") == []
    assert len(frames_of(blocks)[0]) == 18 * RATE_HZ
    assert source.remarks == [
        "The computer's clock of day was set while recording (+3600.00 s); no time rests on it."
    ]


def test_timebase_from_the_computers_clock():
    bench = Bench([("play", 600)], ppm=70.0)
    clock = replace(
        bench.clock(), state=lambda: HostState(True, 1e-6, 1e-6)
    )  # as good a clock as the bench's is
    source, _, _ = listen(bench, clock=clock)
    found = source.timebase
    assert (found.source, found.synchronised) == ("host clock", True)
    assert found.offset_ppm == pytest.approx(70, abs=0.5)  # rounding to ns and whole blocks, no jitter


def test_network_time_lost_while_listening():
    bench = Bench([("play", 1300)])
    answers = iter([True, False, False])
    clock = HostClock(bench.clock().monotonic_ns, bench.clock().utc_ns, lambda: next(answers))
    source, _, events = listen(bench, clock=clock)
    assert [details["synchronised"] for details in named(events, "network time")] == [False]
    assert source.synchronised is False


def test_device_that_cannot_do_what_was_wanted_says_so():
    bench = Bench([])
    source = LiveSource(None, sample_rate_hz=96_000, channels=2, backend=bench, clock=bench.clock())
    assert (source.sample_rate_hz, source.channels) == (RATE_HZ, 1)
    assert source.remarks == ["Bench microphone gives 8000 Hz and 1 channels; 96000 Hz and 2 were wanted."]


def test_kept_while_listening_and_read_again(tmp_path):
    bench = Bench([("play", 60), ("lose", 3), ("play", 60), ("unplug", 30), ("play", 30)])
    events = []
    source = LiveSource(
        None,
        sample_rate_hz=RATE_HZ,
        block_frames=BLOCK,
        silence_s=0.3,
        rejoin_every_s=0.01,
        queue_blocks=100_000,
        backend=bench,
        clock=bench.clock(),
    )
    with (
        source,
        Keeper(
            tmp_path / "night", source.sample_rate_hz, source.channels, synchronised=source.synchronised
        ) as keeper,
    ):
        source.on_event = keeper.note
        threading.Thread(target=stop_after, args=(bench, source), daemon=True).start()
        for block in source.blocks():
            keeper.hear(block)
            events.append(block)
    with open_recording(tmp_path / "night") as recording:
        again = list(recording.blocks())
    assert all(
        np.array_equal(now, then) for now, then in zip(frames_of(again), frames_of(events), strict=True)
    )
    assert [sentence for sentence in recording.remarks if "Nothing was heard" in sentence] == source.remarks
    assert recording.timebase.source == "host clock"
    assert recording.timebase.offset_ppm == source.timebase.offset_ppm


def test_time_goes_by_at_a_device_that_delivers_nothing():
    """By the computer's own clock: 0.2 s wanted, 0.1 s to settle and 1 s of slack."""
    bench = Bench([])
    source = LiveSource(None, sample_rate_hz=RATE_HZ, settle_s=0.1, backend=bench, clock=HostClock())
    begun = time.monotonic()
    with source:
        seen = [(moment, source.silent_s) for moment in source.moments(for_s=0.2)]
    assert 1.0 < time.monotonic() - begun < 5
    assert [moment for moment, _ in seen] == [None] * len(seen)
    assert len(seen) >= 5
    assert seen[-1][1] > 1.0


def test_a_device_that_is_away_is_waited_for_in_moments_too():
    """Lost after 3 s, never back: the listening ends by time all the same."""
    bench = Bench([("play", 3), ("unplug", 1)])
    bench.restart = lambda: None
    source = LiveSource(
        None,
        sample_rate_hz=RATE_HZ,
        block_frames=BLOCK,
        silence_s=0.2,
        settle_s=0.1,
        backend=bench,
        clock=HostClock(),
    )
    with source:
        moments = list(source.moments(for_s=1.0))
    assert moments[-1] is None
    assert any(moment is not None for moment in moments)
