"""Speed and memory of reading a night, side by side in one run. Run: python tests/benchmarks/speed.py [hours]

Each figure is a process of its own on one core: pure decoding with soundfile.blocks, the whole `torsionbeat analyse`,
the listener fed from memory at once (its share of a core in live use), librosa's stock onset detector on ten minutes,
and the start of the command. Memory is the greatest resident set of the process.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

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
import sys, time, soundfile, librosa
sound, rate = soundfile.read(sys.argv[1], frames=48000 * 600, dtype="float32")
librosa.onset.onset_detect(y=sound[: rate * 5], sr=rate, hop_length=256)
began = time.process_time()
print(len(librosa.onset.onset_detect(y=sound, sr=rate, hop_length=256)), time.process_time() - began)
"""


def run(code: str, *arguments: str) -> tuple[float, float, str]:
    """Seconds of processor time, peak memory in MB, and what was printed, of one process."""
    measured = (
        "import resource, runpy, subprocess, sys;"
        "done = subprocess.run([sys.executable, '-c', *sys.argv[1:]], capture_output=True, text=True);"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN);"
        "print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024);"
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
    seconds, memory = map(float, first.split())
    return seconds, memory, rest[0] if rest else ""


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

    hours = [1.0, float(sys.argv[1]) if len(sys.argv) > 1 else 2.0]
    with tempfile.TemporaryDirectory() as folder:
        for length in hours:
            path = str(Path(folder) / f"{length:g}h.flac")
            SCENES["clear"](7, 3600 * length).render().write(path, with_truth=False)
            decode, _, _ = run(DECODE, path)
            whole, memory, _ = run(ANALYSE, path)
            print(
                f"{length:4g} h: decoding {decode:6.2f} s, analyse {whole:6.2f} s, {whole / decode:.2f} times (target 2); "
                f"{memory:.0f} MB (target 400)"
            )
        path = str(Path(folder) / f"{hours[0]:g}h.flac")
        print(f"listener in live use: {float(run(FEED, path)[2]):.2%} of a core (target 3 %)")
        detections, seconds = run(LIBROSA, path)[2].split()
        print(f"stock onset detector, 10 minutes: {detections} detections in {float(seconds):.1f} s")
    plain = started(["-c", "pass"])
    helped = started(["-c", "import sys; from torsionbeat.cli import main; sys.exit(main(['--help']))"])
    print(f"--help: {helped - plain:.2f} s over python -c pass (target 0.3 s)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
