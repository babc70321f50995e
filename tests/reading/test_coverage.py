"""Every stated interval against the truth: seeded clocks, slow noise, few beats and gaps, without any sound.

The cases are those of ``tests/coverage_cases.py``; ``tests/benchmarks/coverages.py`` runs more of them and prints the table.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

_PATH = Path(__file__).parent.parent / "coverage_cases.py"
_SPEC = importlib.util.spec_from_file_location(_PATH.stem, _PATH)
cases = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(cases)

RUNS = 24
FIGURES = {
    "period": 20, "period, crystal unknown": 20, "rate": 20, "rate, crystal unknown": 20, "beat error": 90, "offset": 90,
    "arc": 90, "trend of the arc": 90, "Q of a free swing": 20, "settling time": 20, "time constant of settling": 10,
    "temperature coefficient": 20, "hand check": 20, "timebase by the computer's clock": 20, "mean over blocks": 20,
    "median over blocks": 20, "difference of two groups of nights": 20, "promise of the next step": 20,
}  # fmt: skip
"""Every figure that is held against its truth, and how many values of it are stated at least."""


@pytest.fixture(scope="module")
def found():
    rows = [row for make in cases.CASES.values() for seed in range(RUNS) for row in make(seed)]
    return cases.pulls(rows)


@pytest.mark.parametrize("figure", FIGURES)
def test_the_interval_holds(found, figure):
    own = np.array(found[figure])
    assert len(own) >= FIGURES[figure]
    held = np.count_nonzero(np.abs(own) <= cases.COVERAGE)
    # 90 of 100 at least: so few by chance once in a thousand.
    assert held >= binom.ppf(1e-3, len(own), 0.90)
    # Nor several times too wide: an interval of twice its width has a root mean square of 0.5, a third 0.33.
    assert np.sqrt(np.mean(own**2)) > 0.3
    # And no outlier that a normal error would never be.
    assert np.abs(own).max() < 8


def test_every_figure_is_named(found):
    assert set(found) == set(FIGURES)
