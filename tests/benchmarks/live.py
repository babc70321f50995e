"""What listening costs, whether it stays flat, whether it gives the file's figures, and what faults do.

    python tests/benchmarks/live.py            # all parts: ten minutes of listening, and some 25 of nights
    python tests/benchmarks/live.py --minutes 2 --nights 2 --night-h 0.2
    python tests/benchmarks/live.py --parts 35

Parts:

1. Cost: a sound server, a paced feeder and ``torsionbeat listen`` at 48 kHz as a process of its own; its CPU time
   and memory read once a second. Target: below 3 % of a core, memory flat. Skipped without PulseAudio.
2. The same recording's figures, as the live night printed them and as ``analyse`` reads the folder.
3. The listener alone, fed at full speed: share of a core that it takes of real time.
4. Fourteen nights in virtual time: memory after each, beats heard of beats expected.
5. Faults: what was done, what was lost, what the tool said.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil

from torsionbeat.hearing.listener import Listener
from torsionbeat.live.session import listen_live
from torsionbeat.reading.analysis import analyse
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.keeper import Keeper
from torsionbeat.twin import Recorder, simulate

HERE = Path(__file__).parent


def _load(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


live_parts = _load("live_parts", HERE.parent / "live_parts.py")
sound_server = _load("sound_server", HERE.parent / "sound_server.py")
test_listen = _load("test_listen", HERE.parent / "cli" / "test_listen.py")
CLOCK = Clock(nominal_period_s=6.0, lift_deg=20.0)


def real_time(minutes: float) -> None:
    """Parts 1 and 2."""
    if not sound_server.pulse_is_here():
        print("1, 2: left out, pulseaudio is not installed")
        return
    sound, _ = live_parts.rendered(6.0, 60 * minutes + 30, 48_000)
    with sound_server.PulseRoom(sound) as room:
        process = room.listen("--folder", "night", "--quiet")
        seen = psutil.Process(process.pid)
        room.wait_until_heard("night", 2)
        begun, before = time.monotonic(), seen.cpu_times()
        memory = []
        while time.monotonic() - begun < 60 * minutes:
            time.sleep(1)
            memory.append(seen.memory_info().rss / 1e6)
        after, took_s = seen.cpu_times(), time.monotonic() - begun
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=120)
        if process.returncode:
            print(f"1: listen ended with {process.returncode}: {said}")
            return
        cpu_s = after.user + after.system - before.user - before.system
        third = len(memory) // 3
        print(
            f"1  listening {took_s:.0f} s at 48 kHz: {100 * cpu_s / took_s:.2f} % of a core (target below 3 %)"
        )
        print(
            f"   memory {np.median(memory[third : 2 * third]):.0f} MB in the middle third, "
            f"{np.median(memory[-third:]):.0f} MB in the last, {max(memory):.0f} MB at most"
        )
        kept = json.loads((room.folder / "night/reading.json").read_text())
        again = analyse(room.folder / "night", CLOCK)
        print("2  figure                 live             analyse FOLDER")
        for name in ("period_s", "rate_s_per_day", "beat_error_ms", "arc_deg"):
            print(f"   {name:16} {kept[name]['value']:16.8f} {getattr(again, name).nominal_value:16.8f}")
        print(
            f"   beats heard      {kept['beats']['heard']:16d} {again.beats_heard:16d} of {again.beats_expected}"
        )


def listener_alone() -> None:
    """Part 3."""
    sound, _ = live_parts.rendered(6.0, 300.0, 48_000)
    listener = Listener(48_000.0, 1, nominal_period_s=6.0)
    begun = time.process_time()
    for start in range(0, len(sound), 2048):
        listener.feed(sound[start : start + 2048], start)
    fed = time.process_time() - begun
    listener.heard_so_far()
    asked = time.process_time() - begun - fed
    print(f"3  listener alone: {100 * fed / 300:.3f} % of a core; asking after 5 min costs {asked:.2f} s")


def two_weeks(nights: int, night_h: float) -> None:
    """Part 4."""
    clock, room = live_parts.bench_clock(15.0, sounds=("drop",))
    known = Clock(nominal_period_s=15.0)
    process = psutil.Process()
    memory, heard, expected = [], 0, 0
    begun = time.monotonic()
    for night in range(nights):
        rendering = simulate(clock, room, Recorder(8_000), 3600 * night_h, night)
        result = listen_live(Rendered(rendering), known)
        heard += result.reading.beats_heard
        expected += result.reading.beats_expected
        memory.append(process.memory_info().rss / 1e6)
    print(
        f"4  {nights} nights of {night_h:g} h in {time.monotonic() - begun:.0f} s: {heard} of {expected} beats; "
        f"memory after the nights, MB: {' '.join(f'{one:.0f}' for one in memory)}"
    )


class Rendered(live_parts.Playback):
    """Plays a rendering block by block, so that no night lies in memory."""

    def __init__(self, rendering) -> None:
        super().__init__(np.zeros(0, np.float32), rendering.sample_rate_hz)
        self.rendering = rendering

    def blocks(self):
        from torsionbeat.sound.block import Block

        start = 0
        for samples in self.rendering.blocks(8192):
            yield Block(start, samples.reshape(-1, 1))
            start += len(samples)


def faults() -> None:
    """Part 5: the stand-in for the sound system, 300 s of a 15 s clock, each fault by itself."""
    from torsionbeat.sound.capture import LiveSource

    sound, truth = live_parts.rendered(15.0, 300.0)
    true_s = truth.column("middle_s") - 2.0
    known = Clock(nominal_period_s=15.0, lift_deg=20.0)
    cases = {
        "nothing": ([], 10**12),
        "15 s lost without a word": ([(100.0, "lose", 15.0)], 10**12),
        "unplugged for 15 s": ([(100.0, "unplug", 15.0)], 10**12),
        "delivers nothing for 15 s": ([(100.0, "hang", 15.0)], 10**12),
        "disk full after 150 s": ([], 150),
    }
    print("5  fault                      beats  lost s  worst ms  kept s  what it said")
    for name, (script, room) in cases.items():
        folder = Path(tempfile.mkdtemp(prefix="tb-"))
        try:
            bench = test_listen.Bench(sound, script)
            checks = iter([10**12] * min(room, 10**6) + [0] * 10**5)
            with (
                LiveSource(
                    None, sample_rate_hz=16_000, backend=bench, clock=bench.clock(), queue_blocks=10**6,
                    silence_s=0.5, rejoin_every_s=0.01,
                ) as source,
                Keeper(folder / "night", 16_000, 1, free_bytes=lambda _, checks=checks: next(checks)) as keeper,
            ):  # fmt: skip
                result = listen_live(source, known, keeper=keeper, planned_s=290.0)
            heard_s = result.reading.swings.time_s
            miss_ms = 1e3 * (heard_s - true_s[np.abs(heard_s[:, None] - true_s).argmin(axis=1)])
            miss_ms = np.abs(
                miss_ms - np.median(miss_ms)
            )  # the device's first blocks are left out as a whole
            lost_s = sum(last - first for first, last in result.reading.recording.gaps)
            kept_s = analyse(folder / "night", known).recording.duration_s
            print(
                f"   {name:26} {len(heard_s):5d} {lost_s:7.1f} {miss_ms.max():9.2f} {kept_s:7.1f}  "
                f"{' '.join(result.remarks) or '-'}"
            )
        finally:
            shutil.rmtree(folder, ignore_errors=True)


def main() -> None:
    """Run all parts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--nights", type=int, default=14)
    parser.add_argument("--night-h", type=float, default=9.0)
    parser.add_argument("--parts", default="12345", help="which of the parts; 1 and 2 go together")
    options = parser.parse_args()
    if "3" in options.parts:
        listener_alone()
    if "5" in options.parts:
        faults()
    if "4" in options.parts:
        two_weeks(options.nights, options.night_h)
    if "1" in options.parts:
        real_time(options.minutes)


if __name__ == "__main__":
    sys.exit(main())
