"""Small drawings made of numbers: a figure's interval on a line, and the mark of the beat.

Input: uncertain numbers. Output: positions along a line of ``WIDTH`` units, with their labels; templates turn them
into SVG.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from torsionbeat.display.words import COVERAGE, decimals, interval, number
from torsionbeat.reading.figures import UFloat

__all__ = ["WIDTH", "Bar", "beat_bar", "beat_figure", "beat_shift", "level_share", "rate_bar"]

WIDTH = 320.0
"""Units across: the width of a phone's screen in pixels, so that text of 13 units has 13 pixels there."""

EDGE = 14.0
"""Room for half a mark at either end."""
QUIETEST_DB = -90.0
"""Lowest level of a microphone's meter; a quiet room with a fair microphone is at about -70."""

LEAST_OFFSET_DEG, LEAST_BEAT_ERROR_MS = 2.0, 20.0
"""The line of the beat reaches at least this far each way, so that a nearly right beat looks nearly right."""

_STEPS = (1.0, 2.0, 5.0)
"""Ticks of an axis: 1, 2 and 5 times a power of ten."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A line from ``low_word`` to ``high_word`` with its aim, a value and its interval, in units across."""

    aim: float
    aim_word: str
    value: float
    start: float
    end: float
    low_word: str
    high_word: str
    said: str


def rate_bar(rate_s_per_day: UFloat) -> Bar | None:
    """Draw a rate: slow to the left, fast to the right, on time in the middle."""
    if rate_s_per_day is None:
        return None
    low, high = interval(rate_s_per_day)
    reach = _round_up(max(abs(low), abs(high), 1e-6))
    return _bar(rate_s_per_day, low, high, reach, "on time", f"{reach:g} s a day slow", f"{reach:g} s fast")


def beat_bar(figure: UFloat, unit: str, names: tuple[str, str], least: float) -> Bar | None:
    """Draw how far the clock is out of beat: side a to the left, side b to the right.

    Parameters
    ----------
    figure : ufloat or None
        Offset in degrees, or beat error in ms, > 0 towards side b.
    unit : str
    names : (str, str)
        The restorer's names for the sides; may be empty.
    least : float
        The line reaches at least this far, so that a nearly right beat looks nearly right.
    """
    if figure is None:
        return None
    low, high = interval(figure)
    reach = _round_up(max(abs(figure.nominal_value) * 1.2, least))
    a, b = (name or f"side {side}" for name, side in zip(names, "ab", strict=True))
    return _bar(figure, low, high, reach, "in beat", f"{reach:g}{unit} {a}", f"{reach:g}{unit} {b}")


def beat_figure(setting: Any) -> tuple[UFloat, str, float]:
    """The figure to set the beat by, its unit, and the least reach of its line: degrees where the arc is known, else ms."""
    if setting.offset_deg is not None:
        return setting.offset_deg, "\N{DEGREE SIGN}", LEAST_OFFSET_DEG
    return setting.beat_error_ms, " ms", LEAST_BEAT_ERROR_MS


def beat_shift(bar: Bar) -> tuple[float, float]:
    """Distance of the mark from in beat, in units across and as a share of the greatest distance."""
    away = bar.value - bar.aim
    return round(away, 1), min(abs(away) / (WIDTH / 2 - EDGE), 1.0)


def level_share(level_db: float) -> float:
    """How much of a level's line is filled, 0 to 1.

    Examples
    --------
    >>> level_share(-45.0), level_share(-math.inf), level_share(3.0)
    (0.5, 0.0, 1.0)
    """
    if not math.isfinite(level_db):
        return 0.0
    return round(min(max(1 - level_db / QUIETEST_DB, 0.0), 1.0), 3)


def _bar(figure: UFloat, low: float, high: float, reach: float, aim: str, left: str, right: str) -> Bar:
    def place(value: float) -> float:
        share = min(max((value + reach) / (2 * reach), 0.0), 1.0)
        return round(EDGE + share * (WIDTH - 2 * EDGE), 1)

    digits = decimals(COVERAGE * figure.std_dev)
    value, least, most = (number(one, digits, sign=True) for one in (figure.nominal_value, low, high))
    said = f"{value}, between {least} and {most}"
    return Bar(place(0.0), aim, place(figure.nominal_value), place(low), place(high), left, right, said)


def _round_up(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(value))
    return next((step * power for step in _STEPS if step * power >= value), 10 * power)
