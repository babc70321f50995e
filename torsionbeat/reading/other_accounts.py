"""Figures where another account of the sounds (which sound is which) cannot be ruled out.

Each account gives its own beat error and arc. While the other accounts have little probability, a figure is the mean of the
mixture with its standard uncertainty (JCGM 101, 7.6: the distribution of the output is what counts). Where they have more, a
figure on which the accounts disagree is withheld. The period is the same in all accounts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from uncertainties import ufloat

from torsionbeat.hearing.heard import OtherAccount
from torsionbeat.reading.figures import Clock, UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.swing import arc_and_offset_deg

__all__ = ["arc_in_doubt_deg", "beat_error_in_doubt_ms", "remark_on_accounts"]

WITHHELD = 0.05
"""Probability of the other accounts above which a figure on which they disagree is withheld: the 95 % interval of the mixture
would then cover two different figures and describe neither."""
SELDOM, FAR = 0.005, 5.0
"""An account with more than the first probability stays within this many standard uncertainties of the figure: no figure may be
further off in more than one recording of 200. A standard deviation alone would leave one of 60 at eight of them."""
EVEN = 0.4
"""Probability of the other accounts from which they are as likely as not."""
AGREES = 2.0
"""Accounts agree where they differ by less than this many standard uncertainties."""


def beat_error_in_doubt_ms(error_ms: UFloat, others: Sequence[OtherAccount], ms_per_sample: float) -> UFloat:
    """The beat error over all accounts; None where they disagree and none is beyond doubt.

    Parameters
    ----------
    error_ms : ufloat
        Beat error of the account that was chosen.
    others : sequence of OtherAccount
        Other accounts that the sounds allow.
    ms_per_sample : float
    """
    if error_ms is None:
        return None
    values = [error_ms.nominal_value + other.later_samples * ms_per_sample for other in others]
    return _mixed(error_ms, values, [other.share for other in others])


def arc_in_doubt_deg(
    arc: UFloat, others: Sequence[OtherAccount], s_per_sample: float, period_s: float, clock: Clock
) -> UFloat:
    """The arc over all accounts that give one; None where they disagree and none is beyond doubt.

    Parameters
    ----------
    arc : uncertainties value or None
        Arc of the likeliest account, degrees.
    others : sequence of OtherAccount
    s_per_sample, period_s : float
    clock : Clock
        Its lift gives the arc from a passage.
    """
    if arc is None or clock.lift_deg is None:
        return arc
    values, shares = [], []
    for other in others:
        value = _arc_of(other, s_per_sample, period_s, clock.lift_deg)
        values.append(arc.nominal_value if value is None else value)
        shares.append(other.share)
    return _mixed(arc, values, shares)


def remark_on_accounts(
    others: Sequence[OtherAccount],
    s_per_sample: float,
    period_s: float,
    clock: Clock,
    told: tuple[UFloat, UFloat],
) -> Remark | None:
    """Remark on the likeliest of the other accounts; None where there is none.

    Parameters
    ----------
    others : sequence of OtherAccount
    s_per_sample, period_s : float
    clock : Clock
    told : tuple
        Beat error and arc as reported, None where they are withheld.
    """
    if not others:
        return None
    other = max(others, key=lambda one: one.share)
    total = sum(one.share for one in others)
    later_ms = 1e3 * s_per_sample * other.later_samples
    then = [f"the beat error is {abs(later_ms):.1f} ms {'higher' if later_ms > 0 else 'lower'}"]
    arc = None if clock.lift_deg is None else _arc_of(other, s_per_sample, period_s, clock.lift_deg)
    if arc is not None:
        then.insert(0, f"the arc is {arc:.0f} deg")
    elif clock.lift_deg is not None:
        then.insert(0, "no contact is heard and there is no arc")
    withheld = [name for name, figure in zip(("beat error", "arc"), told, strict=True) if figure is None]
    if clock.lift_deg is None:
        withheld = [name for name in withheld if name != "arc"]
    end = (
        f"The {' and the '.join(withheld)} {'are' if len(withheld) > 1 else 'is'} not told for that."
        if withheld
        else "The figures are stated that much less surely."
    )
    often = "as well" if total > EVEN else f"once in {1 / total:.0f} recordings like this"
    return Remark(
        "other-account",
        f"Which sound is which is not beyond doubt: it may be otherwise {often}, and then "
        f"{' and '.join(then)}. {end}",
    )


def _arc_of(other: OtherAccount, s_per_sample: float, period_s: float, lift_deg: float) -> float | None:
    """Mean arc of an account, None where it has no contact or the passage is impossible."""
    passages = [passage * s_per_sample for passage in other.passage_samples if passage is not None]
    arcs = [float(arc_and_offset_deg(passage, 0.0, period_s, lift_deg)[0]) for passage in passages]
    arcs = [arc for arc in arcs if np.isfinite(arc)]
    return float(np.mean(arcs)) if arcs else None


def _mixed(own: UFloat, values: list[float], shares: list[float]) -> UFloat:
    """Mean and standard uncertainty of the mixture; None where accounts that disagree have too much probability."""
    if not values:
        return own
    spread = own.std_dev
    differ = sum(
        share
        for value, share in zip(values, shares, strict=True)
        if abs(value - own.nominal_value) > AGREES * spread
    )
    if differ > WITHHELD:
        return None
    weights = np.array([1 - sum(shares), *shares])
    middles = np.array([own.nominal_value, *values])
    mean = float(weights @ middles)
    away = np.abs(middles - mean)
    within = float(np.max(away[weights > SELDOM], initial=0.0)) / FAR
    return ufloat(mean, max(float(np.sqrt(weights @ (spread**2 + away**2))), within))
