"""Figures of the bench: the promise beside the rates, each bar its slope times its step."""

from __future__ import annotations

import pytest

from torsionbeat.display.bench_plots import SMALL_STEPS, judgement_figure, strip_figure
from torsionbeat.jobs.advise import AdviseRequest, advise
from torsionbeat.jobs.strip import StripRequest, strip
from torsionbeat.regulation.stock import Stock


def test_the_promise_stands_beside_the_rates():
    from uncertainties import ufloat

    judgement = advise(AdviseRequest(rate_s_per_day=ufloat(720, 0.5), stock=Stock()))
    (axes,) = judgement_figure(judgement).axes
    _, low, high = judgement.correction.expected_interval_s_per_day
    drawn = [line.get_segments()[0][:, 1] for line in axes.collections if hasattr(line, "get_segments")]
    ends = [sorted(each) for each in drawn if len(each) == 2]
    assert any(one == pytest.approx([low, high], abs=1e-6) for one in ends)
    assert any(one == pytest.approx([720 - 0.98, 720 + 0.98], abs=1e-6) for one in ends)


def test_each_bar_is_its_slope_times_its_step():
    result = strip(StripRequest(100.0, 0.5, 100.0, 300.0))
    (axes,) = strip_figure(result).axes
    widths = [bar.get_width() for bar in axes.patches]
    slopes = result.now.sensitivities
    assert widths == pytest.approx(
        [step * getattr(slopes, field) for _, field, step in SMALL_STEPS]
        + [result.s_per_day_per_k.nominal_value]
    )
    # CHECKS 1b, strip A: a gram on the axis gains 1.24 s/day; 2d: a kelvin loses 13.69.
    assert widths[3] == pytest.approx(12.4, abs=0.6)
    assert widths[4] == pytest.approx(-13.69, abs=0.15)
