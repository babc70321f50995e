"""A trial: the state of the clock, the work done before, and the rate that was read.

Rates in seconds per day, > 0 gains; grams of all weights together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from torsionbeat.reading.figures import UFloat
from torsionbeat.theory.limits import within

__all__ = ["HANDLING_S_PER_DAY", "Trial", "Within"]

HANDLING_S_PER_DAY = 0.2
"""Change of rate (s/day) that stopping, touching and releasing the balance may cause (common practice, no source)."""


MOST_NIGHTS = 4000
"""Most nights of one rate: ten years, longer than anybody leaves a clock between two hand checks."""

LEAST_OWN_S_PER_DAY = 1e-3
"""Floor of a reading's own uncertainty: a millisecond a day, below that of any recording."""


@dataclass(frozen=True, slots=True)
class Within:
    """How the rate wandered within one recording.

    ``deviation_s_per_day`` is its Allan deviation at the averaging time ``tau_s``, ``freedom`` the degrees of freedom
    of that estimate, ``noise_s_per_day`` the part due to the scatter of single sounds.
    """

    deviation_s_per_day: float
    noise_s_per_day: float
    tau_s: float
    freedom: float


@dataclass(frozen=True, slots=True)
class Trial:
    """The state of the clock, and its reading.

    Parameters
    ----------
    rate_s_per_day : ufloat
        The reading's rate.
    mass_g : float
        Total weight added since the first trial of the row (negative: taken off), nominal value.
    setting : float
        Regulator, in its own units.
    spring : int
        Identifies the spring: any number that changes with it.
    mass_doubt_g, setting_doubt : float
        Standard uncertainty of the changes of weight and of regulator made just before this reading.
    handling_s_per_day : float, optional
        Further change that stopping, touching and releasing the balance may cause. Default: 0.2 where weights or
        regulator were changed before this reading, else 0.
    timebase, timebase_s_per_day : str, float
        A name for the recorder whose crystal this reading shares with others, and the part of the rate's
        standard uncertainty that comes from it.
    label : str
        Name of the trial in a sentence.
    unknown : bool
        Something was changed before this reading by an amount that was not noted.
    day : float, optional
        Time in days from any origin. Default: trials are a day apart.
    nights : float
        Number of nights that the rate averages, for example seven for a hand check over a week.
    strip_age_days : float, optional
        Days since the present strip was fitted, if it is new.
    within : Within, optional
        Wander of the rate within the recording.
    temperature_c : float, optional
        Temperature, where known.
    """

    rate_s_per_day: UFloat
    mass_g: float = 0.0
    setting: float = 0.0
    spring: int = 0
    mass_doubt_g: float = 0.0
    setting_doubt: float = 0.0
    handling_s_per_day: float | None = None
    timebase: str = ""
    timebase_s_per_day: float = 0.0
    label: str = ""
    unknown: bool = False
    day: float | None = None
    nights: float = 1.0
    strip_age_days: float | None = None
    within: Within | None = None
    temperature_c: float | None = None

    @property
    def own_s_per_day(self) -> float:
        """Standard uncertainty of the rate without the crystal's part, which other readings share."""
        shared = self.timebase_s_per_day if self.timebase else 0.0
        return math.sqrt(max(self.rate_s_per_day.std_dev**2 - shared**2, LEAST_OWN_S_PER_DAY**2))

    def same_state(self, before: Trial) -> bool:
        """Whether nothing was done to the clock between an earlier trial and this one."""
        return (
            self.mass_g == before.mass_g
            and self.setting == before.setting
            and self.spring == before.spring
            and not self.handling_s_per_day
            and not self.unknown
        )

    def handled_s_per_day(self, before: Trial) -> float:
        """Change that handling may have caused between an earlier trial and this one."""
        if self.handling_s_per_day is not None:
            return self.handling_s_per_day
        return 0.0 if self.same_state(before) else HANDLING_S_PER_DAY

    def __post_init__(self) -> None:
        within(
            "rate", self.rate_s_per_day.nominal_value, -14_400, 14_400, "s/day", "check the nominal period"
        )
        within(
            "nights",
            self.nights,
            0,
            MOST_NIGHTS,
            "",
            "a hand check over a week is 7, a part of a night is a share of 1",
        )
        within("mass added", self.mass_g, -500, 500, "g", "give all sides together, in grams")
        for name, value in (
            ("doubt of the mass", self.mass_doubt_g),
            ("doubt of the setting", self.setting_doubt),
            ("doubt by handling", self.handling_s_per_day or 0.0),
            ("timebase's part", self.timebase_s_per_day),
        ):
            within(name, value, 0, 1e5, low_allowed=True)
