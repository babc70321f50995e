"""How long to let a clock settle after work on it, and how long to listen until its rate is known.

Times in seconds, rates in seconds per day. A wanted tolerance is the half-width of the 95 % interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.regulation.present import Present
from torsionbeat.theory.decay import settling_time_s
from torsionbeat.theory.limits import within
from torsionbeat.theory.rate import DAY_S, fit_beats, period_uncertainty_s
from torsionbeat.theory.robust import COVERAGE
from torsionbeat.theory.stability import deviation_at, phase_on_grid, stability

__all__ = ["Listening", "listening", "settling_s"]

LEFT = 0.02
"""Share of the disturbance of the arc left when the clock is called settled."""

SOUND_TIMED_S = 1e-3
"""Standard deviation of event times assumed where nothing was heard yet (that of a clear recording)."""

LINE_OVER_MDEV = 2.0
"""Standard uncertainty of a rate by least squares over the modified Allan deviation at the record's length.

2 for white noise of the event times (12 against 3 sigma^2 / (N^3 tau0^2)), the root of 2.4 for white noise of
the rate (6/5 against 1/2 of its variance).
"""

LEAST_BEATS = 64
"""A stability curve of fewer beats has no useful averaging time."""
SHORTEST_PERIODS = 20
"""Forty beats: fewer hardly give a rate with its uncertainty."""
LONGEST_S = 14 * DAY_S
"""A fortnight: rather than wait longer, it is better to check again."""


@dataclass(frozen=True, slots=True)
class Listening:
    """How long to listen.

    ``duration_s`` is None where no length of recording suffices. ``basis`` is 'record' (the wander of this clock),
    'scaled' (from the uncertainty of its last reading) or 'supposed' (nothing heard yet). ``sentence`` is the advice in
    words.
    """

    duration_s: float | None
    basis: str
    sentence: str


def settling_s(q: float, period_s: float, left: float = LEFT) -> float:
    """Time after which a share ``left`` of a disturbance of the arc of a driven clock remains.

    With a drive of equal energy each swing, a disturbance decays with Q T / (2 pi), twice as quickly as a free swing
    (energy is proportional to the square of the arc).

    Parameters
    ----------
    q : float
        Q of a free swing.
    period_s : float
        Full period.
    left : float
        Share of the disturbance that remains then.

    Examples
    --------
    >>> round(settling_s(490, 60) / 3600, 1)
    5.1
    """
    share = float(within("share left", left, 0, 1, "", "0.02 is usual"))
    return float(settling_time_s(q, period_s)) * -math.log(share)


def listening(present: Present, tolerance_s_per_day: float) -> Listening:
    """Calculate how long to listen until the rate is known to within a tolerance (95 % half-width).

    Raises
    ------
    InputError
        A tolerance outside 0.001 to 3600 s/day.
    """
    wanted = float(
        within(
            "tolerance",
            tolerance_s_per_day,
            0.001,
            3600,
            "s/day",
            "0.5 suits a well regulated clock",
            low_allowed=True,
        )
    )
    spare = (wanted / COVERAGE) ** 2 - present.timebase_s_per_day**2
    if spare <= 0:
        limit = COVERAGE * present.timebase_s_per_day
        return Listening(
            None,
            "timebase",
            f"However long you listen, the recorder's crystal ({present.timebase_source or 'unknown'} "
            f"timebase) leaves the rate open to {limit:.1f} s a day either way; for {wanted:g} s a day "
            "state its error with --sample-clock-ppm, listen live, or compare the minute hand with a "
            "time signal.",
        )
    sigma = math.sqrt(spare)
    period: float | None = present.clock.nominal_period_s
    if present.period_s is not None:
        period = float(present.period_s.nominal_value)
    if period is not None and present.beat_time_s is not None and len(present.beat_time_s) >= LEAST_BEATS:
        return _from_record(present, period, wanted, sigma)
    if present.duration_s and present.own_s_per_day > 0 and present.timebase_source:
        ratio = present.own_s_per_day / sigma
        duration = present.duration_s * ratio ** (2 if ratio > 1 else 2 / 3)
        return _said(duration, "scaled", wanted, period, "by what the last reading was worth")
    if period is None:
        return Listening(None, "unknown", "How long to listen cannot be said: give the period.")
    beats = 2 * SHORTEST_PERIODS
    while beats < 10**6 and period_uncertainty_s(np.arange(beats), SOUND_TIMED_S) / period * DAY_S > sigma:
        beats = math.ceil(beats * 1.1)
    return _said(
        beats * period / 2,
        "supposed",
        wanted,
        period,
        "if each sound is timed to 1 ms and the clock does not wander; the first reading will tell better",
    )


def _from_record(present: Present, period: float, wanted: float, sigma: float) -> Listening:
    assert present.beat_time_s is not None
    assert present.beat_number is not None
    number, place = np.unique(present.beat_number, return_index=True)
    fit = fit_beats(present.beat_time_s[place], number)
    curve = stability(phase_on_grid(number, fit.residual_s), period / 2, "mdev")
    tau = period * SHORTEST_PERIODS
    while LINE_OVER_MDEV * DAY_S * deviation_at(curve, tau) > sigma:
        tau *= 1.05
        if tau > LONGEST_S:
            floor = COVERAGE * LINE_OVER_MDEV * DAY_S * deviation_at(curve, LONGEST_S)
            return Listening(
                None,
                "record",
                f"This clock wanders too much for {wanted:g} s a day: after two weeks its rate would "
                f"still be open to {floor:.1f} s a day either way. Look for what disturbs it (drive, "
                "draught, temperature).",
            )
    return _said(tau, "record", wanted, period, "by how much this clock wandered in the last reading")


def _said(duration: float, basis: str, wanted: float, period: float | None, why: str) -> Listening:
    duration = max(duration, SHORTEST_PERIODS * (period or 60.0))
    return Listening(
        duration,
        basis,
        f"Listen for {duration_words(duration)} to know the rate to within {wanted:g} s a day ({why}).",
    )


def duration_words(duration_s: float) -> str:
    """Give a time in words, in the unit that a restorer would use.

    Examples
    --------
    >>> duration_words(1200), duration_words(9358), duration_words(37_000), duration_words(4 * 86400)
    ('20 min', '2.6 h', '10 h', '4.0 days')
    """
    if not math.isfinite(duration_s):
        raise InputError(f"a time of {duration_s:g} s cannot be said")
    if duration_s < 5400:
        return f"{math.ceil(duration_s / 60 - 1e-9)} min"
    if duration_s < 2 * DAY_S:
        hours = duration_s / 3600
        return f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"
    return f"{duration_s / DAY_S:.1f} days"
