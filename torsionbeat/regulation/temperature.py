"""The effect of temperature (and pressure) on the rate: the beats of a record matched to the room's record by time.

The beats are cut into blocks; each block's rate is the least-squares line through its beats. The blocks'
rates are fitted to a constant, a steady drift, temperature and, where it changed, pressure. The errors of neighbouring
blocks are correlated: the fit averages over all correlations that the blocks allow. Rates in seconds per day, > 0
gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.regulation.room import Room
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.limits import period_within
from torsionbeat.theory.rate import DAY_S, fit_beats, student_factor
from torsionbeat.theory.robust import COVERAGE

__all__ = ["TemperatureEffect", "temperature_effect"]

NOT_ENOUGH = "not enough change to tell"
SHORTEST_BLOCK_PERIODS = 10
"""Twenty beats: fewer give hardly a rate."""
MOST_BLOCKS = 48
"""Blocks of half an hour in a day: rooms change no faster."""
LEAST_BLOCKS = 6
"""Up to four parameters are fitted: six rows leave two degrees of freedom to estimate their uncertainty."""
LEAST_SPREAD_K = 0.15
"""Standard deviation of the blocks' temperatures below which no effect is reported."""

LARGEST_DOUBT_S_PER_DAY_PER_K = 2.0
"""A coefficient this uncertain (95 % half-width), and not distinguishable from 0, is not reported."""

LEAST_SPREAD_HPA = 2.0
"""Weather changes the pressure by more on most days (common practice, no source)."""

CORRELATIONS = np.linspace(0.0, 0.98, 50)
"""Correlations of neighbouring blocks that are weighted: at 0.98 the wander lasts for fifty blocks, about `MOST_BLOCKS`."""


@dataclass(frozen=True, slots=True)
class TemperatureEffect:
    """The effect of the room on the rate.

    ``s_per_day_per_k`` is None where there was too little change to decide, ``s_per_day_per_hpa`` where no
    pressure was logged or it hardly changed. ``low_c`` and ``high_c`` are the blocks' extremes. Arrays (n,) over the
    blocks: ``block_time_s`` (middles), ``block_rate_s_per_day`` against the mean period, ``block_temperature_c``.
    """

    s_per_day_per_k: UFloat
    s_per_day_per_hpa: UFloat
    low_c: float
    high_c: float
    correlation: float
    block_time_s: FloatArray
    block_rate_s_per_day: FloatArray
    block_temperature_c: FloatArray
    sentence: str
    remarks: tuple[Remark, ...]


def temperature_effect(
    beat_time_s: npt.ArrayLike,
    beat_number: npt.ArrayLike,
    period_s: float,
    room: Room,
    *,
    began_s: float | None = None,
) -> TemperatureEffect:
    """Match beats and room by time, and fit.

    Parameters
    ----------
    beat_time_s, beat_number : array_like, shape (n,)
        Seconds from the start of the recording, and beat numbers (two a period).
    period_s : float
        Full period.
    room : Room
    began_s : float, optional
        Start of the recording, seconds since 1970; needed where the room's times are absolute.

    Raises
    ------
    InputError
        The record is too short, or the room's file does not cover it.
    """
    time = np.asarray(beat_time_s, dtype=np.float64)
    number = np.asarray(beat_number, dtype=np.int64)
    period = float(period_within(period_s))
    if room.absolute and began_s is None:
        raise InputError("the room's times are moments; say when the recording began with --began")
    clock = room.time_s - (began_s or 0.0) if room.absolute else room.time_s
    _refuse_short(time, period)
    middle, rate = _blocks(time, number, period)
    inside = (middle >= clock[0]) & (middle <= clock[-1])
    if inside.sum() < LEAST_BLOCKS:
        raise InputError(
            f"the room's file covers {int(inside.sum())} of {middle.size} parts of the recording; their "
            "times must overlap: check --began and the logger's time zone"
        )
    middle, rate = middle[inside], rate[inside]
    width = float(np.median(np.diff(middle)))
    warmth = _block_means(middle, width, clock, room.temperature_c)
    remarks = list(room.remarks)
    if not inside.all():
        remarks.append(
            Remark(
                "room-covers-part",
                f"{int((~inside).sum())} parts of the recording lie outside the room's file; left out.",
            )
        )
    columns = [
        np.ones_like(middle),
        (middle - middle.mean()) / max(float(np.ptp(middle)), 1.0),
        warmth - warmth.mean(),
    ]
    pressure = None
    if room.pressure_hpa is not None and np.isfinite(room.pressure_hpa).all():
        pressure = _block_means(middle, width, clock, room.pressure_hpa)
        if float(np.std(pressure)) >= LEAST_SPREAD_HPA:
            columns.append(pressure - pressure.mean())
        else:
            pressure = None
    values, spread, correlation = _fit(np.stack(columns, axis=1), rate)
    low, high = float(warmth.min()), float(warmth.max())
    per_k, per_hpa = _told(values, spread, float(np.std(warmth)), with_pressure=pressure is not None)
    return TemperatureEffect(
        per_k,
        per_hpa,
        low,
        high,
        correlation,
        middle,
        rate,
        warmth,
        _sentence(per_k, low, high),
        tuple(remarks),
    )


