"""The free swing: how the arc dies away without a drive, and the Q that describes it.

Two laws. Air drag takes the same share of the arc from every swing, arc = start * exp(-pi t / (Q T)); dry
rubbing takes the same angle, a straight line. Together, d(arc)/dt = -air * arc - dry, with ``air`` in 1/s
and ``dry`` in degrees of arc per second (J. Rayleigh, Theory of Sound, 2nd ed. 1894, par. 45 ff., for the
exponential; averaging over one swing for both together). Arc end to end in degrees, time in seconds from
the first reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import (
    Figure,
    FloatArray,
    arc_within,
    elementwise,
    figure,
    number_within,
    one_number,
    period_within,
    q_within,
    within,
)

Law = Literal["air", "dry", "both"]

__all__ = [
    "FreeSwing",
    "Law",
    "akaike_weights",
    "arc_at_deg",
    "compare_laws",
    "damping_lengthening",
    "damping_ratio",
    "fit_free_swing",
    "half_life_s",
    "log_decrement",
    "q_from_air",
    "q_from_damping_ratio",
    "q_from_half_arc_periods",
    "q_from_log_decrement",
    "q_over_laws",
    "settling_time_s",
    "time_to_arc_s",
]


@elementwise
def arc_at_deg(
    time_s: npt.ArrayLike,
    arc_start_deg: npt.ArrayLike,
    air_per_s: npt.ArrayLike = 0.0,
    dry_deg_per_s: npt.ArrayLike = 0.0,
) -> Figure:
    """Arc of a free swing after a time.

    Parameters
    ----------
    time_s, arc_start_deg : array_like
        Time since the arc was ``arc_start_deg``.
    air_per_s, dry_deg_per_s : array_like
        Loss by air drag and by dry rubbing, as in the module's docstring.

    Returns
    -------
    float or ndarray
        Degrees; 0 once the balance has come to rest.

    Examples
    --------
    >>> round(arc_at_deg(2400, arc_start_deg=270, air_per_s=2.888e-4))
    135
    """
    start, air, dry = (
        arc_within(arc_start_deg),
        _loss("air drag", air_per_s),
        _loss("dry rubbing", dry_deg_per_s),
    )
    time = within("time", time_s, 0, np.inf, "s", "count from the first reading", low_allowed=True)
    return figure(np.maximum(start * np.exp(-air * time) - dry * _stretch(air, time), 0.0))


@elementwise
def time_to_arc_s(
    arc_start_deg: npt.ArrayLike,
    arc_end_deg: npt.ArrayLike,
    air_per_s: npt.ArrayLike = 0.0,
    dry_deg_per_s: npt.ArrayLike = 0.0,
) -> Figure:
    """Time until a free swing has fallen to an arc (say, the one at which the escapement stops unlocking).

    Parameters
    ----------
    arc_start_deg : array_like
        Arc at the start, end to end.
    arc_end_deg : array_like
        Arc to fall to.
    air_per_s : array_like
        Loss by drag, a share a second.
    dry_deg_per_s : array_like
        Loss by dry rubbing.

    Returns
    -------
    float or ndarray
        Seconds; inf where the swing has no loss, nan where the arc is not below the start.

    Examples
    --------
    >>> round(time_to_arc_s(270, 135, air_per_s=2.888e-4) / 60, 1)
    40.0
    """
    start, air, dry = (
        arc_within(arc_start_deg),
        _loss("air drag", air_per_s),
        _loss("dry rubbing", dry_deg_per_s),
    )
    end = within("arc to fall to", arc_end_deg, 0, 1440, "deg", "", low_allowed=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = (start - end) / dry
        # log1p of the fall over the rest keeps its precision where air drag is weak.
        curved = np.log1p(air * (start - end) / (air * end + dry)) / air
        time = np.where(air * start < 1e-12 * dry, straight, curved)
    time = np.where((air == 0) & (dry == 0), np.inf, time)
    return figure(np.where(end > start, np.nan, np.where(end == start, 0.0, time)))


@elementwise
def q_from_air(air_per_s: npt.ArrayLike, period_s: npt.ArrayLike) -> Figure:
    """Quality factor Q = pi / (air T).

    Examples
    --------
    >>> round(q_from_air(2.888e-4, period_s=15))
    725
    """
    air = within("air drag", air_per_s, 0, np.inf, "1/s", "let the balance swing down for longer")
    return figure(np.pi / (air * period_within(period_s)))


@elementwise
def settling_time_s(q: npt.ArrayLike, period_s: npt.ArrayLike) -> Figure:
    """Settling time constant Q T / (2 pi) of a driven arc: after it the rest of a change is 1/e, after three of them 5 %.

    Notes
    -----
    Equal impulses give equal energy a swing, and the swing loses the share 2 pi / Q of its energy in a period: energy
    nears its steady value with Q T / (2 pi), and so does a small change of the arc. A free swing falls with twice
    that, see `half_life_s`.

    Examples
    --------
    >>> round(settling_time_s(725, period_s=15) / 60)
    29
    """
    return figure(q_within(q) * period_within(period_s) / (2 * np.pi))


@elementwise
def half_life_s(q: npt.ArrayLike, period_s: npt.ArrayLike) -> Figure:
    """Time in which a free swing with air drag falls to half its arc: ln 2 Q T / pi."""
    return figure(np.log(2) * q_within(q) * period_within(period_s) / np.pi)


@elementwise
def q_from_half_arc_periods(periods: npt.ArrayLike) -> Figure:
    """Q from the number of periods in which the arc falls to half: pi / ln 2 = 4.532 times that number.

    Examples
    --------
    >>> round(q_from_half_arc_periods(160), 1)
    725.2
    """
    count = within("number of periods", periods, 0, np.inf, "", "count from full to half arc")
    return figure(np.pi / np.log(2) * count)


@elementwise
def log_decrement(arc_start_deg: npt.ArrayLike, arc_end_deg: npt.ArrayLike, periods: npt.ArrayLike) -> Figure:
    """Logarithmic decrement, the natural logarithm of the ratio of two arcs one period apart.

    Parameters
    ----------
    arc_start_deg, arc_end_deg, periods : array_like
        Two arcs, and the number of full periods from the first to the second.
    """
    count = within("number of periods", periods, 0, np.inf, "", "count full periods, out and back")
    return figure(np.log(arc_within(arc_start_deg) / arc_within(arc_end_deg)) / count)


@elementwise
def q_from_log_decrement(decrement: npt.ArrayLike) -> Figure:
    """Q = sqrt(1/4 + (pi / decrement)^2), near pi / decrement."""
    delta = within("logarithmic decrement", decrement, 0, np.inf, "", "the second arc must be the smaller")
    return figure(np.hypot(0.5, np.pi / delta))


@elementwise
def damping_ratio(q: npt.ArrayLike) -> Figure:
    """Damping ratio zeta = 1 / (2 Q)."""
    return figure(0.5 / q_within(q))


@elementwise
def q_from_damping_ratio(ratio: npt.ArrayLike) -> Figure:
    """Q = 1 / (2 zeta)."""
    return figure(0.5 / within("damping ratio", ratio, 0, 1, "", "a balance that swings has less than 1"))


@elementwise
def damping_lengthening(q: npt.ArrayLike) -> Figure:
    """Relative lengthening of the period by air drag, 1 / sqrt(1 - 1/(4 Q^2)) - 1, near 1 / (8 Q^2).

    Examples
    --------
    >>> round(-86400 * damping_lengthening(100), 2)
    -1.08
    """
    return figure(np.expm1(-0.5 * np.log1p(-0.25 / q_within(q) ** 2)))


@dataclass(frozen=True, slots=True)
class FreeSwing:
    """One law fitted to a free swing.

    ``arc_start_deg`` (at the first reading), ``air_per_s`` and ``dry_deg_per_s`` are correlated
    ``uncertainties`` values; a loss that the law leaves out is the number 0. ``sigma_deg`` is the standard
    deviation of one arc, ``residual_deg`` (n,) observed minus fitted, ``aicc`` Akaike's criterion with its
    small-sample term: the law with the lower one describes the readings better. A loss that comes out
    negative by more than its uncertainty shows that neither law holds.
    """

    law: Law
    arc_start_deg: Any
    air_per_s: Any
    dry_deg_per_s: Any
    sigma_deg: float
    residual_deg: FloatArray
    log_likelihood: float
    aicc: float

    def q_at(self, arc_deg: float, period_s: float) -> Any:
        """Q at an arc, pi / (T (air + dry / arc)): growing with the arc where rubbing is dry."""
        arc, period = one_number("arc", arc_within(arc_deg)), one_number("period", period_within(period_s))
        return np.pi / (period * (self.air_per_s + self.dry_deg_per_s / arc))

    def loss_deg_per_swing(self, arc_deg: float, period_s: float) -> Any:
        """Arc that one swing (half a period) loses at an arc, degrees."""
        arc, period = one_number("arc", arc_within(arc_deg)), one_number("period", period_within(period_s))
        return (self.air_per_s * arc + self.dry_deg_per_s) * (period / 2)


def fit_free_swing(
    time_s: npt.ArrayLike, arc_deg: npt.ArrayLike, law: Law, sigma_deg: float | None = None
) -> FreeSwing:
    """Fit one law to the arcs of a free swing by least squares.

    Parameters
    ----------
    time_s, arc_deg : array_like, shape (n,)
        Arcs and their times; nan arcs (beats not heard) are left out.
    law : {'air', 'dry', 'both'}
        Which losses to fit.
    sigma_deg : float, optional
        Standard deviation of one arc where it is known; left out, it is taken from the residuals.

    Returns
    -------
    FreeSwing

    Raises
    ------
    InputError
        Fewer than 6 arcs, or an unknown law.

    Notes
    -----
    Uncertainties and Akaike's criterion suppose independent errors of the arcs; where errors of neighbouring arcs
    are correlated, both are too sure. H. Akaike, IEEE Trans. Autom. Control 19 (1974) 716.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(0, 3600, 15.0)
    >>> noise_deg = np.random.default_rng(1).normal(0, 0.5, t.size)
    >>> swing = fit_free_swing(t, 270 * np.exp(-t / 3462) + noise_deg, "air")
    >>> print(swing.q_at(270, period_s=15))
    724.5+/-0.5
    """
    from uncertainties import correlated_values

    if law not in ("air", "dry", "both"):
        raise InputError(f"law is {law!r}; it must be 'air', 'dry' or 'both'")
    time, arc = _readings(time_s, arc_deg)
    n = arc.size
    top = float(arc.max())
    found, scale, residual = _least_squares(time, arc, law)
    with_air, with_dry = law != "dry", law != "air"
    squares = float(residual @ residual)
    free = len(scale)
    sigma = (
        float(np.sqrt(squares / (n - free)))
        if sigma_deg is None
        else number_within("sigma of an arc", sigma_deg, 0, 360, "deg")
    )
    covariance = np.linalg.inv(found.jac.T @ found.jac) * (sigma / top) ** 2
    values = correlated_values(found.x * scale, covariance * np.outer(scale, scale))
    likelihood, aicc = _scored(squares, n, free, None if sigma_deg is None else sigma)
    return FreeSwing(
        law=law,
        arc_start_deg=values[0],
        air_per_s=values[1] if with_air else 0.0,
        dry_deg_per_s=values[-1] if with_dry else 0.0,
        sigma_deg=sigma,
        residual_deg=residual,
        log_likelihood=likelihood,
        aicc=aicc,
    )


def _least_squares(time_s: FloatArray, arc_deg: FloatArray, law: Law) -> tuple[Any, FloatArray, FloatArray]:
    """The solution in parameters of order one, the scale of each, and the residuals (deg)."""
    from scipy.optimize import least_squares

    span, top = float(time_s.max()), float(arc_deg.max())
    # Parameters are start / top, air * span, dry * span / top: all of order one.
    with_air, with_dry = law != "dry", law != "air"
    x, y = time_s / span, arc_deg / top

    def model(p: FloatArray) -> FloatArray:
        air = p[1] if with_air else 0.0
        dry = p[-1] if with_dry else 0.0
        return np.asarray(p[0] * np.exp(-air * x) - dry * _stretch(np.asarray(air), x))

    fall = float(np.polyfit(x, y, 1)[0])
    first = [1.0] + ([-fall] if with_air else []) + ([-fall if law == "dry" else 0.0] if with_dry else [])
    found = least_squares(lambda p: model(p) - y, first, x_scale=1.0, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    scale = np.array([top] + ([1 / span] if with_air else []) + ([top / span] if with_dry else []))
    return found, scale, arc_deg - top * model(found.x)


def _scored(squares: float, n: int, free: int, sigma_deg: float | None) -> tuple[float, float]:
    """Log likelihood and Akaike's corrected criterion of ``free`` parameters; an unknown sigma is one more."""
    if sigma_deg is None:
        spread, parameters = max(squares / n, np.finfo(float).tiny), free + 1
        likelihood = -0.5 * n * (np.log(2 * np.pi * spread) + 1)
    else:
        parameters = free
        likelihood = -0.5 * squares / sigma_deg**2 - n * np.log(sigma_deg * np.sqrt(2 * np.pi))
    correction = 2 * parameters * (parameters + 1) / (n - parameters - 1)
    return float(likelihood), float(2 * parameters - 2 * likelihood + correction)


