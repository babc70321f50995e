"""The effect of a suspension strip, and the strip that brings a clock to time.

Input: a strip, its load, and the questions. Output: stiffness, the effect of each measure on the rate, a strip that
brings the clock to time, the rate with another strip, the effect of the room's temperature, stress.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from torsionbeat.errors import InputError
from torsionbeat.learning.response import StripDoubt
from torsionbeat.reading.document import figure_document
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.strips import (
    Hanging,
    change_rate,
    measure_to_time,
    room_change,
    stiffness_un_m_per_deg,
)
from torsionbeat.sound.remarks import Remark, remark_codes
from torsionbeat.theory.limits import within
from torsionbeat.theory.materials import WeightMetal, strip_material, weight_metal
from torsionbeat.theory.rate import DAY_S
from torsionbeat.theory.spring import (
    arc_shortening,
    inertia_g_mm2,
    peak_shear_stress_mpa,
    peak_tension_stress_mpa,
    twist_deg_per_mm,
)

__all__ = ["MEASURES", "Stress", "StripRequest", "StripResult", "ToTime", "strip"]

MEASURES = ("thickness_mm", "length_mm", "width_mm")
"""Measures of a strip by which a clock can be brought to time, under the names of ``Hanging``."""

USUAL_UM = 20, 250
"""Thickness of the strips of torsion-pendulum clocks (common practice, no source)."""

WIDEST_MM, NARROWEST_MM = 100.0, 8.0
"""Largest and smallest radius of gyration of a torsion clock's balance (common practice, no source)."""

SAFE_SHARE = 0.5
"""Largest safe stress as a share of the yield stress: the remainder is for a knock, a kink, a clamp that bites (common
practice, no source)."""

MOST_SLIPS = 2
"""Most likely slips that are named: more would be a list to choose from, not advice."""

SLIPS: tuple[tuple[str, str, float], ...] = (
    ("period_s", "period", 2.0),
    ("period_s", "period", 0.5),
    ("thickness_mm", "thickness", 1 / 2.54),
    ("thickness_mm", "thickness", 2.54),
    ("thickness_mm", "thickness", 0.1),
    ("thickness_mm", "thickness", 10.0),
    ("width_mm", "width", 0.1),
    ("width_mm", "width", 10.0),
    ("load_g", "load", 10.0),
    ("load_g", "load", 0.1),
)
"""Usual slips, the likeliest first: one swing for a full period or the other way round, ten-thousandths of an inch for
micrometres and back, a decimal point. Each row: measure, its word, and the factor that corrects it (common practice, no
source)."""

LARGEST_RATE_S_PER_DAY = 20_000.0
"""A larger figure is another clock, not a rate."""


@dataclass(frozen=True, slots=True)
class StripRequest:
    """A strip in a clock, and the questions about it.

    Parameters
    ----------
    thickness_um, width_mm, length_mm : float
        Measures of the strip; the length is that between the clamps.
    load_g : float
        Total mass that hangs on it.
    material : str
        Name of its alloy, for example C17200.
    thickness_within_um : float
        How far off the thickness may be.
    arc_deg : float
        Arc (end to end), for stress and the arc's effect; 0: not asked.
    period_s : float or None
        Full period with this strip, for the inertia.
    rate_s_per_day : float or None
        Present rate: which strip brings the clock to time?
    thicker_um, longer_mm, wider_mm : float or None
        Effect of a strip that is thicker, longer, wider by these amounts.
    new_material : str or None
        Effect of the same strip in another material.
    rooms_c : (float, float) or None
        Temperatures of a cold and a warm room.
    balance_metal : str
        Metal of the balance, which carries the weights.
    """

    thickness_um: float
    width_mm: float
    length_mm: float
    load_g: float
    material: str = "C17200"
    thickness_within_um: float = 2.0
    arc_deg: float = 0.0
    period_s: float | None = None
    rate_s_per_day: float | None = None
    thicker_um: float | None = None
    longer_mm: float | None = None
    wider_mm: float | None = None
    new_material: str | None = None
    rooms_c: tuple[float, float] | None = None
    balance_metal: str = "brass"

    def __post_init__(self) -> None:
        if self.rate_s_per_day is not None:
            within("rate", abs(self.rate_s_per_day), 0, LARGEST_RATE_S_PER_DAY, "s/day", low_allowed=True)
        if self.rooms_c is not None:
            cold, warm = self.rooms_c
            if not -40 <= cold < warm <= 60:
                raise InputError(
                    f"the rooms are {cold:g} and {warm:g} C; --cold must be the lower, both within -40 to 60"
                )


@dataclass(frozen=True, slots=True)
class ToTime:
    """A strip that brings the clock to time by one measure: its size and the change, or why there is none."""

    measure: str
    size_mm: float | None
    change_mm: UFloat
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Stress:
    """Effect of the arc: twist and peak stresses of the strip, and change of the rate."""

    twist_deg_per_mm: float
    peak_shear_stress_mpa: float
    peak_tension_stress_mpa: float
    s_per_day_per_10_deg_arc: float
    arc_gains_s_per_day: float


