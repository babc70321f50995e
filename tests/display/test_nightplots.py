"""Beat error and stability: what their artists hold."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.display.nightplots import beat_error_figure, beat_errors_ms, stability_figure
from torsionbeat.reading.figures import Swings
from torsionbeat.theory.stability import deviation, phase_on_grid


def swings_at(times, numbers):
    side = np.where(np.asarray(numbers) % 2, "b", "a")
    blank = np.full(len(times), np.nan)
    return Swings(numbers, times, side, blank, blank, blank)


def test_beat_error_is_half_the_difference_of_the_intervals():
    # a to b 7.6 s, b to a 7.4 s: half of the difference is 100 ms
    time, error, row = beat_errors_ms(swings_at([0, 7.6, 15, 22.6, 30], [0, 1, 2, 3, 4]))
    np.testing.assert_allclose(error, 100)
    np.testing.assert_allclose(time, [7.6, 15, 22.6])
    assert list(row) == [1, 2, 3]


def test_a_missed_beat_costs_its_neighbours_alone():
    _, error, row = beat_errors_ms(swings_at([0, 7.6, 15, 30, 37.6, 45], [0, 1, 2, 4, 5, 6]))
    assert list(row) == [1, 4]
    np.testing.assert_allclose(error, 100)


def test_fewer_than_three_beats_have_none():
    assert beat_errors_ms(swings_at([0, 7.6], [0, 1]))[0].size == 0


def test_mean_of_what_is_drawn_is_the_readings_beat_error(night):
    axes = beat_error_figure(night).axes[0]
    drawn = np.concatenate([line.get_ydata() for line in axes.lines if line.get_marker() in ("o", "s")])
    assert len(drawn) == 478
    assert np.mean(drawn) == pytest.approx(night.beat_error_ms.nominal_value, abs=0.1)


def test_the_second_axis_turns_the_beat_error_into_the_offset(night):
    axes = beat_error_figure(night).axes[0]
    other = axes.child_axes[0]
    other.figure.draw_without_rendering()
    slope = np.divide(*np.ptp([other.get_ylim(), axes.get_ylim()], axis=1))
    assert slope * night.beat_error_ms.nominal_value == pytest.approx(1.8, abs=0.01)
    assert other.get_ylabel() == "offset (deg)"


def test_no_angle_is_drawn_without_an_arc(drop_only):
    assert not beat_error_figure(drop_only).axes[0].child_axes


def test_no_beat_error_says_why(night):
    from dataclasses import replace

    bare = replace(night, swings=swings_at([0, 30], [0, 1]))
    axes = beat_error_figure(bare).axes[0]
    assert "No three beats in a row" in axes.texts[0].get_text()


def test_stability_is_drawn_on_log_axes_with_its_limits(night):
    axes = stability_figure([night]).axes[0]
    assert (axes.get_xscale(), axes.get_yscale()) == ("log", "log")
    minutes, drawn = axes.lines[0].get_xydata().T
    from torsionbeat.theory.rate import fit_beats

    s = night.swings
    fit = fit_beats(s.time_s, s.number, s.side)
    first = deviation(phase_on_grid(s.number, fit.residual_s), fit.period_s.nominal_value / 2, 2)[0]
    assert drawn[0] == pytest.approx(86_400 * first)
    assert minutes[0] == pytest.approx(1.0, rel=1e-3)  # one period of a 60 s clock
    band = axes.collections[0].get_paths()[0].get_extents()
    assert band.ymax > drawn.max()
    assert band.ymin < drawn.min()


def test_two_readings_are_told_apart_by_shape(night, drop_only):
    axes = stability_figure([night, drop_only]).axes[0]
    assert [line.get_marker() for line in axes.lines] == ["o", "s"]
    assert len(axes.get_legend().get_texts()) == 2


def test_too_few_beats_for_stability_say_so(night):
    from dataclasses import replace

    axes = stability_figure([replace(night, swings=swings_at([0, 30], [0, 1]))]).axes[0]
    assert "record longer" in axes.texts[0].get_text().replace("\n", " ")
