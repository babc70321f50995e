"""How warm nights were: a logger goes before what was typed; what a kelvin does by the strip and by a logged night."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.bench.warm_nights import about_warmth, per_kelvin_of, with_temperatures
from torsionbeat.learning.warmth import Warmth


@dataclass(frozen=True)
class Heard:
    """What matters of a rate here."""

    from_s: float
    until_s: float
    temperature_c: float | None = None


class Room:
    """A logger that covers the second night alone."""

    def mean_c(self, from_s, until_s):
        return 21.5 if from_s >= 100 else None


def test_a_logger_s_mean_goes_before_what_was_typed_where_it_covers_the_night():
    nights = (Heard(0, 50, 18.0), Heard(100, 150, 19.0), Heard(200, 250))
    assert [one.temperature_c for one in with_temperatures(nights, Room())] == [18.0, 21.5, 21.5]
    assert with_temperatures(nights, None) == nights


def test_a_strip_s_own_figure_is_its_drift_and_expansions():
    """Half of drift and expansions makes the period; 86400 s a day: beryllium copper and brass.

    T^2 goes as I L / (G w t^3): I as brass squared, L w t^3 in all as the strip cubed the other way.
    """
    told = per_kelvin_of("C17200")
    period_ppm = (2 * 20.0 - 3 * 17.0 + 330.0) / 2
    assert told.nominal_value == pytest.approx(-period_ppm * 0.0864, rel=0.02)
    # The drift's half-width of 30 ppm, rectangular, and what the balance may add.
    assert told.std_dev == pytest.approx(math.hypot(30 / 2 * 0.0864 / math.sqrt(3), 1.0), rel=0.02)


@pytest.mark.parametrize("material", ["", "gold"])
def test_an_unknown_strip_is_as_usual(material):
    told = per_kelvin_of(material)
    assert (told.nominal_value, told.std_dev) == (-7.0, 7.0)


def test_what_a_logged_night_showed_is_weighed_by_its_precision():
    """Two normal beliefs: precisions add, the mean is weighed by them."""
    told = per_kelvin_of("", ufloat(-3.0, 2.0))
    precision = 1 / 49 + 1 / 4
    assert told.nominal_value == pytest.approx((-7 / 49 - 3 / 4) / precision)
    assert told.std_dev == pytest.approx(precision**-0.5)


def warmth(spread_k, learnt, known):
    return Warmth(20.0, np.zeros(len(known)), np.array(known, float), spread_k, ufloat(-7, 7), learnt)


def test_it_is_said_to_which_temperature_rates_were_brought_and_how_many_are_not_known():
    (said,) = about_warmth(warmth(2.0, ufloat(-4.0, 0.5), [1, 1, 0]), 3)
    assert said.code == "brought-to-one-temperature"
    assert "(2.0 K, standard deviation); their rates are compared at 20.0 C" in said
    assert "A kelvin more loses 4.0 s a day, give or take 1.0." in said  # 1.96 of 0.5
    assert "Of 1 of 3 readings the temperature is not known" in said
    (gains,) = about_warmth(warmth(2.0, ufloat(0.4, 0.5), [1, 1]), 2)
    assert "A kelvin more gains 0.4" in gains
    assert "not known" not in gains


def test_nights_as_warm_as_a_logger_can_tell_are_not_spoken_of():
    assert about_warmth(None, 3) == []
    assert about_warmth(warmth(0.049, ufloat(-4, 1), [1, 1]), 2) == []
    assert len(about_warmth(warmth(0.05, ufloat(-4, 1), [1, 1]), 2)) == 1
