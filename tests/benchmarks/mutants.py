"""Whether the tests notice a fault: deliberate ones are put in, one after the other, and the tests that belong run.

Run: python tests/benchmarks/mutants.py [part of a file's name or of a fault] [--processes 2]

The faults stand in ``faults.py``: a file, a text in it, what takes its place, and the tests that must fail. All happens in
a scratch copy of the package and its tests. Printed are the faults that were killed and those that survived, each
survivor with why it may, or nothing. A text that is not found once is an error: the table must follow the code.
Target: 95 % killed, and every survivor explained.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from faults import FAULTS, Fault

ROOT = Path(__file__).resolve().parent.parent.parent
LONGEST_S = 300.0
"""A fault that makes its tests run for so long is found: something never ends."""


def copied(to: Path) -> Path:
    """Copy what the tests need."""
    for name in ("torsionbeat", "tests"):
        shutil.copytree(
            ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__", "baseline_images")
        )
    for name in ("pyproject.toml", "README.md", "CHANGELOG.md", "samples"):
        source = ROOT / name
        if source.is_dir():
            (to / name).symlink_to(source)
        elif source.exists():
            shutil.copy(source, to / name)
    return to


def tests_fail(folder: Path, tests: tuple[str, ...]) -> bool:
    """Run tests in a copy; whether any fails."""
    environment = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-x",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:randomly",
        *tests,
    ]
    try:
        done = subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, timeout=LONGEST_S, check=False
        )
    except subprocess.TimeoutExpired:
        return True
    if done.returncode not in (0, 1, 2):
        raise RuntimeError(done.stdout.decode()[-2000:] + done.stderr.decode()[-2000:])
    return done.returncode != 0


def outcome(fault: Fault) -> tuple[Fault, bool | str, float]:
    """Put one fault in and run its tests; killed or not, or why it could not be put in."""
    started = time.monotonic()
    folder = _folder()
    path = folder / "torsionbeat" / fault.file
    text = path.read_text(encoding="utf-8")
    if text.count(fault.text) != 1:
        return fault, f"its text stands there {text.count(fault.text)} times", 0.0
    path.write_text(text.replace(fault.text, fault.instead), encoding="utf-8")
    try:
        return fault, tests_fail(folder, fault.tests), time.monotonic() - started
    finally:
        path.write_text(text, encoding="utf-8")


_OWN: list[Path] = []


def _folder() -> Path:
    """Give this process's own copy."""
    if not _OWN:
        _OWN.append(copied(Path(tempfile.mkdtemp(prefix="mutants-"))))
    return _OWN[0]


def main() -> int:
    """Put in all faults, or those asked for; exit 1 where one survives unexplained or cannot be put in."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("only", nargs="?", default="")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    faults = [fault for fault in FAULTS if asked.only in f"{fault.file}: {fault.name}"]
    started = time.monotonic()
    wrong, survived, explained = 0, 0, 0
    with multiprocessing.get_context("spawn").Pool(asked.processes) as pool:
        for fault, killed, seconds in pool.imap(outcome, faults):
            if isinstance(killed, str):
                wrong += 1
                word = f"NOT PUT IN, {killed}"
            elif killed:
                word = "killed"
            else:
                survived, explained = survived + 1, explained + bool(fault.why)
                word = f"SURVIVED{': ' + fault.why if fault.why else ''}"
            print(f"{fault.file:34} {fault.name:58} {seconds:5.1f} s  {word}", flush=True)
    tried = len(faults) - wrong
    print(
        f"{tried} faults, {tried - survived} killed ({(tried - survived) / max(tried, 1):.1%}), {survived} survived, "
        f"{explained} of them explained, {wrong} not put in; {time.monotonic() - started:.0f} s"
    )
    return 1 if wrong or survived > explained else 0


if __name__ == "__main__":
    raise SystemExit(main())