def compare_laws(
    time_s: npt.ArrayLike, arc_deg: npt.ArrayLike, sigma_deg: float | None = None
) -> tuple[FreeSwing, ...]:
    """Fit all three laws, best (lowest `FreeSwing.aicc`) first. Arguments as for `fit_free_swing`.

    Parameters
    ----------
    time_s : array_like
        shape (n,).
    arc_deg : array_like
        shape (n,), end to end; nan is left out.
    sigma_deg : float, optional
        Standard deviation of one arc, where it is known.
    """
    laws: tuple[Law, ...] = ("air", "dry", "both")
    return tuple(
        sorted((fit_free_swing(time_s, arc_deg, law, sigma_deg) for law in laws), key=lambda fit: fit.aicc)
    )


def akaike_weights(fits: Sequence[FreeSwing]) -> FloatArray:
    """How strongly the readings support each fit: shares that sum to 1."""
    aicc = np.array([fit.aicc for fit in fits])
    weight = np.exp(-0.5 * (aicc - aicc.min()))
    return np.asarray(weight / weight.sum())


def q_over_laws(fits: Sequence[FreeSwing], arc_deg: float, period_s: float, factor: float = 1.0) -> Any:
    """Q at an arc, whichever law holds: the mean of the laws by Akaike weights, their disagreement in its uncertainty.

    Parameters
    ----------
    fits : sequence of FreeSwing
        Laws fitted to the same arcs.
    arc_deg, period_s : float
        Arc for which Q is wanted; full period.
    factor : float
        Widens each law's own uncertainty (`torsionbeat.theory.rate.student_factor`).

    Returns
    -------
    ufloat

    Notes
    -----
    K. P. Burnham & D. R. Anderson, Model Selection and Multimodel Inference, 2nd ed. 2002, 4.3.2 (from memory): the
    variance of a mixture, within and between the laws. Laws are averaged as the reciprocal of Q, the loss, which is
    what the fits are linear in.
    """
    from uncertainties import ufloat

    losses = [1 / fit.q_at(arc_deg, period_s) for fit in fits]
    value = np.array([loss.nominal_value for loss in losses])
    spread = factor * np.array([loss.std_dev for loss in losses])
    weight = akaike_weights(fits)
    mean = float(weight @ value)
    return 1 / ufloat(mean, float(np.sqrt(weight @ (spread**2 + (value - mean) ** 2))))


