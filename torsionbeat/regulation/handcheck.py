"""The minute hand compared with a time signal: the slow, sure check of a heard rate.

Input: two or more sightings, in order of time: the moment (s, true time, from any origin), hand minus true time (s, +
ahead), and the possible error of the sighting (s, the half-width of a rectangular distribution; the standard
uncertainty is the half-width over the root of three, JCGM 100:2008, 4.3.7). Output: the rate (s/day, + gains): the
slope of the weighted least-squares line through them, with its standard uncertainty. Two sightings give the line
through both: 18 s gained in 168 h is 18/7 = 2.57 s/day.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.robust import COVERAGE

__all__ = ["Agreement", "HandCheck", "HandSighting", "agreement", "hand_check"]

DAY_S = 86_400.0
"""Seconds of a day."""
LARGEST_ERROR_S = 6 * 3600.0
"""Half of a dial of twelve hours: a larger difference is counted from the other side."""
LARGEST_READING_ERROR_S = 600.0
"""Ten minutes: a hand read less accurately gives no rate."""
LARGEST_RATE_S_PER_DAY = 4 * 3600.0
"""Four hours a day: beyond, the clock is stopped or running away, and this is not a rate."""
SHORTEST_SPAN_S = 60.0
"""A minute: the hand shows nothing shorter."""


@dataclass(frozen=True, slots=True)
class HandSighting:
    """One sighting: moment (s), hand minus true time (s, + ahead), half-width of the reading error (s)."""

    at_s: float
    hand_minus_true_s: float
    reading_error_s: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.at_s):
            raise InputError(f"the moment of a sighting is {self.at_s:g} s; give a moment that can be told")
        if not abs(self.hand_minus_true_s) <= LARGEST_ERROR_S:
            raise InputError(
                f"the hand is said to be {self.hand_minus_true_s:g} s off; a dial of 12 hours shows at most "
                f"{LARGEST_ERROR_S:g} s either way, so check the sighting"
            )
        if not 0 < self.reading_error_s <= LARGEST_READING_ERROR_S:
            raise InputError(
                f"the reading error is {self.reading_error_s:g} s; it must lie above 0 and at most "
                f"{LARGEST_READING_ERROR_S:g} s: say how far off the sighting may be"
            )


@dataclass(frozen=True, slots=True)
class HandCheck:
    """The result of the sightings.

    ``rate_s_per_day`` is an uncertain number; ``span_h`` the hours from first to last sighting; ``residual_s``, shape
    (n,), the distance of each sighting from the line; ``remarks`` the warnings.
    """

    sightings: tuple[HandSighting, ...]
    rate_s_per_day: UFloat
    span_h: float
    residual_s: FloatArray
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True)
class Agreement:
    """The hands' rate minus another (s/day, uncertain number); whether 0 is in its 95 % interval."""

    difference_s_per_day: UFloat
    agrees: bool


def hand_check(sightings: Sequence[HandSighting]) -> HandCheck:
    """Calculate the rate from sightings of the hand.

    With three or more, a scatter that the reading errors would cause less than once in 20 times gives a remark. It
    widens the uncertainty by the root of chi-squared over its degrees of freedom (Birge's ratio, 1932, from memory) and
    by Student's factor, because the scatter is then known from these few sightings alone.

    Raises
    ------
    InputError
        Fewer than two sightings, moments not in order, a minute or less from first to last, or a rate that no
        such clock has.

    Examples
    --------
    >>> week = [HandSighting(0, 0, 3), HandSighting(168 * 3600, 18, 3)]
    >>> f"{hand_check(week).rate_s_per_day.nominal_value:.2f} s/day"
    '2.57 s/day'
    """
    from scipy.special import chdtri, stdtrit

    seen = tuple(sightings)
    if len(seen) < 2:
        raise InputError(
            f"{len(seen)} sighting was given; at least 2 are needed: look again in a day or a week"
        )
    moment_s = np.array([one.at_s for one in seen])
    if not np.all(np.diff(moment_s) > 0):
        raise InputError("the sightings are not in order of time; give the earliest first, each moment once")
    span_s = float(moment_s[-1] - moment_s[0])
    if span_s <= SHORTEST_SPAN_S:
        raise InputError(
            f"the sightings span {span_s:g} s; more than {SHORTEST_SPAN_S:g} s are needed, best a week"
        )
    ahead_s = np.array([one.hand_minus_true_s for one in seen])
    sigma_s = np.array([one.reading_error_s for one in seen]) / math.sqrt(3.0)
    weight = sigma_s**-2.0
    day = (moment_s - np.average(moment_s, weights=weight)) / DAY_S
    mean_s = float(np.average(ahead_s, weights=weight))
    spread = float(np.sum(weight * day**2))
    rate = float(np.sum(weight * day * (ahead_s - mean_s))) / spread
    sigma = 1.0 / math.sqrt(spread)
    if not abs(rate) <= LARGEST_RATE_S_PER_DAY:
        raise InputError(
            f"these sightings make a rate of {rate:.0f} s/day; at most {LARGEST_RATE_S_PER_DAY:g} s/day "
            "either way can be right: check dates and hours, and whether the hands were set between"
        )
    residual_s = ahead_s - mean_s - rate * day
    remarks = []
    freedom = len(seen) - 2
    if freedom > 0:
        chi_squared = float(np.sum((residual_s / sigma_s) ** 2))
        if chi_squared > float(chdtri(freedom, 0.05)):
            sigma *= math.sqrt(chi_squared / freedom) * float(stdtrit(freedom, 0.975)) / COVERAGE
            worst = int(np.argmax(np.abs(residual_s / sigma_s)))
            remarks.append(
                Remark(
                    "sightings-off-line",
                    "The sightings lie further from a straight line than their reading errors explain (most of "
                    f"all number {worst + 1}, by {residual_s[worst]:+.1f} s): the rate changed, the hands were "
                    "set, or that sighting is wrong. The interval was widened for it.",
                )
            )
    residual_s.setflags(write=False)
    return HandCheck(seen, ufloat(rate, sigma), span_s / 3600.0, residual_s, tuple(remarks))


def agreement(check: HandCheck, other_s_per_day: UFloat) -> Agreement:
    """Compare the hands' rate with another one, for example that of a reading (s/day, uncertain number)."""
    difference = check.rate_s_per_day - other_s_per_day
    return Agreement(difference, bool(abs(difference.nominal_value) <= COVERAGE * difference.std_dev))
