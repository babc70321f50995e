"""The balance: theta'' + theta'/Q + theta (1 + c theta^2) = force, stepped by Taylor series.

Input: angle and speed at an instant, and a force that is constant until the next event. Output: the motion as a
polynomial in time, and the exact instant at which an angle is passed or the balance turns. Angles are in radians. Time
is in units of 1/omega, with omega the frequency of the free undamped small swing. A force is given as the angle to
which it would twist the suspension at rest. No closed formula for the swing is used: arc, period and beat follow from
the integration.

Method: A. Jorba and M. Zou, "A software package for the numerical integration of ODEs by means of high-order
Taylor methods", Experimental Mathematics 14 (2005) 99-117 (from memory): coefficients by recurrence, the step size from
the last two coefficients.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from torsionbeat.errors import InputError

__all__ = ["Balance", "Motion"]

ORDER = 22
"""Order of the Taylor series: about half the wanted digits times ln 10, where the work is least (Jorba and Zou)."""
LONGEST_STEP = 1.0  # radians of phase; below pi, so that one step never holds two turning points
STEP_TOLERANCE = 1e-17  # size of the last terms against the state


@dataclass(frozen=True, slots=True)
class Balance:
    """A balance hung on its suspension strip.

    Attributes
    ----------
    period_s : float
        Full period of the free, undamped, infinitely small swing, in seconds.
    q : float
        Quality factor of the drag that grows with speed (air and strip).
    cubic_per_rad2 : float
        c in the restoring torque theta (1 + c theta^2): above 0 a longer arc gains.
    dry_friction_deg : float
        Rubbing that takes the same angle from every swing, given as the angle within which the balance would stick.
    period_ppm_per_k : float
        Relative change of the period with temperature.
    """

    period_s: float
    q: float = 300.0
    cubic_per_rad2: float = 0.0
    dry_friction_deg: float = 0.0
    period_ppm_per_k: float = 0.0

    def __post_init__(self) -> None:
        if not 0.05 <= self.period_s <= 600:
            raise InputError(
                f"period {self.period_s:g} s cannot be simulated: give the full period, 0.05 to 600 s."
            )
        if not 2 <= self.q <= 1e18:
            raise InputError(f"Q {self.q:g} is outside 2 to 1e18: a torsion balance has some hundreds.")
        if not self.dry_friction_deg >= 0:
            raise InputError(f"dry friction {self.dry_friction_deg:g} deg is negative: give 0 for none.")
        if not -0.01 <= self.cubic_per_rad2 <= 1:
            raise InputError(
                f"cubic term {self.cubic_per_rad2:g} per square radian is outside -0.01 to 1: "
                "a real strip has about 1e-5."
            )


class Motion:
    """One step of the motion: a polynomial in phase x = omega t, valid from 0 to `length`."""

    __slots__ = ("angle_terms", "length", "speed_terms")

    def __init__(self, angle: float, speed: float, force: float, q: float, cubic: float) -> None:
        terms = [angle, speed]
        squares: list[float] = []
        for k in range(ORDER - 1):
            pull = terms[k]
            if cubic:
                squares.append(sum(terms[i] * terms[k - i] for i in range(k + 1)))
                pull += cubic * sum(squares[i] * terms[k - i] for i in range(k + 1))
            push = force if k == 0 else 0.0
            terms.append((push - (k + 1) * terms[k + 1] / q - pull) / ((k + 1) * (k + 2)))
        self.angle_terms = terms
        self.speed_terms = [k * terms[k] for k in range(1, ORDER + 1)]
        scale = STEP_TOLERANCE * (math.hypot(angle, speed) + abs(force) + 1e-12)
        self.length = LONGEST_STEP
        for k in (ORDER - 1, ORDER):
            size = abs(terms[k])
            if size:
                self.length = min(self.length, (scale / size) ** (1 / k))

    def angle(self, phase: float) -> float:
        """Angle in radians at `phase` after the start of the step."""
        return _horner(self.angle_terms, phase)

    def speed(self, phase: float) -> float:
        """Speed in radians per radian of phase."""
        return _horner(self.speed_terms, phase)

    def passes(self, angle: float, end: float) -> float | None:
        """Phase in (0, end] at which `angle` is reached on a stretch without a turning point, or None."""
        first, last = self.angle_terms[0] - angle, self.angle(end) - angle
        if first * last > 0 or first == 0:
            return None
        return _root(self.angle_terms, self.speed_terms, angle, end)

    def turns(self, end: float) -> float | None:
        """Phase in (0, end] at which the speed passes through zero, or None."""
        first = self.speed_terms[0]
        # After a turning point there is no second one within one step.
        if first == 0 or first * self.speed(end) > 0:
            return None
        bends = [k * self.speed_terms[k] for k in range(1, ORDER)]
        return _root(self.speed_terms, bends, 0.0, end)


def _horner(terms: list[float], x: float) -> float:
    value = 0.0
    for term in reversed(terms):
        value = value * x + term
    return value


def _root(terms: list[float], slopes: list[float], level: float, end: float) -> float:
    """Root of terms(x) = level in [0, end]: Newton steps, or bisection where a step leaves the bracket."""
    low, high = 0.0, end
    falling = terms[0] > level
    x = 0.5 * end
    for _ in range(100):
        miss = _horner(terms, x) - level
        if (miss > 0) == falling:
            low = x
        else:
            high = x
        slope = _horner(slopes, x)
        step = x - miss / slope if slope else math.inf
        if not low <= step <= high:
            step = 0.5 * (low + high)
        if abs(step - x) <= 1e-15 * end or miss == 0:
            return step
        x = step
    return x