@dataclass(frozen=True, slots=True)
class StripResult:
    """The effect of the strip. Figures that were not requested are None or empty.

    Attributes
    ----------
    now : Hanging
    stiffness_un_m_per_deg, inertia_g_mm2 : UFloat
    to_time : tuple of ToTime
    rate_s_per_day : float or None
        The rate of the request.
    new : Hanging or None
        The other strip; ``rate_after_s_per_day`` if the change is exact, ``rate_after_measured_s_per_day`` if both
        strips were only measured.
    metal : WeightMetal
    s_per_day_per_k, cold_to_warm_s_per_day : UFloat
    stress : Stress or None
    remarks : tuple of Remark
    """

    now: Hanging
    stiffness_un_m_per_deg: UFloat
    inertia_g_mm2: UFloat
    period_s: float | None
    to_time: tuple[ToTime, ...]
    rate_s_per_day: float | None
    new: Hanging | None
    rate_after_s_per_day: UFloat
    rate_after_measured_s_per_day: UFloat
    metal: WeightMetal
    s_per_day_per_k: UFloat
    rooms_c: tuple[float, float] | None
    cold_to_warm_s_per_day: UFloat
    stress: Stress | None
    remarks: tuple[Remark, ...]

    def document(self) -> dict[str, Any]:
        """Give the result as JSON types."""
        now, change = self.now, self.now.sensitivities
        found: dict[str, Any] = {
            "material": now.material.name,
            "thickness_um": 1e3 * now.thickness_mm,
            "width_mm": now.width_mm,
            "active_length_mm": now.length_mm,
            "hanging_mass_g": now.load_g,
            "stiffness_un_m_per_deg": figure_document(self.stiffness_un_m_per_deg),
            "s_per_day_per_um_thickness": change.s_per_day_per_um_thickness,
            "s_per_day_per_thousandth_inch_thickness": change.s_per_day_per_thousandth_inch_thickness,
            "s_per_day_per_mm_width": change.s_per_day_per_mm_width,
            "s_per_day_per_mm_length": change.s_per_day_per_mm_length,
            "s_per_day_per_g_on_axis": change.s_per_day_per_g_on_axis,
        }
        if self.inertia_g_mm2 is not None:
            found["inertia_g_mm2"] = figure_document(self.inertia_g_mm2)
        if self.remarks:
            found |= {"remarks": list(self.remarks), "remark_codes": remark_codes(self.remarks)}
        if self.to_time:
            names = dict(zip(MEASURES, ("thickness_mm", "active_length_mm", "width_mm"), strict=True))
            found["rate_s_per_day"] = self.rate_s_per_day
            found["to_time"] = {
                names[one.measure]: None
                if one.size_mm is None
                else {"size_mm": one.size_mm, "change_mm": figure_document(one.change_mm)}
                for one in self.to_time
            }
        if self.new is not None:
            found["rate_after_s_per_day"] = figure_document(self.rate_after_s_per_day)
            measured = figure_document(self.rate_after_measured_s_per_day)
            found["rate_after_both_measured_s_per_day"] = measured
        found["s_per_day_per_k"] = figure_document(self.s_per_day_per_k)
        if self.cold_to_warm_s_per_day is not None:
            found["rate_change_cold_to_warm_s_per_day"] = figure_document(self.cold_to_warm_s_per_day)
        if self.stress is not None:
            found["arc_deg"] = now.arc_deg
            found |= {name: getattr(self.stress, name) for name in Stress.__dataclass_fields__}
        return found


def strip(request: StripRequest) -> StripResult:
    """Calculate the effect of a suspension strip.

    Parameters
    ----------
    request : StripRequest

    Raises
    ------
    InputError
        An impossible measure, or an unknown material.
    """
    now = Hanging(
        strip_material(request.material),
        request.width_mm,
        request.thickness_um / 1e3,
        request.length_mm,
        request.load_g,
        request.arc_deg,
        StripDoubt(thickness_um=request.thickness_within_um),
    )
    stiffness = stiffness_un_m_per_deg(now)
    inertia = None
    if request.period_s is not None:
        exact = float(inertia_g_mm2(now.strip, now.load_g, request.period_s, now.arc_deg))
        inertia = exact * (stiffness / stiffness.nominal_value)
    new, rate = _other(now, request), request.rate_s_per_day or 0.0
    metal = weight_metal(request.balance_metal)
    per_k = room_change(now, metal)
    rooms = request.rooms_c
    return StripResult(
        now,
        stiffness,
        inertia,
        request.period_s,
        () if request.rate_s_per_day is None else tuple(_to_time(now, rate, one) for one in MEASURES),
        request.rate_s_per_day,
        new,
        None if new is None else change_rate(now, new, rate, measured=False),
        None if new is None else change_rate(now, new, rate),
        metal,
        per_k,
        rooms,
        None if rooms is None else per_k * (rooms[1] - rooms[0]),
        _stress(now) if request.arc_deg else None,
        (
            *_beware(now),
            *_strength(now, "this strip"),
            *(_strength(new, "the other strip") if new else ()),
            *_together(now, request.period_s),
        ),
    )