def _stretch(air: FloatArray, time: FloatArray) -> FloatArray:
    """(1 - exp(-air t)) / air, which is t where there is no air drag."""
    decay = air * time
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(decay == 0, time, -np.expm1(-decay) / air))


def _readings(time_s: npt.ArrayLike, arc_deg: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    time = within("time", time_s, -1e12, 1e12, "s")
    arc = within(
        "arc", arc_deg, 0, 1440, "deg", "stop the readings before the balance rests", nan_allowed=True
    )
    if time.ndim != 1 or time.shape != arc.shape:
        raise InputError(f"{time.size} times and {arc.size} arcs; give one row of each, equally long")
    heard = np.isfinite(arc)
    time, arc = time[heard], arc[heard]
    if arc.size < 6:
        raise InputError(
            f"{arc.size} arcs of a free swing; at least 6 are needed: let it swing down for longer"
        )
    order = np.argsort(time, kind="stable")
    time, arc = time[order] - time[order][0], arc[order]
    if not time[-1] > 0:
        raise InputError("all arcs have the same time; give the time of each, in seconds")
    return time, arc


def _loss(name: str, value: npt.ArrayLike) -> FloatArray:
    unit = "1/s" if name.startswith("air") else "deg/s"
    return within(name, value, 0, 1e6, unit, "a loss is positive", low_allowed=True)
