"""``torsionbeat spring``: what a suspension strip does, and which one brings a clock to time."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.history import JsonOption, print_json, say
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.regulation.strips import Hanging

__all__ = ["spring_command"]

LENGTH = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>um|µm|mm|thou|in)?")
UM_PER_UNIT = {"um": 1.0, "µm": 1.0, "mm": 1000.0, "thou": 25.4, "in": 25_400.0, None: 1.0}
MEASURES = (("thickness_mm", "thickness"), ("active_length_mm", "length"), ("width_mm", "width"))
MEASURE_WORDS = {"thickness": "thickness", "length": "active length", "width": "width"}

Thickness = Annotated[
    str,
    typer.Option(
        help="Thickness: 100, 100um, 0.1mm or 4thou (thousandths of an inch); plain numbers are um."
    ),
]


def spring_command(
    thickness: Thickness,
    width: Annotated[float, typer.Option(help="Width (mm).")],
    length: Annotated[float, typer.Option(help="Active length, between the clamps (mm).")],
    load: Annotated[float, typer.Option(help="All that hangs on it (g).")],
    material: Annotated[str, typer.Option(help="C17200, C51000, N09902, A228, 302.")] = "C17200",
    period: Annotated[
        float | None, typer.Option(help="Full period with this strip (s), for the inertia.")
    ] = None,
    arc: Annotated[float, typer.Option(help="Arc, end to end (deg), for stress and the arc's effect.")] = 0.0,
    rate: Annotated[
        str | None,
        typer.Option(help="Rate now, + gains: +720 (s a day) or +12min. Which strip brings it to time?"),
    ] = None,
    thicker: Annotated[
        str | None, typer.Option(help="What a strip thicker by so much does: 10um, 0.01mm, -0.2thou.")
    ] = None,
    longer: Annotated[
        float | None, typer.Option(help="What an active length longer by so much does (mm).")
    ] = None,
    wider: Annotated[float | None, typer.Option(help="What a width greater by so much does (mm).")] = None,
    new_material: Annotated[
        str | None, typer.Option(help="What the same strip of another material does.")
    ] = None,
    cold: Annotated[float | None, typer.Option(help="Temperature of the cold room (C).")] = None,
    warm: Annotated[float | None, typer.Option(help="Temperature of the warm room (C).")] = None,
    balance_metal: Annotated[str, typer.Option(help="Metal that carries the weights.")] = "brass",
    thickness_within: Annotated[float, typer.Option(help="How far off a thickness may be (um).")] = 2.0,
    json: JsonOption = False,
) -> None:
    """Say what a suspension strip does: stiffness, what each measure does to the rate, room, stress."""
    from dataclasses import replace

    from torsionbeat.regulation.response import StripDoubt
    from torsionbeat.regulation.strips import Hanging
    from torsionbeat.theory.materials import strip_material, weight_metal

    now = Hanging(
        strip_material(material),
        width,
        thickness_um(thickness) / 1e3,
        length,
        load,
        arc,
        StripDoubt(thickness_um=thickness_within),
    )
    document, said = _present(now, period)
    parts = [(document, said)]
    if rate is not None:
        parts.append(_to_time(now, rate))
    changes: dict[str, Any] = {}
    if thicker is not None:
        changes["thickness_mm"] = now.thickness_mm + thickness_um(thicker) / 1e3
    if longer is not None:
        changes["length_mm"] = now.length_mm + longer
    if wider is not None:
        changes["width_mm"] = now.width_mm + wider
    if new_material is not None:
        changes["material"] = strip_material(new_material)
    if changes:
        parts.append(_changed(now, replace(now, **changes), rate))
    parts.append(_room(now, weight_metal(balance_metal), cold, warm))
    if arc:
        parts.append(_stress(now))
    if json:
        print_json({key: value for part, _ in parts for key, value in part.items()})
        return
    from torsionbeat.regulation.correction import PRACTICE, SPRINGS

    say(*(sentence for _, sentences in parts for sentence in sentences), SPRINGS, PRACTICE)


USUAL_UM = 20, 250
"""Thickness of the strips of torsion-pendulum clocks (common practice, no source)."""


def thickness_um(text: str) -> float:
    """Read a thickness in micrometres.

    Examples
    --------
    >>> thickness_um("0.1mm"), thickness_um("4thou"), thickness_um("-5")
    (100.0, 101.6, -5.0)
    """
    match = LENGTH.fullmatch(text.strip())
    if match is None:
        raise InputError(f"the thickness {text!r} cannot be read; write 100um, 0.1mm or 4thou")
    return round(float(match["value"]) * UM_PER_UNIT[match["unit"]], 9)


def _present(now: Hanging, period: float | None) -> tuple[dict[str, Any], list[str]]:
    from torsionbeat.cli.adjusting import figure
    from torsionbeat.display.words import figure_words
    from torsionbeat.regulation.strips import stiffness_un_m_per_deg
    from torsionbeat.theory.spring import inertia_g_mm2

    stiffness = stiffness_un_m_per_deg(now)
    change = now.sensitivities
    document: dict[str, Any] = {
        "material": now.material.name,
        "thickness_um": 1e3 * now.thickness_mm,
        "width_mm": now.width_mm,
        "active_length_mm": now.length_mm,
        "hanging_mass_g": now.load_g,
        "stiffness_un_m_per_deg": figure(stiffness),
        "s_per_day_per_um_thickness": change.s_per_day_per_um_thickness,
        "s_per_day_per_thousandth_inch_thickness": change.s_per_day_per_thousandth_inch_thickness,
        "s_per_day_per_mm_width": change.s_per_day_per_mm_width,
        "s_per_day_per_mm_length": change.s_per_day_per_mm_length,
        "s_per_day_per_g_on_axis": change.s_per_day_per_g_on_axis,
    }
    said = [
        f"A strip of {now.material.name}, {1e3 * now.thickness_mm:g} um by {now.width_mm:g} mm, "
        f"{now.length_mm:g} mm long under {now.load_g:g} g, has a stiffness of "
        f"{figure_words(stiffness, 'uN m per degree')}.",
        "A micrometre thicker "
        + _rate(change.s_per_day_per_um_thickness)
        + "; a millimetre longer "
        + _rate(change.s_per_day_per_mm_length)
        + "; a hundredth of a millimetre narrower "
        + _rate(-change.s_per_day_per_mm_width / 100)
        + "; a gram more on the axis "
        + _rate(change.s_per_day_per_g_on_axis)
        + ".",
    ]
    if period is not None:
        inertia = float(inertia_g_mm2(now.strip, now.load_g, period, now.arc_deg)) * (
            stiffness / stiffness.nominal_value
        )
        document["inertia_g_mm2"] = figure(inertia)
        said.append(
            f"With it a period of {period:g} s means an inertia of {figure_words(inertia / 1000, 'kg mm2')}."
        )
    if not USUAL_UM[0] <= 1e3 * now.thickness_mm <= USUAL_UM[1]:
        document["remarks"] = [
            f"Strips of such clocks are {USUAL_UM[0]} to {USUAL_UM[1]} um thick as a rule; a plain number is "
            "read as micrometres, and thousandths of an inch are written 4thou."
        ]
        said += document["remarks"]
    return document, said


def _to_time(now: Hanging, rate_text: str) -> tuple[dict[str, Any], list[str]]:
    from torsionbeat.cli.adjusting import figure, rate_of
    from torsionbeat.display.words import interval
    from torsionbeat.regulation.strips import measure_to_time

    rate = rate_of(rate_text)
    document: dict[str, Any] = {"rate_s_per_day": rate, "to_time": {}}
    said = [f"The clock {_rate(rate)}. Any one of these brings it to time:"]
    for measure, key in MEASURES:
        try:
            strip, change = measure_to_time(now, rate, measure)  # type: ignore[arg-type]
        except InputError as error:
            document["to_time"][measure] = None
            said.append(f"- {MEASURE_WORDS[key]}: {error}.")
            continue
        size = getattr(strip, measure)
        document["to_time"][measure] = {"size_mm": size, "change_mm": figure(change)}
        low, high = sorted(abs(end) for end in interval(change))
        scale, unit = (1e3, "um") if measure == "thickness_mm" else (1.0, "mm")
        less = {
            "thickness": ("thinner", "thicker"),
            "length": ("shorter", "longer"),
            "width": ("narrower", "wider"),
        }
        way = less[key][change.nominal_value > 0]
        line = (
            f"- {MEASURE_WORDS[key]}: {abs(change.nominal_value) * scale:.3g} {unit} {way}, between "
            f"{low * scale:.3g} and {high * scale:.3g}, that is {size * scale:.4g} {unit}"
        )
        if measure == "thickness_mm":
            line += f" ({size / 0.0254:.3g} thousandths of an inch)"
        said.append(line + ".")
    said.append(
        "A new strip is rarely known to better than a micrometre, which is "
        f"{abs(now.sensitivities.s_per_day_per_um_thickness) / 60:.1f} min a day: take the nearest, then "
        "correct with length, weights and regulator."
    )
    return document, said


def _changed(now: Hanging, new: Hanging, rate_text: str | None) -> tuple[dict[str, Any], list[str]]:
    from torsionbeat.cli.adjusting import figure, rate_of
    from torsionbeat.regulation.strips import change_rate

    start = 0.0 if rate_text is None else rate_of(rate_text)
    exact = change_rate(now, new, start, measured=False)
    apart = change_rate(now, new, start)
    parts = []
    if new.thickness_mm != now.thickness_mm:
        parts.append(f"{1e3 * new.thickness_mm:g} um thick")
    if new.length_mm != now.length_mm:
        parts.append(f"{new.length_mm:g} mm long")
    if new.width_mm != now.width_mm:
        parts.append(f"{new.width_mm:g} mm wide")
    if new.material != now.material:
        parts.append(f"of {new.material.name}")
    said = [f"With a strip {', '.join(parts)} a clock that {_rate(start)} now {_between(exact)}."]
    if new.material != now.material or new.thickness_mm != now.thickness_mm or new.width_mm != now.width_mm:
        low, high = (apart.nominal_value + sign * 1.96 * apart.std_dev for sign in (-1, 1))
        said.append(
            "If both strips were only measured, each to within its error, it may be anything from "
            f"{_minutes(low)} to {_minutes(high)} a day."
        )
    return {"rate_after_s_per_day": figure(exact), "rate_after_both_measured_s_per_day": figure(apart)}, said


def _room(
    now: Hanging, metal: Any, cold: float | None, warm: float | None
) -> tuple[dict[str, Any], list[str]]:
    from torsionbeat.cli.adjusting import figure
    from torsionbeat.display.words import rate_words
    from torsionbeat.regulation.strips import room_change

    per_k = room_change(now, metal)
    document: dict[str, Any] = {"s_per_day_per_k": figure(per_k)}
    said = [
        f"Warmed by one kelvin it {rate_words(per_k)} (balance of {metal.name}; drift of the strip: "
        f"{now.material.drift_source})."
    ]
    if (cold is None) != (warm is None):
        raise InputError("one room's temperature was given; give both --cold and --warm")
    if cold is not None and warm is not None:
        if not -40 <= cold < warm <= 60:
            raise InputError(
                f"the rooms are {cold:g} and {warm:g} C; --cold must be the lower, both within -40 to 60"
            )
        change = per_k * (warm - cold)
        document["rate_change_cold_to_warm_s_per_day"] = figure(change)
        said = [
            f"From {cold:g} to {warm:g} C its rate changes: it {rate_words(change)}, against the cold room.",
            *said,
        ]
    return document, said


def _stress(now: Hanging) -> tuple[dict[str, Any], list[str]]:
    from torsionbeat.theory.spring import (
        arc_shortening,
        peak_shear_stress_mpa,
        peak_tension_stress_mpa,
        twist_deg_per_mm,
    )

    strip = now.strip
    twist = float(twist_deg_per_mm(strip, now.arc_deg))
    shear = float(peak_shear_stress_mpa(strip, now.arc_deg))
    tension = float(peak_tension_stress_mpa(strip, now.load_g, now.arc_deg))
    per_10 = 10 * now.sensitivities.s_per_day_per_deg_arc
    document = {
        "arc_deg": now.arc_deg,
        "twist_deg_per_mm": twist,
        "peak_shear_stress_mpa": shear,
        "peak_tension_stress_mpa": tension,
        "s_per_day_per_10_deg_arc": per_10,
        "arc_gains_s_per_day": 86_400 * float(arc_shortening(strip, now.load_g, now.arc_deg)),
    }
    return document, [
        f"At an arc (amplitude end to end) of {now.arc_deg:g} deg it twists by {twist:.2f} deg per mm; "
        f"shear stress {shear:.0f} MPa, tension at its edges {tension:.0f} MPa. Ten degrees more arc "
        f"{_rate(per_10)} by the strip."
    ]


def _rate(rate_s_per_day: float) -> str:
    """Say an exact rate."""
    if abs(rate_s_per_day) < 0.005:
        return "keeps time"
    return f"{'gains' if rate_s_per_day > 0 else 'loses'} {_minutes(abs(rate_s_per_day))} a day"


def _between(rate_s_per_day: Any) -> str:
    """Say a rate with its 95 % interval, in minutes where it is large."""
    from torsionbeat.display.words import rate_words

    if abs(rate_s_per_day.nominal_value) < 300:
        return rate_words(rate_s_per_day)
    return rate_words(rate_s_per_day / 60).replace(" s a day", " min a day")


def _minutes(rate_s_per_day: float) -> str:
    if abs(rate_s_per_day) >= 300:
        return f"{rate_s_per_day / 60:.1f} min"
    return f"{rate_s_per_day:.3g} s"
