"""Whether the tests notice a fault: deliberate ones are put in, one after the other, and the tests that belong run.

Run: python tests/benchmarks/mutants.py [parts of a file's name or of a fault ...] [--processes 2] [--part 1/8]
     python tests/benchmarks/mutants.py --drawn 200 --seed 1 [parts of a file's name ...]
     python tests/benchmarks/mutants.py --told results.jsonl

The faults stand in ``faults.py``: a file, a text in it, what takes its place, and the tests that must fail; with
``--drawn`` they are drawn at random from the package instead (``drawn.py``). All happens in a scratch copy of the
package and its tests. Printed are the faults that were killed and those that survived, each survivor with why it may, or
nothing. A text that is not found once is an error: the table must follow the code. ``--results`` keeps each verdict with
its date as a line of a file, ``--part`` does one part of the table, so that a long run may be made in pieces; ``--told``
prints what such a file holds, ``--left`` leaves out what it calls killed.
Target: 95 % of the table killed, and every survivor explained.
"""

from __future__ import annotations

import argparse
import compileall
import contextlib
import datetime
import importlib
import json
import multiprocessing
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
from drawn import LONG, drawn
from fault import Fault
from faults import FAULTS

ROOT = Path(__file__).resolve().parent.parent.parent
LONGEST_S = 600.0
"""A fault that makes its tests run for so long is found: something never ends."""

AHEAD = (
    "pytest", "numpy", "uncertainties", "allantools", "scipy.linalg", "scipy.optimize", "scipy.signal", "scipy.special",
    "scipy.stats", "scipy.integrate", "scipy.ndimage", "sqlalchemy.orm", "alembic.command", "soundfile", "platformdirs", "psutil",
    "typer.testing", "rich.console", "matplotlib.figure",
)  # fmt: skip
"""Loaded once, before the processes that run the tests branch off: most of what a small test takes is its imports."""

WITHOUT = "not (" + " or ".join(LONG) + ")"
"""Tests that are left out."""

WHOLE = "(no fault)"
"""What stands first for each set of tests: without a fault they must pass."""

_BRANCH = multiprocessing.get_context("fork")


def copied(to: Path) -> Path:
    """Copy what the tests need."""
    for name in ("torsionbeat", "tests"):
        shutil.copytree(ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "CHANGELOG.md", "DEVELOPERS.md"):
        if (ROOT / name).exists():
            shutil.copy(ROOT / name, to / name)
    (to / "samples").symlink_to(ROOT / "samples")
    compileall.compile_dir(to / "torsionbeat", quiet=2)
    return to


def run_tests(folder: Path, tests: tuple[str, ...]) -> None:
    """Run tests in a copy, in this process, and end it with their status."""
    import pytest

    os.chdir(folder)
    os.environ["PYTHONPATH"] = str(folder)
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    sys.path[:] = [str(folder), *(path for path in sys.path if Path(path or ".").resolve() != ROOT)]
    with (
        open(os.devnull, "w") as nowhere,
        contextlib.redirect_stdout(nowhere),
        contextlib.redirect_stderr(nowhere),
    ):
        status = pytest.main(["-q", "-x", "-p", "no:cacheprovider", "--capture=sys", "-k", WITHOUT, *tests])
    os._exit(int(status))


class Bench:
    """One scratch copy with the fault that is in it and the process that runs its tests."""

    def __init__(self) -> None:
        self.folder = copied(Path(tempfile.mkdtemp(prefix="mutants-")))
        self.fault: Fault | None = None
        self.process: Any = None
        self.text, self.started = "", 0.0
        self.written = int(time.time())

    def begin(self, fault: Fault) -> str:
        """Put a fault in and start its tests; why it could not be, or nothing. A fault without a text changes nothing."""
        path = self.folder / "torsionbeat" / fault.file
        self.text = path.read_text(encoding="utf-8") if path.exists() else ""
        if fault.text and self.text.count(fault.text) != 1:
            return f"NOT PUT IN: its text stands there {self.text.count(fault.text)} times"
        if fault.text:
            self.write(path, self.text.replace(fault.text, fault.instead))
        self.fault, self.started = fault, time.monotonic()
        self.process = _BRANCH.Process(target=run_tests, args=(self.folder, fault.tests))
        self.process.start()
        return ""

    def write(self, path: Path, text: str) -> None:
        """Write a file with a time of its own: compiled files are told to be stale by the second and the size."""
        path.write_text(text, encoding="utf-8")
        self.written += 2
        os.utime(path, (self.written, self.written))

    def ended(self) -> str:
        """Whether the fault was killed or survived, once its tests are through; before that, nothing."""
        self.process.join(0.05)
        late = time.monotonic() - self.started > LONGEST_S
        if self.process.is_alive() and not late:
            return ""
        if late:
            self.process.kill()
            self.process.join()
        assert self.fault is not None
        if self.fault.text:
            self.write(self.folder / "torsionbeat" / self.fault.file, self.text)
        status = self.process.exitcode
        if not late and status not in (0, 1, 2):
            return f"NOT PUT IN: its tests ended with status {status}"
        return "SURVIVED" if status == 0 else "killed"


