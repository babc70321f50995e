"""Figures of bench calculations: an adjustment with its expected effect, and the effect of a strip's dimensions."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.clockplots import bend
from torsionbeat.display.words import number
from torsionbeat.theory.rate import DAY_S
from torsionbeat.theory.robust import COVERAGE

if TYPE_CHECKING:
    from torsionbeat.jobs.advise import Judgement
    from torsionbeat.jobs.strip import StripResult

__all__ = ["judgement_figure", "strip_figure"]

SMALL_STEPS = (
    ("1 um thicker", "s_per_day_per_um_thickness", 1.0),
    ("0.01 mm wider", "s_per_day_per_mm_width", 0.01),
    ("1 mm longer", "s_per_day_per_mm_length", 1.0),
    ("10 g more on the axis", "s_per_day_per_g_on_axis", 10.0),
)
"""Typical changes of a strip at the bench, and the slope for each."""


def judgement_figure(judgement: Judgement) -> Any:
    """Draw the rates that a judgement rests on, with their 95 % intervals, and what is expected of the next night.

    Returns
    -------
    matplotlib.figure.Figure
    """
    heard = judgement.heard
    start = heard[0].from_s
    days = np.array([(one.from_s - start) / DAY_S for one in heard])
    values = np.array([one.rate_s_per_day.nominal_value for one in heard])
    halves = np.array([COVERAGE * one.rate_s_per_day.std_dev for one in heard])
    middle, low, high = judgement.correction.expected_interval_s_per_day
    tolerance = judgement.tolerance_s_per_day
    with style.styled():
        figure = style.new_figure(height_in=3.6)
        dated = "" if start < DAY_S else f"from {datetime.fromtimestamp(start).astimezone():%Y-%m-%d}"
        style.head(figure, judgement.clock or "", dated)
        axes = figure.subplots()
        axes.set_title("Rate, and what the next night is expected to be")
        axes.set_xlabel("time from the first rate (days)")
        axes.set_ylabel("rate (s/day)")
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.axhspan(-tolerance, tolerance, color=style.LIGHT, alpha=0.3)
        axes.errorbar(days, values, halves, capsize=3, linestyle=":", **style.SIDE_MARKS["a"])
        axes.axhline(0, color=style.LIGHT, linewidth=0.8)
        place = days[-1] + max(1.0, 0.1 * float(np.ptp(days)))
        ends = np.array([[max(middle - low, 0.0)], [max(high - middle, 0.0)]])
        axes.errorbar([place], [middle], ends, capsize=5, **style.SIDE_MARKS["b"])
        axes.annotate("expected", (place, middle), xytext=(-6, 6), textcoords="offset points", ha="right")
        bend(axes, np.append(values, middle), np.append(halves, (high - low) / 2))
        axes.margins(x=0.08, y=0.12)
        style.note(axes, f"95 % intervals; the band is {number(tolerance, 1)} s a day either way")
        return figure


def strip_figure(result: StripResult) -> Any:
    """Draw the effect of small changes of a strip's dimensions, and of one kelvin, on the rate.

    Returns
    -------
    matplotlib.figure.Figure
    """
    slopes = result.now.sensitivities
    names = [name for name, _, _ in SMALL_STEPS]
    values = [step * getattr(slopes, field) for _, field, step in SMALL_STEPS]
    names.append("1 K warmer")
    values.append(result.s_per_day_per_k.nominal_value)
    places = np.arange(len(names))[::-1]
    with style.styled():
        figure = style.new_figure(height_in=3.0)
        style.head(figure, result.now.material.name)
        axes = figure.subplots()
        axes.set_title("What a small change of the strip does to the rate")
        axes.set_xlabel("change of rate (s/day): right gains, left loses")
        colours = [style.ACCENT if value > 0 else style.DARK for value in values]
        axes.barh(places, values, height=0.55, color=colours)
        axes.set_yticks(places, names)
        axes.axvline(0, color=style.DARK, linewidth=0.8)
        for place, value in zip(places, values, strict=True):
            axes.annotate(
                number(value, 1 if abs(value) < 100 else 0, sign=True),
                (value, place),
                xytext=(4 if value >= 0 else -4, 0),
                textcoords="offset points",
                ha="left" if value >= 0 else "right",
                va="center",
                fontsize=8,
            )
        axes.margins(x=0.18)
        return figure
