"""How sample numbers become seconds, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass

from torsionbeat.errors import InputError

__all__ = ["Timebase"]


@dataclass(frozen=True, slots=True)
class Timebase:
    """How sample numbers become seconds.

    Parameters
    ----------
    source : str
        ``host clock``, ``stated``, ``reference ticks`` or ``unknown``.
    offset_ppm : float
        How fast the recorder's crystal runs: above 0, a true second holds more samples than the rate says.
    standard_uncertainty_ppm : float
    """

    source: str
    offset_ppm: float
    standard_uncertainty_ppm: float

    def __post_init__(self) -> None:
        if self.source not in ("host clock", "stated", "reference ticks", "unknown"):
            raise InputError(
                f"timebase source is {self.source!r}; use host clock, stated, reference ticks or unknown"
            )
        if not abs(self.offset_ppm) <= 20_000:
            raise InputError(
                f"the recorder's crystal is said to be off by {self.offset_ppm:g} ppm; "
                "at most 20000 can be right"
            )
