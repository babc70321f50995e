"""Speed and memory of reading a night, side by side in one run. Run: python tests/benchmarks/speed.py [hours ...]

Each figure is a process of its own: pure decoding with soundfile.blocks, the whole `torsionbeat analyse`,
the listener fed from memory at once (its share of a core in live use), librosa's stock onset detector on the same hour
(in pieces of ten minutes, read first), the hour beside a clock that ticks five times a second, and the start of the command.
Work is processor time, all cores together; time is what a clock on the wall shows, with as many cores as are free (two or
more let decoding run ahead). Memory is the greatest resident set of the process.
Recall and precision count a detection within 50 ms of a true sound (the window of mir_eval.onset.f_measure).
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
DECODE = """
import sys, soundfile
for block in soundfile.blocks(sys.argv[1], blocksize=262144, dtype="float32"):
    pass
"""
ANALYSE = """
import sys
from torsionbeat.cli import main
sys.exit(main(["analyse", sys.argv[1], "--period", "60", "--lift", "20", "--json", sys.argv[1] + ".json"]))
"""
FEED = """
import sys, time, soundfile
from torsionbeat.hearing.listener import Listener
sound, rate = soundfile.read(sys.argv[1], frames=48000 * 600, dtype="float32")
listener = Listener(rate, 1, nominal_period_s=60)
began = time.process_time()
for start in range(0, len(sound), 4800):
    listener.feed(sound[start : start + 4800])
print((time.process_time() - began) / (len(sound) / rate))
"""
LIBROSA = """
import sys, time, numpy, soundfile, librosa
rate = soundfile.info(sys.argv[1]).samplerate
pieces = soundfile.blocks(sys.argv[1], blocksize=600 * rate, dtype="float32")
spent, found = 0.0, []
for number, sound in enumerate(pieces):
    if number == 0:
        librosa.onset.onset_detect(y=sound[: rate * 5], sr=rate, hop_length=256)
    began = time.process_time()
    found.append(600 * number + librosa.onset.onset_detect(y=sound, sr=rate, hop_length=256, units="time"))
    spent += time.process_time() - began
numpy.save(sys.argv[1] + ".onsets.npy", numpy.concatenate(found))
print(spent)
"""
EVENTS = """
import sys, numpy
from torsionbeat.reading.analysis import Listening, analyse_fully
from torsionbeat.reading.figures import Clock
reading = analyse_fully(sys.argv[1], Clock("", 60.0, 20.0), Listening(sample_clock_ppm=0.0)).reading
numpy.save(sys.argv[1] + ".heard.npy", reading.events.time_s)
"""


def recall_and_precision(found: np.ndarray, true: np.ndarray) -> tuple[float, float]:
    """Share of true sounds found within 50 ms, and share of what was found that lies within 50 ms of a true one."""
    apart = np.abs(found[:, None] - true[None, :])
    return float(np.mean(apart.min(axis=0) < 0.05)), float(np.mean(apart.min(axis=1) < 0.05))


def run(code: str, *arguments: str) -> tuple[float, float, float, str]:
    """Seconds of processor time and on the wall, peak memory in MB, and what was printed, of one process."""
    measured = (
        "import resource, subprocess, sys, time;"
        "began = time.perf_counter();"
        "done = subprocess.run([sys.executable, '-c', *sys.argv[1:]], capture_output=True, text=True);"
        "wall = time.perf_counter() - began;"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN);"
        "print(used.ru_utime + used.ru_stime, wall, used.ru_maxrss / 1024);"
        "print(done.stdout.strip().splitlines()[-1] if done.stdout.strip() else done.stderr[-200:])"
    )
    done = subprocess.run(
        [sys.executable, "-c", measured, code, *arguments],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **ONE_THREAD},
    )
    first, *rest = done.stdout.splitlines()
    work, wall, memory = map(float, first.split())
    return work, wall, memory, rest[0] if rest else ""


def started(code: list[str], times: int = 7) -> float:
    """Median wall time of a command."""
    walls = []
    for _ in range(times):
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, *code], capture_output=True, check=True, env={**os.environ, **ONE_THREAD}
        )
        walls.append(time.perf_counter() - began)
    return statistics.median(walls)


def main() -> int:
    """Render, measure, print."""
    from torsionbeat.twin import SCENES

    hours = [1.0, *(float(given) for given in sys.argv[1:] or ["2"])]
    with tempfile.TemporaryDirectory() as folder:
        for length in hours:
            path = str(Path(folder) / f"{length:g}h.flac")
            rendering = SCENES["clear"](7, 3600 * length).render()
            rendering.write(path, with_truth=False)
            if length == hours[0]:
                true = rendering.truth.events.time_s
            decode, decode_wall, *_ = run(DECODE, path)
            work, wall, memory, _ = run(ANALYSE, path)
            print(
                f"{length:4g} h: decoding {decode:6.2f} s, analyse {work:6.2f} s of work, {work / decode:.2f} times "
                f"(target 2.1 for a night); in {wall:.2f} s, {wall / decode_wall:.2f} times (target 1.2 for a night on two "
                f"cores); {memory:.0f} MB (target 400)"
            )
            if length == hours[0]:
                plain_hour = work
            if length != hours[0]:
                Path(path).unlink()
        path = str(Path(folder) / f"{hours[0]:g}h.flac")
        print(f"listener in live use: {float(run(FEED, path)[3]):.2%} of a core (target 3 %)")
        stock_s = float(run(LIBROSA, path)[3])
        ours_s = run(EVENTS, path)[0]
        print(f"the hour: stock onset detector {stock_s:.1f} s, all of torsionbeat {ours_s:.1f} s")
        for name, file in (("stock onset detector", "onsets"), ("torsionbeat", "heard")):
            recall, precision = recall_and_precision(np.load(f"{path}.{file}.npy"), true)
            print(f"    {name:20} recall {recall:6.1%}, precision {precision:6.1%}")
        beside = str(Path(folder) / "beside.flac")
        SCENES["balance_room"](7, 3600 * hours[0]).render().write(beside, with_truth=False)
        work = run(ANALYSE, beside)[0]
        print(
            f"the hour beside five ticks a second: {work:.1f} s, {work / plain_hour:.2f} times the plain one (target 3)"
        )
    plain = started(["-c", "pass"])
    helped = started(["-c", "import sys; from torsionbeat.cli import main; sys.exit(main(['--help']))"])
    print(f"--help: {helped - plain:.2f} s over python -c pass (target 0.3 s)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
