"""Figures of a clock's history: rate and arc after each work, and how a free swing dies away."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.words import plain, plus_minus
from torsionbeat.errors import InputError
from torsionbeat.history.arc_findings import Decay
from torsionbeat.reading.figures import UFloat

__all__ = ["DatedFigure", "DatedWork", "decay_figure", "history_figure", "plot_decay", "plot_history"]

MOST_WORKS_NAMED = 10

WIDE_RANGE = 30.0
"""Rates whose largest is so many times the last one's interval or more are drawn on a bent scale."""


@dataclass(frozen=True, slots=True)
class DatedFigure:
    """A figure of one reading and when the reading was taken; None where it was not measured."""

    taken_at: datetime
    figure: UFloat


@dataclass(frozen=True, slots=True)
class DatedWork:
    """A work and when it was done."""

    done_at: datetime
    what: str


def history_figure(
    rates: Sequence[DatedFigure], arcs: Sequence[DatedFigure], works: Sequence[DatedWork]
) -> Any:
    """Draw a clock's regulation: the rate of every reading and its arc, with each work numbered and named.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with style.styled():
        named = works[-MOST_WORKS_NAMED:]
        with_arc = any(one.figure is not None for one in arcs)
        figure = style.new_figure(height_in=(5.2 if with_arc else 3.2) + 0.19 * (len(named) + 1))
        heights = [1.3, 1] if with_arc else [1]
        panels = figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
        plot_history(panels[0], rates, works, "Rate (+ gains)", "rate (s/day)", nought=True)
        if with_arc:
            plot_history(panels[1], arcs, works, "Arc (amplitude end to end)", "arc (deg)", nought=False)
        if works:
            first = len(works) - len(named) + 1
            lines = [f"1 to {first - 1}  earlier works"] if first > 1 else []
            lines += [
                f"{first + i}  {work.done_at.astimezone():%Y-%m-%d}  "
                + textwrap.shorten(plain(work.what), 92, placeholder="...").replace("$", r"\$")
                for i, work in enumerate(named)
            ]
            figure.supxlabel("\n".join(lines), x=0.02, ha="left", fontsize=8.5, linespacing=1.5)
        return figure


def decay_figure(decay: Decay) -> Any:
    """Draw a free swing with both laws: drag of air, which takes a share, and rubbing, which takes an angle.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with style.styled():
        figure = style.new_figure(height_in=5.0)
        top, below = figure.subplots(2, 1, sharex=True, height_ratios=[2, 1])
        plot_decay(top, below, decay)
        return figure


def plot_history(
    axes: Any,
    figures: Sequence[DatedFigure],
    works: Sequence[DatedWork],
    title: str,
    label: str,
    *,
    nought: bool,
) -> None:
    """Draw a figure of every reading against its date, works as numbered lines."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    axes.set_title(title)
    axes.set_ylabel(label)
    known = [one for one in figures if one.figure is not None]
    if not known:
        style.empty_panel(axes, "No reading in the log has this figure; the readings' remarks say why.")
        return
    zone = known[0].taken_at.astimezone().tzinfo
    dates = [one.taken_at.astimezone(zone) for one in known]
    values = np.array([one.figure.nominal_value for one in known])
    halves = np.array([1.96 * one.figure.std_dev for one in known])
    look = style.SIDE_MARKS["a"] | {"markersize": 5.0}
    axes.errorbar(dates, values, halves, capsize=3, linestyle=":", linewidth=0.9, **look)
    if nought:
        axes.axhline(0, color=style.LIGHT, linewidth=0.8)
        _bend(axes, values, halves)
    for i, work in enumerate(works):
        axes.axvline(work.done_at.astimezone(zone), color=style.DARK, linewidth=0.8, linestyle="--")
        axes.annotate(
            str(i + 1),
            (work.done_at.astimezone(zone), 1),
            xycoords=("data", "axes fraction"),
            xytext=(2, -2),
            textcoords="offset points",
            va="top",
            fontsize=8,
        )
    locator = AutoDateLocator(tz=zone)  # type: ignore[no-untyped-call,unused-ignore]
    axes.xaxis.set_major_locator(locator)
    concise = ConciseDateFormatter(locator, tz=zone)  # type: ignore[no-untyped-call,unused-ignore]
    axes.xaxis.set_major_formatter(concise)
    axes.margins(x=0.05, y=0.12)
    style.note(axes, "95 % intervals")


def plot_decay(axes: Any, rest_axes: Any, decay: Decay) -> None:
    """Draw arcs (deg) against time with the laws fitted to them, and below what each law leaves."""
    from torsionbeat.theory.decay import arc_at_deg, fit_free_swing

    axes.set_title("Free swing")
    axes.set_ylabel("arc (deg)")
    rest_axes.set_ylabel("left over (deg)")
    known = np.isfinite(decay.arc_deg)
    time, arc = np.asarray(decay.time_s)[known], np.asarray(decay.arc_deg)[known]
    try:
        laws = (
            ("drag alone", fit_free_swing(time, arc, "air"), style.SIDE_MARKS["a"], "-"),
            ("rubbing alone", fit_free_swing(time, arc, "dry"), style.SIDE_MARKS["b"], "--"),
        )
        both = fit_free_swing(time, arc, "both")
    except InputError as error:
        style.empty_panel(axes, str(error))
        rest_axes.set_axis_off()
        return
    since = time - time[0]
    unit_s, label = style.time_axis(float(since[-1]))
    rest_axes.set_xlabel(label.replace("the start", "the first arc"))
    axes.plot(
        since / unit_s, arc, linestyle="none", marker="o", color=style.LIGHT, label="measured", markersize=3
    )
    grid = np.linspace(0, since[-1], 200)
    rest_axes.axhline(0, color=style.LIGHT, linewidth=0.8)
    for name, fit, look, line in laws:
        start, air, dry = (
            getattr(one, "nominal_value", one)
            for one in (fit.arc_start_deg, fit.air_per_s, fit.dry_deg_per_s)
        )
        curve = arc_at_deg(grid, start, air, dry)
        axes.plot(
            grid / unit_s,
            curve,
            linestyle=line,
            color=look["color"],
            label=f"{name}, leaves {fit.sigma_deg:.2g} deg",
        )
        rest_axes.plot(since / unit_s, fit.residual_deg, linestyle="none", **look | {"markersize": 2.6})
    light = {"color": style.LIGHT, "linestyle": ":", "linewidth": 1.5}
    rest_axes.plot(since / unit_s, both.residual_deg, **light)
    axes.plot([], [], label=f"both together, leave {both.sigma_deg:.2g} deg", **light)
    axes.legend(loc="best")
    q = both.q_at(float(np.median(arc)), decay.period_s)
    style.note(axes, f"both together at {np.median(arc):.0f} deg: Q {plus_minus(q)}")


def _bend(axes: Any, values: Any, halves: Any) -> None:
    """Bend the scale where early rates are so large that the later ones would be one line."""
    from matplotlib.ticker import FuncFormatter

    near = max(float(np.median(np.abs(values[-3:]) + halves[-3:])), 1.0)
    if float(np.abs(values).max()) < WIDE_RANGE * near:
        return
    axes.set_yscale("symlog", linthresh=float(10 ** np.ceil(np.log10(near))), linscale=0.8)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_ylabel(f"{axes.get_ylabel()}, scale bent")
