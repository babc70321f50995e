"""Figures of one night: the beat error through it, and how steady the rate is over longer times."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.words import decimals, figure_words, interval, number
from torsionbeat.history.wander import LEAST_FREEDOM, stability_of
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import FloatArray, IntArray, Reading, Swings
from torsionbeat.reading.intervals import BLOCKS, block_means
from torsionbeat.theory.rate import DAY_S

__all__ = ["beat_error_figure", "beat_errors_ms", "plot_beat_errors", "plot_stability", "stability_figure"]


def beat_error_figure(reading: Reading) -> Any:
    """Draw the beat error of every beat and its means over stretches of the night.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with style.styled():
        figure = style.new_figure(height_in=3.4)
        plot_beat_errors(figure.subplots(), reading)
        return figure


def stability_figure(readings: Sequence[Reading]) -> Any:
    """Draw the wander of the rate against averaging time, on log axes with 95 % limits.

    Parameters
    ----------
    readings : sequence of Reading
        One to three; more would hide each other.

    Returns
    -------
    matplotlib.figure.Figure
    """
    with style.styled():
        figure = style.new_figure(height_in=3.8)
        plot_stability(figure.subplots(), readings)
        return figure


def beat_errors_ms(swings: Swings) -> tuple[FloatArray, FloatArray, IntArray]:
    """Beat error of every beat whose two neighbours were heard.

    Returns
    -------
    time_s, error_ms, row : ndarray, shape (k,)
        Half of (interval a to b minus interval b to a) about that beat; its row in the swings.
    """
    number_, time = swings.number, middles_s(swings)
    if len(swings) < 3:
        return np.zeros(0), np.zeros(0), np.zeros(0, np.int64)
    row = np.flatnonzero((np.diff(number_)[:-1] == 1) & (np.diff(number_)[1:] == 1)) + 1
    late = time[row] - (time[row - 1] + time[row + 1]) / 2
    return time[row], 1e3 * np.where(swings.side[row] == "b", late, -late), row


def plot_beat_errors(axes: Any, reading: Reading) -> None:
    """Draw the beat error (ms) of every beat, block means, and the offset (deg) where the arc is known."""
    unit_s, label = style.time_axis(reading.recording.duration_s)
    axes.set_title("Beat error")
    axes.set_xlabel(label)
    axes.set_ylabel("half of (a to b - b to a) (ms)")
    time, error, row = beat_errors_ms(reading.swings)
    if not error.size:
        style.empty_panel(axes, "No three beats in a row were heard, so there is no beat error.")
        return
    for side in "ab":
        mine = reading.swings.side[row] == side
        look = style.marks(side, error.size)
        axes.plot(time[mine] / unit_s, error[mine], label=f"about side {side}", **look)
    middles, means = block_means(time, time, BLOCKS), block_means(time, error, BLOCKS)
    axes.plot(middles / unit_s, means, color=style.DARK, linewidth=1.5, drawstyle="steps-mid", label="means")
    axes.set_xlim(0, reading.recording.duration_s / unit_s)
    style.headroom(axes)
    if reading.beat_error_ms is not None:
        low, high = interval(reading.beat_error_ms)
        axes.axhspan(low, high, color=style.ACCENT, alpha=0.2, linewidth=0)
        style.note(axes, f"mean {figure_words(reading.beat_error_ms, 'ms')}")
    if reading.arc_deg is not None and reading.period_s is not None:
        # offset = (arc / 2) sin(pi b / T), linear for an angle this small
        slope = np.pi * 1e-3 * reading.arc_deg.nominal_value / 2 / reading.period_s.nominal_value
        other = axes.secondary_yaxis(
            "right", functions=(lambda ms: np.degrees(np.radians(ms * slope)), lambda deg: deg / slope)
        )
        other.set_ylabel("offset (deg)")


def plot_stability(axes: Any, readings: Sequence[Reading]) -> None:
    """Draw the overlapping Allan deviation (s/day) of readings, with 95 % limits as bands."""
    looks = (style.SIDE_MARKS["a"], style.SIDE_MARKS["b"], style.SIDE_MARKS["b"] | {"marker": "^"})
    axes.set_title("Wander of the rate (Allan deviation)")
    axes.set_xlabel("averaging time (min)")
    axes.set_ylabel("deviation (s/day)")
    last = None
    for reading, look in zip(readings, looks, strict=False):
        curve = stability_of(reading)
        if curve is None:
            continue
        sure = curve.edf >= LEAST_FREEDOM
        if not np.any(sure):
            continue
        minutes = curve.tau_s[sure] / 60
        low, middle, high = (DAY_S * part[sure] for part in (curve.low, curve.deviation, curve.high))
        axes.fill_between(minutes, low, high, color=look["color"], alpha=0.15, linewidth=0)
        axes.plot(minutes, middle, label=reading.recording.name or "reading", **look | {"markersize": 4.5})
        last = (minutes[-1], middle[-1], high[-1] - low[-1])
    if last is None:
        style.empty_panel(axes, "Too few beats in a row for any stability: record longer.")
        return
    style.log_axes(axes)
    if len(readings) > 1:
        axes.legend(loc="best")
    digits = decimals(last[2] / 2)
    over = f"{last[0]:.0f} min" if last[0] < 120 else f"{last[0] / 60:.1f} h"
    style.note(axes, f"over {over} it wanders by {number(last[1], digits)} s/day; bands 95 %")
