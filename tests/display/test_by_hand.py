"""A strip in words: every way to time with its own unit."""

from __future__ import annotations

import re

import pytest

from torsionbeat.display.by_hand import strip_sentences
from torsionbeat.jobs.strip import StripRequest, strip


def ways(rate):
    """Each way to time by its name, and the sentence before them."""
    said = strip_sentences(strip(StripRequest(100.0, 0.6, 105.0, 300.0, period_s=15.0, rate_s_per_day=rate)))
    return {line[2:].partition(":")[0]: line for line in said if line.startswith("- ")}


@pytest.mark.parametrize(
    ("rate", "thinner", "longer"), [(600.0, "thinner", "longer"), (-600.0, "thicker", "shorter")]
)
def test_each_way_to_time_has_its_direction_and_unit(rate, thinner, longer):
    found = ways(rate)
    assert set(found) == {"thickness", "active length", "width"}
    change, unit, way, new_um, thousandths = re.search(
        r": ([\d.]+) (\w+) (\w+), between .* that is ([\d.]+) um \(([\d.]+) thousandths of an inch\)",
        found["thickness"],
    ).groups()
    assert (unit, way) == ("um", thinner)
    sign = -1 if rate > 0 else 1
    assert float(new_um) == pytest.approx(100 + sign * float(change), abs=0.06)  # four digits of it are told
    assert float(thousandths) == pytest.approx(float(new_um) / 25.4, abs=0.005)
    # The period goes with the root of the length: 600 of 86 400 s are 1.4 % of 105 mm.
    change, way, new_mm = re.search(
        r": ([\d.]+) mm (\w+), between .* that is ([\d.]+) mm\.", found["active length"]
    ).groups()
    assert way == longer
    assert float(change) == pytest.approx(2 * 600 / 86_400 * 105, rel=0.02)
    assert float(new_mm) == pytest.approx(105 - sign * float(change), abs=0.06)
    assert "inch" not in found["active length"] + found["width"]