def _other(now: Hanging, request: StripRequest) -> Hanging | None:
    changes: dict[str, Any] = {}
    if request.thicker_um is not None:
        changes["thickness_mm"] = now.thickness_mm + request.thicker_um / 1e3
    if request.longer_mm is not None:
        changes["length_mm"] = now.length_mm + request.longer_mm
    if request.wider_mm is not None:
        changes["width_mm"] = now.width_mm + request.wider_mm
    if request.new_material is not None:
        changes["material"] = strip_material(request.new_material)
    return replace(now, **changes) if changes else None


def _to_time(now: Hanging, rate: float, measure: str) -> ToTime:
    try:
        name = "active_length_mm" if measure == "length_mm" else measure
        found, change = measure_to_time(now, rate, name)  # type: ignore[arg-type]
    except InputError as error:
        return ToTime(measure, None, None, str(error))
    return ToTime(measure, float(getattr(found, name)), change)


def _stress(now: Hanging) -> Stress:
    return Stress(
        float(twist_deg_per_mm(now.strip, now.arc_deg)),
        float(peak_shear_stress_mpa(now.strip, now.arc_deg)),
        float(peak_tension_stress_mpa(now.strip, now.load_g, now.arc_deg)),
        10 * now.sensitivities.s_per_day_per_deg_arc,
        DAY_S * float(arc_shortening(now.strip, now.load_g, now.arc_deg)),
    )


def _beware(now: Hanging) -> list[Remark]:
    if USUAL_UM[0] <= 1e3 * now.thickness_mm <= USUAL_UM[1]:
        return []
    return [
        Remark(
            "thickness-unusual",
            f"Strips of such clocks are {USUAL_UM[0]} to {USUAL_UM[1]} um thick as a rule; a plain number is "
            "read as micrometres, and thousandths of an inch are written 4thou.",
        )
    ]


def _strength(hanging: Hanging, which: str) -> list[Remark]:
    """Warn of a load and twist that break a strip, or leave little margin."""
    material = hanging.material
    tension = float(peak_tension_stress_mpa(hanging.strip, hanging.load_g, hanging.arc_deg))
    shear = float(peak_shear_stress_mpa(hanging.strip, hanging.arc_deg)) if hanging.arc_deg else 0.0
    stress = math.sqrt(tension**2 + 3 * shear**2)  # von Mises, 1913: the tension with the same effect
    low, high = material.yield_low_mpa, material.yield_high_mpa
    said = (
        f"Under {hanging.load_g:g} g {which} is strained by {stress:.0f} MPa; {material.name} stays stretched from "
        f"{low:.0f} MPa (soft) to {high:.0f} MPa (hard; both from memory)"
    )
    if stress >= high:
        return [
            Remark(
                "strip-breaks",
                f"{said}: it breaks or stretches. Do not hang it; check load, width and thickness.",
            )
        ]
    if stress >= low:
        return [
            Remark(
                "strip-may-yield",
                f"{said}: unless it is of a hard temper it stretches. Do not hang it before you know.",
            )
        ]
    if stress >= SAFE_SHARE * low:
        return [
            Remark(
                "strip-loaded-high",
                f"{said}: little is left for a knock or a kink. Lower the balance gently.",
            )
        ]
    return []


def _together(now: Hanging, period_s: float | None) -> list[Remark]:
    """Detect measures that cannot belong to one clock, and name the likeliest slip."""
    if period_s is None:
        return []
    radius = _radius_mm(now, period_s)
    if NARROWEST_MM <= radius <= WIDEST_MM:
        return []
    slips = []
    for field, word, factor in SLIPS:
        other, period = now, period_s * factor if field == "period_s" else period_s
        try:
            if field != "period_s":
                other = replace(now, **{field: getattr(now, field) * factor})
            fits = NARROWEST_MM <= _radius_mm(other, period) <= WIDEST_MM
        except InputError:
            continue
        if fits:
            slips.append(f"a {word} of {_measure_words(other, period, field)}")
    likely = f" It would fit with {' or '.join(slips[:MOST_SLIPS])}: check these first." if slips else ""
    return [
        Remark(
            "measures-apart",
            f"These measures do not belong together: all {now.load_g:g} g would have to lie {radius:.0f} mm from the axis, "
            f"and in such clocks it is {NARROWEST_MM:g} to {WIDEST_MM:g} mm.{likely}",
        )
    ]


def _radius_mm(hanging: Hanging, period_s: float) -> float:
    """Radius of gyration of the balance from the strip and the period."""
    inertia = float(inertia_g_mm2(hanging.strip, hanging.load_g, period_s, hanging.arc_deg))
    return math.sqrt(inertia / hanging.load_g)


def _measure_words(hanging: Hanging, period_s: float, field: str) -> str:
    return {
        "thickness_mm": f"{1e3 * hanging.thickness_mm:.3g} um",
        "width_mm": f"{hanging.width_mm:.3g} mm",
        "load_g": f"{hanging.load_g:.4g} g",
        "period_s": f"{period_s:.3g} s",
    }[field]
