"""When a figure counts."""

from __future__ import annotations

import pytest
from uncertainties import ufloat

from torsionbeat.history.finding import SURE, Finding, beyond, pm


@pytest.mark.parametrize(
    ("figure", "found"),
    [
        (ufloat(5.0, 1.0), True),
        (ufloat(-5.0, 1.0), True),
        (ufloat(4.9, 1.0), False),  # not beyond the threshold
        (ufloat(5.0, 1.52), False),  # 3.289 standard uncertainties
        (ufloat(5.0, 1.51), True),
        (ufloat(-5.0, 1.52), False),
    ],
)
def test_a_figure_counts_beyond_its_threshold_and_surely_not_zero(figure, found):
    assert beyond(figure, 5.0) is found


def test_sure_is_once_in_a_thousand():
    from scipy.special import ndtr

    assert 2 * (1 - ndtr(SURE)) == pytest.approx(1e-3, rel=0.01)


def test_a_figure_is_written_with_half_of_its_interval():
    assert pm(ufloat(-2.0, 0.5), 2) == "-2.00 ± 0.98"


@pytest.mark.parametrize("evidence", [(), ("",), ("a figure", "")])
def test_a_finding_needs_evidence(evidence):
    with pytest.raises(ValueError, match="'x' has no evidence"):
        Finding("x", "what", evidence, "clear", "look", "beware")
