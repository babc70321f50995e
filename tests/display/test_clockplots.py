"""Decay and history: what their artists hold."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.display.clockplots import DatedFigure, DatedWork, decay_figure, history_figure
from torsionbeat.history.arc_findings import Decay

BEGIN = datetime(2026, 2, 3, 20, tzinfo=UTC)


def dated(*rows):
    return [DatedFigure(BEGIN + timedelta(days=day), ufloat(value, 2.0)) for day, value in rows]


def works(*rows):
    return [DatedWork(BEGIN + timedelta(days=day), what) for day, what in rows]


RATES = dated((0, -14), (3, 9), (5, 2.4))
ARCS = dated((0, 400), (3, 430), (5, 431))


def test_both_laws_are_drawn_and_the_right_one_leaves_noise():
    time = np.arange(0, 5400.0, 30)
    noise = np.random.default_rng(1).normal(0, 0.4, time.size)
    figure = decay_figure(Decay(time, 430 * np.exp(-np.pi * time / (300 * 60)) + noise, 60.0))
    arcs, rest = figure.axes
    labels = [text.get_text() for text in arcs.get_legend().get_texts()]
    assert labels[0] == "measured"
    assert labels[1].startswith("drag alone, leaves 0.3")
    assert labels[2].startswith("rubbing alone, leaves 9")
    q = float(arcs.get_title(loc="right").split("Q ")[1].split(" ")[0])
    assert q == pytest.approx(300, abs=1)
    air, dry = [line.get_ydata() for line in rest.lines if line.get_marker() in ("o", "s")]
    assert np.std(air) == pytest.approx(0.4, rel=0.2)
    assert np.std(dry) > 5


def test_a_free_swing_too_short_says_so():
    figure = decay_figure(Decay(np.arange(3.0), np.array([3.0, 2.0, 1.0]), 60.0))
    assert "arcs" in figure.axes[0].texts[0].get_text()


def test_history_shows_rate_and_arc_with_intervals_and_every_work_named():
    figure = history_figure(RATES, ARCS, works((1, "New strip, 0.10 mm"), (4, "Added 0.9 g")))
    rate, arc = figure.axes
    np.testing.assert_allclose(rate.lines[0].get_ydata(), [-14, 9, 2.4])
    np.testing.assert_allclose(arc.lines[0].get_ydata(), [400, 430, 431])
    ends = np.array(rate.collections[0].get_segments())[:, :, 1]
    np.testing.assert_allclose(ends[:, 1] - ends[:, 0], 2 * 1.96 * 2)
    assert [text.get_text() for text in rate.texts] == ["1", "2"]
    listed = figure.get_supxlabel()
    assert "1  2026-02-04  New strip, 0.10 mm" in listed
    assert "2  2026-02-07  Added 0.9 g" in listed


def test_only_the_last_works_are_named_but_all_are_numbered():
    many = works(*((0.1 * i, f"work {i}") for i in range(14)))
    figure = history_figure(RATES, ARCS, many)
    listed = figure.get_supxlabel().splitlines()
    assert listed[0] == "1 to 4  earlier works"
    assert len(listed) == 11
    assert listed[1].startswith("5  ")
    assert listed[-1].startswith("14  ")
    assert [text.get_text() for text in figure.axes[0].texts] == ["1-3", "4-6", "7-9", "10-12", "13-14"]


def test_labels_of_works_never_overprint():
    figure = history_figure(RATES, ARCS, works(*((0.31 * i, f"work {i}") for i in range(40))))
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in figure.axes[0].texts]
    assert len(boxes) > 10
    assert all(one.x1 <= other.x0 for one, other in pairwise(boxes))


def test_early_rates_far_off_bend_the_scale_and_say_so():
    far = dated((0, -930), (3, 410), (5, 60), (7, -12), (9, 2.4), (12, 1.9))
    axes = history_figure(far, [], []).axes[0]
    assert axes.get_yscale() == "symlog"
    assert axes.get_ylabel() == "rate (s/day), scale bent"
    assert history_figure(RATES, [], []).axes[0].get_yscale() == "linear"


def test_what_was_not_measured_gives_its_room_to_the_rest():
    nothing = [DatedFigure(BEGIN, None)]
    for figures, titles in (
        ((RATES, nothing, []), ["Rate (+ gains)"]),
        ((nothing, ARCS, []), ["Arc (amplitude end to end)"]),
        ((RATES, ARCS, [], RATES), ["Rate (+ gains)", "Arc (amplitude end to end)", "Beat error"]),
    ):
        assert [axes.get_title(loc="left") for axes in history_figure(*figures).axes] == titles
    empty = history_figure(nothing, nothing, [])
    assert "No reading in the log" in empty.axes[0].texts[0].get_text()


def test_the_clock_and_its_days_stand_at_the_head():
    head = history_figure(RATES, ARCS, [], clock="Harbour lamp").get_suptitle()
    assert head.startswith("Harbour lamp   2026-02-")
    assert " to 2026-02-" in head


def test_works_with_signs_of_mathematics_are_drawn_as_text():
    figure = history_figure(RATES, ARCS, works((1, "paid $5$ for a strip \x07" + "x" * 300)))
    figure.draw_without_rendering()
    assert r"\$5\$" in figure.get_supxlabel()
