"""The fold: a quantity of every beat against its place in the turn of a wheel, so that one tooth stands out."""

from __future__ import annotations

from typing import Any

import numpy as np

from torsionbeat.display.style import ACCENT, DARK, LIGHT, SIDE_MARKS, note
from torsionbeat.history.wheel_findings import QUANTITIES
from torsionbeat.reading.document import swing_levels_db
from torsionbeat.reading.figures import FloatArray, Reading, WheelFault
from torsionbeat.theory import folding
from torsionbeat.theory.robust import COVERAGE

__all__ = ["plot_fold"]

MOST_PLACES = 120
"""Most places drawn with their own marks and intervals; a longer turn is divided into this many parts."""


def plot_fold(axes: Any, reading: Reading, fault: WheelFault) -> None:
    """Draw the mean of a quantity at each place of a wheel's turn, with its 95 % interval.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    reading : Reading
    fault : WheelFault
        The turn, the quantity, and the places to mark.
    """
    name, unit = QUANTITIES[fault.quantity]
    values = _values(reading, fault.quantity)
    turn = min(fault.every_beats, float(MOST_PLACES))
    number = reading.swings.number * (turn / fault.every_beats)
    place, places = folding.fold_places(number, turn)
    at = np.arange(places) * fault.every_beats / turn
    for side, own in (("a", 0), ("b", 1)):
        mine = reading.swings.number % 2 == own
        mean, count = folding.folded_mean(np.where(mine, values, np.nan), place, places)
        square, _ = folding.folded_mean(np.where(mine, values**2, np.nan), place, places)
        with np.errstate(invalid="ignore", divide="ignore"):
            half = COVERAGE * np.sqrt(np.maximum(square - mean**2, 0) / np.maximum(count - 1, 1))
        look = SIDE_MARKS[side] | {"linestyle": "none", "elinewidth": 0.8, "label": f"side {side}"}
        axes.errorbar(at, mean, half, **look)
    for beat, side in fault.where:
        axes.axvline(beat, color=ACCENT if side == "a" else DARK, linewidth=0.8, linestyle=":")
    axes.axhline(0, color=LIGHT, linewidth=0.8)
    name = "arc" if fault.quantity == "arc_deg" else name  # its steps are judged, the arc itself is drawn
    axes.set_title(f"Every {round(fault.every_beats, 1):g} beats: {name}, {unit} from its middle")
    note(axes, "dotted: where it stands out")
    axes.set_xlabel("beat of the turn")
    axes.set_ylabel(unit)


def _values(reading: Reading, quantity: str) -> FloatArray:
    """The quantity of each swing against the median of its side, in the unit of the fold."""
    swings = reading.swings
    if quantity.endswith("level_db"):
        row = swing_levels_db(reading, quantity.split("_")[0])
    elif quantity == "lift_passage_percent":
        row = 100 * swings.lift_passage_s / np.nanmedian(swings.lift_passage_s)
    elif quantity == "arc_deg":
        row = swings.arc_deg
    else:
        row = 1e3 * _time_error_s(reading)
    out = np.full(len(row), np.nan)
    for own in (0, 1):
        mine = swings.number % 2 == own
        if np.isfinite(row[mine]).any():
            out[mine] = row[mine] - np.nanmedian(row[mine])
    return out


def _time_error_s(reading: Reading) -> FloatArray:
    """Time of each beat minus a straight line through all beats of its side."""
    swings = reading.swings
    error = np.full(len(swings), np.nan)
    for own in (0, 1):
        mine = swings.number % 2 == own
        if mine.sum() > 2:
            line = np.polyfit(swings.number[mine], swings.time_s[mine], 1)
            error[mine] = swings.time_s[mine] - np.polyval(line, swings.number[mine])
    return error
