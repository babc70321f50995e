"""The value that holds a finding, and from where a figure is sure enough for one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from torsionbeat.reading.figures import UFloat
from torsionbeat.theory.robust import COVERAGE

__all__ = ["SURE", "Finding", "beyond", "pm"]

SURE = 3.29
"""Standard uncertainties beyond which a figure counts: once in a thousand by chance, because many signs are looked
for in every night."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What the figures point to.

    Parameters
    ----------
    sign : str
        Its name, for programs.
    what : str
        One sentence.
    evidence : tuple of str
        The numbers it rests on; never empty.
    sure : {'clear', 'likely'}
        ``clear``: hardly anything else explains the figures; ``likely``: something else may look the same.
    look_first : str
        What to look at first at the bench.
    caution : str
        What to beware of there.
    """

    sign: str
    what: str
    evidence: tuple[str, ...]
    sure: Literal["clear", "likely"]
    look_first: str
    caution: str

    def __post_init__(self) -> None:
        if not self.evidence or not all(self.evidence):
            raise ValueError(f"the finding {self.sign!r} has no evidence")


def beyond(figure: UFloat, threshold: float) -> bool:
    """Whether a figure is larger than a threshold in size, and surely not zero."""
    return bool(abs(figure.nominal_value) >= threshold and abs(figure.nominal_value) > SURE * figure.std_dev)


def pm(figure: UFloat, digits: int) -> str:
    """Write a figure with the half-width of its 95 % interval.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> pm(ufloat(6.06, 0.28), 1)
    '6.1 ± 0.5'
    """
    return f"{figure.nominal_value:.{digits}f} ± {COVERAGE * figure.std_dev:.{digits}f}"
