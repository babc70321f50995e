"""The fields of a clock's record in the form: what each is and where a restorer finds it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FIELD_GROUPS", "KINDS", "Field", "Group"]

KINDS = (("400-day", "400-day"), ("air-driven", "air-driven"), ("other", "other"))
"""Kinds of clock as the log keeps them, and in words."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in the log, its label with the unit, and where to find it."""

    name: str
    label: str
    hint: str = ""
    is_text: bool = False


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that belong together; groups with ``opened`` are shown at once, the others on request."""

    title: str
    fields: tuple[Field, ...]
    opened: bool = False


FIELD_GROUPS = (
    Group(
        "What it is",
        (
            Field(
                "nominal_period_s",
                "Period (s)",
                "Seconds for out and back at which the train keeps time; often 60, or 12 to 20",
            ),
            Field(
                "lift_deg",
                "Lift (degrees)",
                "Turn of the balance from contact to drop; the arc is worked out from it",
            ),
            Field(
                "lift_tolerance_deg",
                "How far off the lift may be (degrees)",
                "Half a degree is usual where it was measured",
            ),
        ),
        opened=True,
    ),
    Group(
        "For the report",
        (
            Field("maker", "Maker", is_text=True),
            Field("serial_number", "Serial number", is_text=True),
            Field("owner_text", "Owner, as the report is to name them", is_text=True),
            Field("notes", "Remarks", is_text=True),
        ),
    ),
    Group(
        "Arc",
        (
            Field("arc_low_deg", "Healthy from (degrees)", "Arc from end to end, as ornaments are counted"),
            Field("arc_high_deg", "Healthy to (degrees)"),
            Field(
                "knock_arc_deg",
                "Knocks at (degrees)",
                "Where the roller comes all the way round and strikes the fork",
            ),
            Field("roller_radius_mm", "Radius of the roller (mm)"),
        ),
    ),
    Group(
        "What you call the two sides",
        (
            Field("side_a_name", "Side a", "Such as: towards the window", is_text=True),
            Field("side_b_name", "Side b", "Such as: towards the wall", is_text=True),
        ),
    ),
    Group(
        "Suspension strip",
        (
            Field("strip_material", "Material", "C17200, C51000, N09902, A228 or 302", is_text=True),
            Field(
                "strip_thickness_um",
                "Thickness (micrometres)",
                "A micrometer across the strip: 0.10 mm is 100",
            ),
            Field("strip_width_mm", "Width (mm)"),
            Field("strip_length_mm", "Length between the clamps (mm)"),
            Field("hanging_mass_g", "All that hangs on it (g)"),
        ),
    ),
    Group(
        "Weights and regulator",
        (
            Field("balance_inertia_g_mm2", "Inertia of the balance (g mm²)"),
            Field("weight_radius_mm", "Weights from the axis (mm)"),
            Field("weight_total_g", "Weights on it now, all together (g)"),
            Field("regulator_unit", "The regulator counts", "turns, divisions, mm", is_text=True),
            Field("regulator_low", "Lowest setting"),
            Field("regulator_high", "Highest setting"),
            Field("regulator_setting", "Setting now"),
            Field(
                "regulator_s_per_day_per_unit",
                "One unit more gains (s a day)",
                "A guess will do; trials set it right",
            ),
            Field("u_regulator_s_per_day_per_unit", "How sure of that (s a day)"),
        ),
    ),
)
