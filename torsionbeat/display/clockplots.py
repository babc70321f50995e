"""Figures of a clock's history: rate and arc after each work, and how a free swing dies away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.words import plus_minus, rate_words
from torsionbeat.errors import InputError
from torsionbeat.history.arc_findings import Decay
from torsionbeat.reading.figures import UFloat
from torsionbeat.theory.robust import COVERAGE

if TYPE_CHECKING:
    from torsionbeat.jobs.by_hand import HandCheckResult, Sighting
    from torsionbeat.jobs.free_swing import FreeSwingResult
    from torsionbeat.jobs.report import ClockStory

__all__ = [
    "DatedFigure",
    "DatedWork",
    "bend",
    "decay_figure",
    "free_swing_figure",
    "history_figure",
    "owner_figure",
    "plot_decay",
    "plot_history",
]

MOST_WORKS_NAMED = 10
"""Works named under the chart: more would be longer than the chart."""

LABEL_SHARE = 0.045
"""Width of a work's label as a share of the chart's width: "10-12" in the small type, at eight inches."""

WIDE_RANGE = 30.0
"""A bent scale is used if the largest rate is at least this many times the last one's interval."""


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
    rates: Sequence[DatedFigure],
    arcs: Sequence[DatedFigure],
    works: Sequence[DatedWork],
    beats: Sequence[DatedFigure] = (),
    *,
    clock: str = "",
) -> Any:
    """Draw a clock's regulation: rate, arc and beat error of every reading, each work numbered and named.

    Parameters
    ----------
    rates, arcs, beats : sequence of DatedFigure
        Rate (s/day), arc (deg) and beat error (ms); one without any figure is left out.
    works : sequence of DatedWork
        In order of time.
    clock : str
        The clock's name, for the head of the figure.

    Returns
    -------
    matplotlib.figure.Figure
    """
    courses = [
        ("Rate (+ gains)", "rate (s/day)", rates, 2.6, True),
        ("Arc (amplitude end to end)", "arc (deg)", arcs, 2.0, False),
        ("Beat error", "beat error (ms)", beats, 1.8, True),
    ]
    shown = [one for one in courses if any(dated.figure is not None for dated in one[2])] or courses[:1]
    with style.styled():
        named = works[-MOST_WORKS_NAMED:]
        heights = [height for *_, height, _ in shown]
        figure = style.new_figure(height_in=sum(heights) + style.HEAD_IN + 0.19 * (len(named) + 1))
        panels = figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
        style.head(figure, clock, _span(rates))
        for axes, (title, label, figures, _, zero) in zip(panels, shown, strict=True):
            plot_history(axes, figures, works, title, label, zero=zero)
        if works:
            first = len(works) - len(named) + 1
            lines = [f"1 to {first - 1}  earlier works"] if first > 1 else []
            lines += [
                f"{first + i}  {work.done_at.astimezone():%Y-%m-%d}  " + style.drawable(work.what, 92)
                for i, work in enumerate(named)
            ]
            style.foot(figure, *lines)
        return figure


def story_figure(story: ClockStory) -> Any:
    """Draw a clock's whole history: rate, arc and beat error of every reading, with the works between them.

    Returns
    -------
    matplotlib.figure.Figure
    """
    rates, arcs, beats = (
        [
            DatedFigure(row.taken_at, getattr(night.reading, name))
            for row, night in zip(story.readings, story.nights, strict=True)
        ]
        for name in ("rate_s_per_day", "arc_deg", "beat_error_ms")
    )
    works = [DatedWork(work.done_at, work.what) for work in story.works]
    return history_figure(rates, arcs, works, beats, clock=story.clock.name)


def hand_figure(result: HandCheckResult) -> Any:
    """Draw how far the minute hand was ahead at each sighting, with its reading error, and the line of the rate.

    Returns
    -------
    matplotlib.figure.Figure
    """
    seen = result.sightings
    first = next((one.when for one in seen if one.when is not None), None)
    days = np.array([_days_gone(one, first) for one in seen])
    ahead, within = (np.array([getattr(one, name) for one in seen]) for name in ("ahead_s", "within_s"))
    line = ahead - np.asarray(result.check.residual_s)
    with style.styled():
        figure = style.new_figure(height_in=3.4)
        style.head(
            figure, result.kept_for or "", "" if first is None else f"from {first.astimezone():%Y-%m-%d}"
        )
        axes = figure.subplots()
        axes.set_title("Minute hand against a time signal")
        axes.set_xlabel("time from the first sighting (days)")
        axes.set_ylabel("hand ahead (s)")
        axes.plot(days, line, color=style.ACCENT)
        look = style.SIDE_MARKS["b"] | {"markersize": 5.0}
        axes.errorbar(days, ahead, within, capsize=3, linestyle="none", **look)
        axes.axhline(0, color=style.LIGHT, linewidth=0.8)
        style.note(axes, f"the clock {rate_words(result.check.rate_s_per_day)}")
        return figure