def last_verdicts(path: Path) -> list[dict[str, str]]:
    """Give the last verdict on each fault that a file of results holds."""
    rows = {(row["file"], row["name"]): row for row in map(json.loads, path.read_text().splitlines())}
    return [row for row in rows.values() if row["name"] != WHOLE]


def killed_in(path: Path) -> set[tuple[str, str]]:
    """File and name of every fault that a file of results calls killed."""
    return {(row["file"], row["name"]) for row in last_verdicts(path) if row["verdict"] == "killed"}


def told(path: Path) -> int:
    """Print what a file of results holds: the last verdict on each fault."""
    verdicts = last_verdicts(path)
    days = sorted({row["at"] for row in verdicts})
    killed = sum(row["verdict"] == "killed" for row in verdicts)
    for row in verdicts:
        if row["verdict"] != "killed":
            print(f"{row['file']:32} {row['name']}  {row['verdict']}{': ' if row['why'] else ''}{row['why']}")
    rooms = sorted({row["file"].split("/")[0] for row in verdicts})
    for room in rooms:
        own = [row["verdict"] == "killed" for row in verdicts if row["file"].split("/")[0] == room]
        print(f"{room:16} {sum(own):4} of {len(own):4} killed")
    print(
        f"{len(verdicts)} faults, {killed} killed ({killed / max(len(verdicts), 1):.1%}); run {days[0]} to {days[-1]}"
    )
    return 0


def main() -> int:
    """Put in all faults, or those asked for; exit 1 where one survives unexplained or cannot be put in."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "only", nargs="*", default=[""], help="parts of a file's name or of a fault; any of them"
    )
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--part", default="1/1", help="which part of how many")
    parser.add_argument("--drawn", type=int, default=0, help="so many faults drawn at random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--results", type=Path, help="a file to which each verdict is added")
    parser.add_argument("--left", type=Path, help="leave out the faults that such a file calls killed")
    parser.add_argument(
        "--told", type=Path, help="print what such a file holds, as mutants.jsonl beside this one"
    )
    asked = parser.parse_args()
    if asked.told:
        return told(asked.told)
    if asked.drawn:
        waiting = drawn(ROOT, asked.drawn, asked.seed, asked.only)
    else:
        waiting = [one for one in FAULTS if any(part in f"{one.file}: {one.name}" for part in asked.only)]
    if asked.left:
        through = killed_in(asked.left)
        waiting = [one for one in waiting if (one.file, one.name) not in through]
    part, parts = map(int, asked.part.split("/"))
    waiting = waiting[part - 1 :: parts]
    whole = {fault.tests: Fault(fault.file, WHOLE, "", "", fault.tests) for fault in waiting}
    waiting = waiting if asked.drawn else [*whole.values(), *waiting]
    started, counts = time.monotonic(), {"killed": 0, "SURVIVED": 0, "NOT PUT IN": 0}
    unexplained = 0
    for name in AHEAD:
        importlib.import_module(name)
    benches = [Bench() for _ in range(min(asked.processes, max(len(waiting), 1)))]

    def tell(fault: Fault, word: str, seconds: float) -> None:
        nonlocal unexplained
        if fault.name == WHOLE:
            word = "passes" if word == "SURVIVED" else "FAILS, so that nothing can be told"
        counts[word.split(":")[0]] = counts.get(word.split(":")[0], 0) + 1
        unexplained += word not in ("killed", "passes") and not (word == "SURVIVED" and fault.why)
        why = f": {fault.why}" if word == "SURVIVED" and fault.why else ""
        print(f"{fault.file:32} {fault.name:52} {seconds:5.1f} s  {word}{why}", flush=True)
        if asked.results:
            row = {"file": fault.file, "name": fault.name, "verdict": word, "why": fault.why}
            now = datetime.datetime.now().astimezone().isoformat(timespec="minutes")
            with asked.results.open("a") as file:
                file.write(json.dumps(row | {"at": now}) + "\n")

    while waiting or any(bench.process for bench in benches):
        for bench in benches:
            if bench.process is not None and (word := bench.ended()):
                assert bench.fault is not None
                tell(bench.fault, word, time.monotonic() - bench.started)
                bench.process = None
            if bench.process is None and waiting:
                fault = waiting.pop(0)
                if word := bench.begin(fault):
                    tell(fault, word, 0.0)
    for bench in benches:
        shutil.rmtree(bench.folder)
    tried = counts["killed"] + counts["SURVIVED"]
    print(
        f"{tried} faults, {counts['killed']} killed ({counts['killed'] / max(tried, 1):.1%}), {counts['SURVIVED']} survived, "
        f"{counts['NOT PUT IN']} not put in, {unexplained} unexplained; {time.monotonic() - started:.0f} s"
    )
    return 1 if unexplained else 0


if __name__ == "__main__":
    raise SystemExit(main())
