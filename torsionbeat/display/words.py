"""Figures in plain words: sentences first, and no more digits than the uncertainty justifies.

Input: readings and uncertain numbers. Output: sentences and rows for tables. The 95 % interval of a figure is
value +- 1.96 u. A figure that was not measured is left out; the reading's remarks say why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from torsionbeat.history.side_matching import SURE
from torsionbeat.reading.figures import Reading, Timebase, UFloat
from torsionbeat.regulation.beatsetting import near_enough
from torsionbeat.theory.rate import S_PER_DAY_PER_PPM
from torsionbeat.theory.robust import COVERAGE

if TYPE_CHECKING:
    from torsionbeat.bench.sides import LearnSidesResult

__all__ = [
    "COVERAGE",
    "FigureRow",
    "amount",
    "decimals",
    "duration_words",
    "figure_rows",
    "figure_words",
    "interval",
    "number",
    "plain",
    "plus_minus",
    "rate_between",
    "rate_words",
    "reading_sentences",
    "sides_sentences",
    "timebase_words",
]

MOST_DECIMALS = 7
"""No figure here is known better: 0.1 us in a period."""


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure for a table: texts with as many digits as its uncertainty allows."""

    label: str
    value: str
    low: str
    high: str
    unit: str


def decimals(half_width: float) -> int:
    """Give the decimals that an interval justifies: one digit of its half-width, two where that begins with 1 or 2.

    Examples
    --------
    >>> decimals(0.5), decimals(0.15), decimals(6.0), decimals(2e-5)
    (1, 2, 0, 6)
    """
    if not 0 < half_width < math.inf:
        return 4
    power = math.floor(math.log10(half_width))
    return min(MOST_DECIMALS, max(0, -power + (1 if half_width / 10**power < 3 else 0)))


def number(value: float, digits: int, *, sign: bool = False) -> str:
    """Write a number with ``digits`` decimals, zero never as minus zero.

    Parameters
    ----------
    value : float
    digits : int
        Decimals.
    sign : bool
        Write a plus too.

    Examples
    --------
    >>> number(-0.04, 1), number(2.36, 1, sign=True), number(-3.0, 0)
    ('0.0', '+2.4', '-3')
    """
    rounded = round(value, digits) + 0.0
    return f"{rounded:{'+' if sign and rounded else ''}.{digits}f}"


def amount(value: float, unit: str) -> str:
    """Write a count with its word, in the plural unless the count is one.

    Examples
    --------
    >>> amount(1, "beat"), amount(960, "beat")
    ('1 beat', '960 beats')
    """
    return f"{value:g} {unit}{'' if value == 1 else 's'}"


def interval(figure: UFloat) -> tuple[float, float]:
    """Give the 95 % interval of an uncertain number."""
    half = COVERAGE * figure.std_dev
    return figure.nominal_value - half, figure.nominal_value + half


def plus_minus(figure: UFloat, *, sign: bool = False) -> str:
    """Write a figure with the half-width of its 95 % interval, or a dash where there is none.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> plus_minus(ufloat(2.41, 0.255), sign=True), plus_minus(None)
    ('+2.4 ± 0.5', '-')
    """
    if figure is None:
        return "-"
    half = COVERAGE * figure.std_dev
    digits = decimals(half)
    return f"{number(figure.nominal_value, digits, sign=sign)} ± {number(half, digits)}"


def figure_words(figure: UFloat, unit: str) -> str:
    """Say a figure with its unit and 95 % interval.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> figure_words(ufloat(431.23, 0.41), "deg")
    '431.2 deg, between 430.4 and 432.0'
    """
    digits = decimals(COVERAGE * figure.std_dev)
    low, high = (number(end, digits) for end in interval(figure))
    return f"{number(figure.nominal_value, digits)} {unit}, between {low} and {high}"


def rate_words(rate_s_per_day: UFloat) -> str:
    """Say a rate (s/day) with its 95 % interval.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> rate_words(ufloat(2.4, 0.255)), rate_words(ufloat(-930, 3))
    ('gains 2.4 s a day, between 1.9 and 2.9', 'loses 930 s a day, between 924 and 936')
    >>> rate_words(ufloat(0.1, 0.2)), rate_words(ufloat(0.01, 0.2))
    ('gains 0.1 s a day, between losing 0.3 and gaining 0.5',
     'keeps time, between losing 0.4 and gaining 0.4 s a day')
    """
    return rate_between(rate_s_per_day.nominal_value, *interval(rate_s_per_day))


