"""Learn from the trials of a clock: the posterior, and a sentence for each trial that does not fit."""

from __future__ import annotations

from collections.abc import Sequence

from torsionbeat.errors import InputError
from torsionbeat.learning.design import Branch
from torsionbeat.learning.learnt import Learnt, Outlier
from torsionbeat.learning.mixture import Mixture
from torsionbeat.learning.posterior import infer
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial
from torsionbeat.learning.warmth import Warmth
from torsionbeat.reading.figures import UFloat

__all__ = ["learn"]

MOST_TRIALS = 200
"""Most readings of one clock: more are years of nights, and the oldest are not needed."""

WORTH_NAMING = 0.5
"""Chance from which an odd reading or step is reported: more likely than not."""

RUNNER_UP = 0.1
"""Chance from which an alternative odd reading or step is named beside it."""


def learn(
    trials: Sequence[Trial],
    prior: Response,
    *,
    half_travel: float | None = None,
    others: Sequence[Sequence[Trial]] = (),
    per_kelvin: UFloat = None,
) -> Learnt:
    """Learn from the trials of a clock, in order of time, and from its prior.

    Parameters
    ----------
    trials : sequence of Trial
        At least one; the last is the clock's present state.
    prior : Response
        The belief about its response before any trial.
    half_travel : float, optional
        Half the travel of the regulator in its units; None where there is none, or only its effect is known.
    others : sequence of sequences of Trial
        Nights of other clocks of its kind, which show how unsteady such clocks are from night to night.
    per_kelvin : ufloat, optional
        Change of rate per kelvin (s/day), for nights with a known temperature. Default: the usual value.

    Raises
    ------
    InputError
        No trial, or more than 200.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> prior = Response(ufloat(0.0035, 0.0012))
    >>> clock = learn([Trial(ufloat(930, 1)), Trial(ufloat(210, 1), mass_g=6, mass_doubt_g=0.02)], prior)
    >>> print(f"{clock.response.s_per_day_per_gram.nominal_value:.0f} s/day a gram")
    -118 s/day a gram
    """
    if not 1 <= len(trials) <= MOST_TRIALS:
        raise InputError(f"{len(trials)} trials were given; 1 to {MOST_TRIALS} can be learnt from")
    rows = tuple(trials)
    warmth = Warmth.of(rows, per_kelvin)
    mixture = infer(rows, prior, half_travel=half_travel, others=others, warmth=warmth)
    has_regulator = half_travel is not None or prior.per_unit is not None
    return Learnt(mixture, prior, has_regulator, len(rows), _outliers(rows, mixture), warmth)


def _outliers(rows: tuple[Trial, ...], mixture: Mixture) -> tuple[Outlier, ...]:
    """Readings and steps that are more likely odd than not."""
    found = [Outlier(one.trial, one.what, 1.0, _sentence(rows, one, [])) for one in mixture.fixed]
    odd = sorted(
        ((chance, branch) for branch, chance in mixture.branches.items() if branch.what != "nothing"),
        reverse=True,
    )
    if odd and 1 - mixture.branches[Branch("nothing", 0)] >= WORTH_NAMING:
        others = [branch for chance, branch in odd[1:] if chance >= RUNNER_UP]
        chance, branch = odd[0]
        found.append(Outlier(branch.trial, branch.what, chance, _sentence(rows, branch, others)))
    return tuple(found)


def _sentence(rows: tuple[Trial, ...], branch: Branch, others: Sequence[Branch]) -> str:
    name = _name(rows, branch.trial)
    if branch.what == "reading":
        said = f"The rate of {name} does not fit the others and hardly counts; it may be a bad reading or a note too late."
    elif rows[branch.trial].same_state(rows[branch.trial - 1]):
        before, after = rows[branch.trial - 1 : branch.trial + 1]
        change = after.rate_s_per_day.nominal_value - before.rate_s_per_day.nominal_value
        said = (
            f"Between {_name(rows, branch.trial - 1)} and {name} the rate changed by {change:+.1f} s/day, and no work is "
            "noted there. If something was done, note it with its amount and its time; as it is, nothing is learnt from "
            "that change."
        )
    else:
        said = (
            f"What was done before {name} did not do what the other trials and theory lead to expect "
            f"({_done(rows[branch.trial - 1], rows[branch.trial])}), so next to nothing was learnt from that step: check "
            "what was really changed, and whether the rate had settled."
        )
    if others:
        named = " or ".join(
            dict.fromkeys(
                f"{_name(rows, one.trial)} itself"
                if one.what == "reading"
                else f"what was done before {_name(rows, one.trial)}"
                for one in others
            )
        )
        said += f" It may as well be {named} that is odd."
    return said


def _name(rows: tuple[Trial, ...], index: int) -> str:
    return rows[index].label or f"reading {index + 1}"


def _done(before: Trial, after: Trial) -> str:
    parts = []
    if after.mass_g != before.mass_g:
        parts.append(f"weights changed by {after.mass_g - before.mass_g:+.4g} g in all")
    if after.setting != before.setting:
        parts.append(f"regulator moved by {after.setting - before.setting:+.4g}")
    if not parts:
        parts.append("nothing changed on purpose")
    change = after.rate_s_per_day.nominal_value - before.rate_s_per_day.nominal_value
    return f"{' and '.join(parts)}, rate changed by {change:+.1f} s/day"
