"""Beats laid over one turn of a wheel."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.display.fold import plot_fold
from torsionbeat.reading.figures import WheelFault

SOFT = WheelFault(30.0, 15, "tooth", ((7, "b"), (20, "a")), "drop_level_db", ufloat(-6.0, 0.3), 1e-9)


LONG = dataclasses.replace(SOFT, quantity="lift_passage_percent", size=ufloat(4.0, 0.1), false_alarm=2e-3)


WAVE = dataclasses.replace(
    SOFT, shape="sine", where=((8, "a"),), quantity="lift_passage_percent", size=ufloat(0.5, 0.01)
)


def night_with(make_night, *wheels, **clock):
    night = make_night(3, hours=2.0)
    return dataclasses.replace(night, wheels=wheels, clock=dataclasses.replace(night.clock, **clock))


@pytest.mark.parametrize("fault", [SOFT, LONG, WAVE, dataclasses.replace(SOFT, quantity="time_error_ms"),
                                   dataclasses.replace(SOFT, quantity="arc_deg", every_beats=225.0)])  # fmt: skip
def test_a_fold_shows_each_place_of_the_turn(make_night, fault):
    from matplotlib.figure import Figure

    axes = Figure().add_subplot()
    plot_fold(axes, night_with(make_night, fault), fault)
    drawn = np.concatenate([bars.lines[0].get_xdata() for bars in axes.containers])
    assert drawn.min() == 0
    assert fault.every_beats * 0.98 <= drawn.max() + 2 * fault.every_beats / 120 + 1
    assert f"Every {fault.every_beats:g} beats" in axes.get_title()