def _refuse_short(time_s: FloatArray, period_s: float) -> None:
    least = LEAST_BLOCKS * SHORTEST_BLOCK_PERIODS * period_s
    span = 0.0 if time_s.size < 2 else float(time_s[-1] - time_s[0])
    if time_s.size < 2 or span < least:
        raise InputError(
            f"the record spans {span / 3600:.1f} h; at least {least / 3600:.1f}"
            " h are needed, best a night and a day"
        )


def _told(
    values: FloatArray, spread: FloatArray, warmth_spread_k: float, *, with_pressure: bool
) -> tuple[UFloat | None, UFloat | None]:
    """The effects of temperature (s/day per kelvin) and pressure (per hPa), each None where it is too uncertain."""
    from uncertainties import ufloat

    per_k = per_hpa = None
    half = COVERAGE * spread[2]
    if warmth_spread_k >= LEAST_SPREAD_K and (half <= LARGEST_DOUBT_S_PER_DAY_PER_K or half < abs(values[2])):
        per_k = ufloat(values[2], max(spread[2], 1e-9))
    if with_pressure and COVERAGE * spread[3] < max(abs(values[3]), 0.5):
        per_hpa = ufloat(values[3], max(spread[3], 1e-9))
    return per_k, per_hpa


def _sentence(per_k: UFloat, low: float, high: float) -> str:
    between = f"between {low:.1f} and {high:.1f} C"
    if per_k is None:
        return f"Temperature: {NOT_ENOUGH} ({between})."
    value, half = per_k.nominal_value, COVERAGE * per_k.std_dev
    digits = max(0, min(3, 1 - math.floor(math.log10(half)))) if half > 0 else 3
    if abs(value) <= half:
        most = f"{abs(value) + half:.{digits}f} s a day per kelvin"
        return f"Temperature: no effect was seen {between}; it is below {most}."
    verb = "gains" if value > 0 else "loses"
    return (
        f"Warmed by one kelvin it {verb} {abs(value):.{digits}f} s a day, between "
        f"{abs(value) - half:.{digits}f} and {abs(value) + half:.{digits}f} ({between})."
    )


def _blocks(time: FloatArray, number: npt.NDArray[np.int64], period: float) -> tuple[FloatArray, FloatArray]:
    """Middle and rate, against the mean period, of each block of beats."""
    span = float(time[-1] - time[0])
    count = int(min(MOST_BLOCKS, span // (SHORTEST_BLOCK_PERIODS * period)))
    edges = np.linspace(time[0], time[-1] + 1e-6, count + 1)
    place = np.searchsorted(edges, time, side="right") - 1
    rows = []
    for block in range(count):
        here = place == block
        if here.sum() < SHORTEST_BLOCK_PERIODS:
            continue
        own, index = np.unique(number[here], return_index=True)
        try:
            fit = fit_beats(time[here][index], own)
        except InputError:
            continue
        rows.append((time[here].mean(), fit.period_s.nominal_value))
    if len(rows) < LEAST_BLOCKS:
        raise InputError(
            f"only {len(rows)} parts of the recording hold enough beats; {LEAST_BLOCKS} are needed: "
            "record longer or nearer to the clock"
        )
    middle, periods = np.array(rows).T
    return middle, DAY_S * (float(periods.mean()) / periods - 1)


def _block_means(middle: FloatArray, width: float, clock: FloatArray, value: FloatArray) -> FloatArray:
    """Mean of a record (straight lines between its points) over each block."""
    offsets = np.linspace(-0.5, 0.5, 21) * width
    at = middle[:, None] + offsets[None, :]
    return np.asarray(np.interp(at, clock, value).mean(axis=1))


def _fit(design: FloatArray, rate: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Values, standard uncertainties and the correlation of neighbouring blocks, averaged over all possible correlations.

    For each correlation r of a first-order process the blocks are made independent (S. J. Prais and C. B. Winsten, Cowles
    Commission discussion paper 383, 1954) and fitted; each r counts by its likelihood with the values and the scatter
    integrated out (restricted likelihood: D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320, from memory). So an
    uncertain correlation widens the interval: a few dozen blocks determine it badly, and the fit itself hides part of
    it.
    """
    n, parameters = design.shape
    freedom = n - parameters
    values, spreads, logs = [], [], []
    for r in CORRELATIONS:
        first = math.sqrt(1 - r * r)
        x = np.vstack([first * design[:1], design[1:] - r * design[:-1]])
        y = np.concatenate([first * rate[:1], rate[1:] - r * rate[:-1]])
        square = x.T @ x
        inverse = np.linalg.pinv(square)
        value = inverse @ (x.T @ y)
        squares = max(float(((y - x @ value) ** 2).sum()), 1e-24)
        values.append(value)
        spreads.append(np.sqrt(np.diag(inverse) * squares / freedom))
        determinant = np.linalg.slogdet(square)[1]
        logs.append(math.log(first) - 0.5 * determinant - 0.5 * freedom * math.log(squares))
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    each, doubt = np.array(values), np.array(spreads) * student_factor(freedom)
    mean = weight @ each
    spread = np.sqrt(weight @ (doubt**2 + (each - mean) ** 2))
    return mean, spread, float(weight @ CORRELATIONS)