def rate_between(value: float, low: float, high: float) -> str:
    """Say a rate (s/day) with an interval that may be asymmetric.

    Parameters
    ----------
    value : float
        The rate.
    low, high : float
        Ends of its 95 % interval.

    Examples
    --------
    >>> rate_between(-10, -130, 80)
    'loses 10 s a day, between losing 130 and gaining 80'
    """
    digits = decimals((high - low) / 2)
    if low < 0 < high:
        between = f"between losing {number(-low, digits)} and gaining {number(high, digits)}"
        if round(value, digits) == 0:
            return f"keeps time, {between} s a day"
    else:
        near, far = sorted((abs(low), abs(high)))
        between = f"between {number(near, digits)} and {number(far, digits)}"
    return f"{'gains' if value >= 0 else 'loses'} {number(abs(value), digits)} s a day, {between}"


def duration_words(duration_s: float) -> str:
    """Say a length of time, to the minute from an hour on.

    Examples
    --------
    >>> duration_words(42), duration_words(720), duration_words(29_700), duration_words(200_000)
    ('42 s', '12 min', '8 h 15 min', '2 d 8 h')
    """
    if duration_s < 120:
        return f"{duration_s:.0f} s"
    minutes = round(duration_s / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")
    hours = round(minutes / 60)
    return f"{hours // 24} d" + (f" {hours % 24} h" if hours % 24 else "")


def timebase_words(timebase: Timebase) -> str:
    """Say where the seconds come from and how well they are known."""
    half_ppm = COVERAGE * timebase.standard_uncertainty_ppm
    known = f"{half_ppm:.2g} ppm ({half_ppm * S_PER_DAY_PER_PPM:.2g} s a day)"
    fast = "fast" if timebase.offset_ppm > 0 else "slow"
    crystal = f"the recorder's crystal runs {abs(timebase.offset_ppm):.3g} ppm {fast}"
    if timebase.offset_ppm == 0:
        crystal = "the recorder's crystal is exact"
    if timebase.source == "unknown":
        half_ppm = math.sqrt(3) * timebase.standard_uncertainty_ppm
        return (
            f"Timebase: unknown. Nothing in the file tells how true the recorder's crystal is; it is taken "
            f"to be within {half_ppm:.0f} ppm, which is {half_ppm * S_PER_DAY_PER_PPM:.1f} s a day."
        )
    if timebase.source == "stated":
        return f"Timebase: stated. You gave it that {crystal}; taken as right to within {known}."
    if timebase.source == "reference ticks":
        return f"Timebase: reference ticks in the same recording. By them {crystal}, known to within {known}."
    kept = {
        True: "which was kept by network time",
        False: "which was not kept by network time",
        None: "and whether that was kept by network time could not be told",
    }[timebase.synchronised]
    return (
        f"Timebase: host clock. The sound was counted against the computer's clock, {kept}; "
        f"by it {crystal}, known to within {known}."
    )


def reading_sentences(reading: Reading) -> list[str]:
    """Say what a reading found, one sentence for each figure. Figures that were not measured are named at the end."""
    heard = f"{reading.beats_heard} of {amount(reading.beats_expected, 'beat')}"
    said = [f"Heard {heard} in {duration_words(reading.recording.duration_s)}."]
    if reading.rate_s_per_day is not None:
        said.append(f"The clock {rate_words(reading.rate_s_per_day)}.")
        if _timebase_rules(reading):
            said.append("Most of that interval is the timebase's, not the clock's.")
    elif reading.period_s is not None:
        said.append(f"Its period (out and back) is {figure_words(reading.period_s, 's')}.")
    if reading.beat_error_ms is not None:
        said.append(_beat_sentence(reading))
    if reading.arc_deg is not None:
        said.append(f"Its arc (amplitude end to end) is {figure_words(reading.arc_deg, 'deg')}.")
        said += _limit_sentences(reading)
    if reading.arc_trend_deg_per_hour is not None:
        low, high = interval(reading.arc_trend_deg_per_hour)
        if low > 0 or high < 0:
            way = "growing" if low > 0 else "falling"
            said.append(
                f"The arc is {way} by {figure_words(_size(reading.arc_trend_deg_per_hour), 'deg an hour')}."
            )
    missing = [
        word
        for word, figure in (
            ("rate", reading.rate_s_per_day),
            ("beat error", reading.beat_error_ms),
            ("arc", reading.arc_deg),
        )
        if figure is None
    ]
    if missing:
        said.append(f"Not measured: {', '.join(missing)}; the remarks say why.")
    return said


def sides_sentences(clock: str, learnt: LearnSidesResult) -> list[str]:
    """Say what was learnt about a clock's sides, and what that means for earlier readings."""
    a, b = learnt.names
    said = [
        f"Learnt for {clock}: at the beat heard at {learnt.beat_s:.1f} s the balance went {learnt.towards}. At a beat "
        f"of side a it goes {a}, at a beat of side b {b}."
    ]
    if learnt.match is None:
        said.append("It is the first that is known of this clock's sides; later readings are matched to it.")
    elif learnt.match.sure:
        said.append("The readings kept before have the same sides.")
    else:
        said.append(
            "Whether the readings kept before call the same side a could not be told for certain "
            f"({100 * learnt.match.probability:.0f} %); from now on readings are matched to this one."
        )
    return said


def figure_rows(reading: Reading) -> list[FigureRow]:
    """Give the measured figures of a reading as rows for a table."""
    figures = (
        ("rate (+ gains)", reading.rate_s_per_day, "s/day", True),
        ("period, out and back", reading.period_s, "s", False),
        ("beat error", reading.beat_error_ms, "ms", True),
        ("offset", reading.offset_deg, "deg", True),
        ("arc (amplitude end to end)", reading.arc_deg, "deg", False),
        ("trend of the arc", reading.arc_trend_deg_per_hour, "deg/hour", True),
    )
    return [_row(label, figure, unit, sign) for label, figure, unit, sign in figures if figure is not None]


def plain(text: str) -> str:
    """Give a text that cannot move a terminal's cursor: unprintable characters become question marks."""
    return "".join(sign if sign == "\n" or sign.isprintable() else "?" for sign in text)


def _row(label: str, figure: UFloat, unit: str, sign: bool) -> FigureRow:
    digits = decimals(COVERAGE * figure.std_dev)
    low, high = interval(figure)
    value, low_text, high_text = (number(x, digits, sign=sign) for x in (figure.nominal_value, low, high))
    return FigureRow(label, value, low_text, high_text, unit)


def _size(figure: UFloat) -> UFloat:
    return figure if figure.nominal_value >= 0 else -figure


def _timebase_rules(reading: Reading) -> bool:
    crystal = S_PER_DAY_PER_PPM * reading.timebase.standard_uncertainty_ppm
    return bool(crystal**2 > 0.5 * reading.rate_s_per_day.std_dev**2)


def _beat_sentence(reading: Reading) -> str:
    error = reading.beat_error_ms
    low, high = interval(error)
    size = f"beat error {figure_words(error, 'ms')}"
    if low <= 0 <= high:
        return f"It is in beat as far as can be heard: {size}."
    longer = _longer(reading)
    if reading.offset_deg is None:
        return f"It is out of beat: {size}; the swing {longer} is the longer."
    enough = ""
    if reading.arc_deg is not None and near_enough(
        reading.offset_deg.nominal_value, reading.arc_deg.nominal_value
    ):
        enough = ", little enough to leave"
    offset = figure_words(_size(reading.offset_deg), "deg")
    return f"It is out of beat by {offset}{enough}: {size}; the swing {longer} is the longer."


def _longer(reading: Reading) -> str:
    """Name the longer of the two swings: by where the balance goes if that is known, else by letters."""
    first = reading.beat_error_ms.nominal_value > 0
    sides = reading.sides
    if sides is not None and sides.probability >= SURE and sides.a and sides.b:
        return f"on the side {sides.a if first else sides.b}"
    return "a to b" if first else "b to a"


def _limit_sentences(reading: Reading) -> list[str]:
    clock, (low, high) = reading.clock, interval(reading.arc_deg)
    said = []
    if clock.arc_low_deg is not None and high < clock.arc_low_deg:
        said.append(f"That is below the {clock.arc_low_deg:g} deg at which this clock's healthy arc begins.")
    if clock.arc_high_deg is not None and low > clock.arc_high_deg:
        said.append(f"That is above the {clock.arc_high_deg:g} deg at which this clock's healthy arc ends.")
    if clock.knock_arc_deg is not None and high > clock.knock_arc_deg:
        said.append(f"At {clock.knock_arc_deg:g} deg the roller knocks against the fork from outside.")
    return said
