"""Whether every interval that is stated holds the truth as often as it says, without any sound.

Run: python tests/benchmarks/coverages.py [runs of each case] [first seed]

The cases are those of ``tests/coverage_cases.py``: seeded clocks with the noise of single sounds, slow wander, few beats
and gaps. Printed for each case and figure, and for each figure over all cases: how many were stated, the share held by
value +- 1.96 u with its own standard error, the root mean square of error over u (1 for an interval of the right width),
and the worst. Target: each figure 90 to 99 % over all cases, two standard errors allowed. A half-width that is stated for
a rectangle (an unknown crystal) holds always: 1.96 u of it is more than its half-width.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from coverage_cases import CASES, COVERAGE, RECTANGLES, pulls


def main() -> int:
    """Run all cases, print the table; exit 1 where a figure lies outside 90 to 99 % beyond two standard errors."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    only = sys.argv[3] if len(sys.argv) > 3 else ""
    started, missed = time.monotonic(), 0
    whole: dict[str, list[float]] = {}
    print(f"{'case':28} {'figure':36} {'held':>9} {'share':>7} {'+-':>5} {'rms':>5} {'worst':>6}")
    for case, make in CASES.items():
        if only not in case:
            continue
        rows = [row for seed in range(first, first + runs) for row in make(seed)]
        for figure, own in pulls(rows).items():
            whole.setdefault(figure, []).extend(own)
            show(case, figure, own)
    print()
    for figure, own in whole.items():
        missed += not show("all", figure, own)
    print(f"{time.monotonic() - started:.0f} s, {missed} outside")
    return 1 if missed else 0


def show(case: str, figure: str, own: list[float]) -> bool:
    """Print one line; whether the share lies within 90 to 99 %."""
    sizes = np.abs(own)
    held = int(np.count_nonzero(sizes <= COVERAGE))
    share = held / len(own)
    error = float(np.sqrt(max(share * (1 - share), 0.01) / len(own)))
    within = share + 2 * error >= 0.90 and (share - 2 * error <= 0.99 or figure in RECTANGLES)
    rms = float(np.sqrt(np.mean(np.square(own))))
    told = "" if within or case != "all" else "  MISSED"
    print(
        f"{case:28} {figure:36} {held:4}/{len(own):4} {share:7.1%} {error:5.1%} {rms:5.2f} {sizes.max():6.1f}{told}"
    )
    return within


if __name__ == "__main__":
    raise SystemExit(main())