def _days_gone(one: Sighting, first: datetime | None) -> float:
    if one.when is None or first is None:
        return one.elapsed_h / 24
    return (one.when - first).total_seconds() / 86_400


def owner_figure(rates: Sequence[DatedFigure], works: Sequence[DatedWork]) -> Any:
    """Draw for a clock's owner what it gained or lost in a day at every reading, works as numbered lines.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with style.styled():
        figure = style.new_figure(height_in=2.3)
        axes = figure.subplots()
        plot_history(
            axes, rates, works, "Seconds gained (+) or lost (-) in a day", "seconds a day", zero=True
        )
        style.note(axes, "")
        return figure


def _span(figures: Sequence[DatedFigure]) -> str:
    days = [f"{one.taken_at.astimezone():%Y-%m-%d}" for one in figures]
    return "" if not days else days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"


def free_swing_figure(result: FreeSwingResult) -> Any:
    """Draw the free swing that a job found, under the name of the clock that it was kept for."""
    decay = Decay(np.array(result.time_s), np.array(result.arc_deg), result.period_s)
    return decay_figure(decay, *([result.kept_for] if result.kept_for else []))


def decay_figure(decay: Decay, *heading: str) -> Any:
    """Draw a free swing with both laws: air drag, which takes a share of the arc, and rubbing, which takes an angle.

    Parameters
    ----------
    decay : Decay
    *heading : str
        Texts at the head of the figure: the clock's name, the day.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with style.styled():
        figure = style.new_figure(height_in=5.0)
        style.head(figure, *heading)
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
    zero: bool,
) -> None:
    """Draw a figure of every reading against its date, works as numbered lines.

    Parameters
    ----------
    axes : object
        Where to draw.
    figures : sequence of DatedFigure
    works : sequence of DatedWork
        Drawn as numbered lines.
    title : str
    label : str
        Label of the vertical axis.
    zero : bool
        Draw a line at zero.
    """
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
    halves = np.array([COVERAGE * one.figure.std_dev for one in known])
    look = style.SIDE_MARKS["a"] | {"markersize": 5.0}
    axes.errorbar(dates, values, halves, capsize=3, linestyle=":", linewidth=0.9, **look)
    if zero:
        axes.axhline(0, color=style.LIGHT, linewidth=0.8)
        bend(axes, values, halves)
    moments = [work.done_at.astimezone(zone) for work in works]
    for moment in moments:
        axes.axvline(moment, color=style.DARK, linewidth=0.8, linestyle="--")
    for moment, numbers in _together(moments, min([*moments, *dates]), max([*moments, *dates])):
        axes.annotate(
            numbers,
            (moment, 1),
            xycoords=("data", "axes fraction"),
            xytext=(2, -2),
            textcoords="offset points",
            va="top",
            fontsize=8,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8},
        )
    locator = AutoDateLocator(tz=zone)  # type: ignore[no-untyped-call,unused-ignore]
    axes.xaxis.set_major_locator(locator)
    concise = ConciseDateFormatter(locator, tz=zone)  # type: ignore[no-untyped-call,unused-ignore]
    axes.xaxis.set_major_formatter(concise)
    axes.margins(x=0.05, y=0.12)
    style.note(axes, "95 % intervals")


def _together(moments: Sequence[datetime], first: datetime, last: datetime) -> list[tuple[datetime, str]]:
    """Number works from 1. Works whose labels would overlap share one, such as 2-4, at the first of them."""
    near = LABEL_SHARE * (last - first)
    groups: list[list[int]] = []
    for place, moment in enumerate(moments):
        if groups and moment - moments[groups[-1][0]] < near:
            groups[-1].append(place)
        else:
            groups.append([place])
    return [
        (moments[group[0]], f"{group[0] + 1}" if len(group) == 1 else f"{group[0] + 1}-{group[-1] + 1}")
        for group in groups
    ]


def plot_decay(axes: Any, rest_axes: Any, decay: Decay) -> None:
    """Draw arcs (deg) against time with the fitted laws, and below them the residuals of each law.

    Parameters
    ----------
    axes : object
        Where to draw.
    rest_axes : object
        Where to draw the residuals of each law.
    decay : Decay
    """
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


def bend(axes: Any, values: Any, halves: Any) -> None:
    """Bend the scale if early rates are so large that the later ones would merge into one line.

    Parameters
    ----------
    axes : object
    values : object
        shape (n,).
    halves : object
        shape (n,): half-widths of their intervals.
    """
    from matplotlib.ticker import FuncFormatter

    near = max(float(np.median(np.abs(values[-3:]) + halves[-3:])), 1.0)
    if float(np.abs(values).max()) < WIDE_RANGE * near:
        return
    axes.set_yscale("symlog", linthresh=float(10 ** np.ceil(np.log10(near))), linscale=0.8)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_ylabel(f"{axes.get_ylabel()}, scale bent")
