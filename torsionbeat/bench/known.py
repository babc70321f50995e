"""Known values of a clock before it is heard: values given now have priority over its record in the bench log."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock
from torsionbeat.theory.train import Train

__all__ = ["KnownClock"]


@dataclass(frozen=True, slots=True)
class KnownClock:
    """A clock by its name in the bench log, by its figures, or by both.

    Parameters
    ----------
    name : str or None
        Its name in the bench log; None for a clock that is not there.
    nominal_period_s, lift_deg, lift_tolerance_deg : float or None
        Values with priority over the record. The recorded tolerance belongs to the recorded lift and is replaced with it.
    log : str or None
        The bench log; None for the default one.
    train : Train or None
        Tooth counts from the escape wheel up; they also have priority over the record.
    """

    name: str | None = None
    nominal_period_s: float | None = None
    lift_deg: float | None = None
    lift_tolerance_deg: float | None = None
    log: str | None = None
    train: Train | None = None

    def clock(self) -> Clock:
        """Give all known values; the record is read from the bench log where a name is given.

        Raises
        ------
        InputError
            No such clock, a value out of range, or a tolerance of the lift without a lift or above it.
        BenchLogError
            The log cannot be read.
        """
        return self.over(self._record())

    def over(self, record: Clock) -> Clock:
        """Give a record with its values replaced by those given here.

        Raises
        ------
        InputError
            A value is out of range, or a tolerance of the lift without a lift or above it.
        """
        given: dict[str, Any] = {
            "nominal_period_s": self.nominal_period_s,
            "lift_deg": self.lift_deg,
            "lift_tolerance_deg": 0.0
            if self.lift_deg is not None and self.lift_tolerance_deg is None
            else self.lift_tolerance_deg,
            "train": self.train,
        }
        known = replace(record, **{name: value for name, value in given.items() if value is not None})
        if known.lift_tolerance_deg and known.lift_deg is None:
            raise InputError(
                f"the lift tolerance is {known.lift_tolerance_deg:g} deg, but no lift is known; give --lift too"
            )
        if known.lift_deg is not None and known.lift_tolerance_deg >= known.lift_deg:
            raise InputError(
                f"the lift tolerance is {known.lift_tolerance_deg:g} deg and the lift {known.lift_deg:g} deg; "
                "the tolerance must be the smaller"
            )
        return known

    def _record(self) -> Clock:
        if self.name is None:
            return Clock()
        from torsionbeat.benchlog import open_log

        with open_log(self.log, must_exist=True) as opened:
            return opened.clock(self.name).as_clock()
