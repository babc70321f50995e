"""Ranges of numeric options: one for each option's name, the same in all commands."""

from __future__ import annotations

__all__ = ["RANGES"]

ARC = (1, 1440, "deg (end to end)")
"""Four turns end to end: no strip of a clock is twisted further."""
PPM = (-20_000, 20_000, "ppm")
"""Two percent: an error beyond that means another sample rate."""
SETTING = (-10_000, 10_000, "units of the regulator")
"""Turns, divisions or millimetres: no regulator has more."""
ROOM = (-40, 60, "degrees Celsius")
"""Inhabited rooms, and sheds."""
PERIOD = (0.1, 600, "s (full period, out and back)")
"""From a watch balance to a clock ten times as slow as any of these kinds."""

RANGES: dict[str, tuple[float, float, str]] = {
    "arc": (0, 1440, "deg (end to end)"),
    "arc_high": ARC,
    "arc_low": ARC,
    "at_arc": ARC,
    "beats": (1, 1e6, "beats"),
    "bits": (16, 24, "bits"),
    "channel": (1, 64, ""),
    "channels": (1, 8, "channels"),
    "cold": ROOM,
    "crystal_ppm": PPM,
    "density": (500, 25_000, "kg/m3"),
    "disc_bore": (0, 500, "mm"),
    "disc_diameter": (0.1, 500, "mm"),
    "drive_lost_at": (0, 100_000, "minutes"),
    "drop_peak": (1e-6, 10, "of full scale"),
    "fork_share": (0.01, 1, "of the strip's length"),
    "hanging_mass": (0.1, 20_000, "g"),
    "hours": (0.001, 744, "h"),
    "inertia": (1, 1e9, "g mm2"),
    "jitter": (0, 1000, "ms"),
    "knock_arc": ARC,
    "length": (1, 2000, "mm"),
    "lift": (0.01, 180, "deg"),
    "lift_tolerance": (0, 90, "deg"),
    "load": (0.1, 20_000, "g"),
    "longer": (-2000, 2000, "mm"),
    "longest_period": (0.3, 600, "s"),
    "mark": (-720, 720, "deg"),
    "minutes": (0.01, 44_640, "minutes"),
    "offset": (-180, 180, "deg"),
    "pace": (0, 1000, "times real time"),
    "period": PERIOD,
    "port": (0, 65_535, ""),
    "q": (0.1, 1e7, ""),
    "rate": (-20_000, 20_000, "s/day"),
    "rate_within": (1e-6, 3600, "s/day"),
    "reference_interval": (0.2, 10, "s"),
    "reference_tolerance_ppm": (0, 1000, "ppm"),
    "regulator_doubt": (0, 86_400, "s/day per unit"),
    "regulator_effect": (-86_400, 86_400, "s/day per unit"),
    "regulator_high": SETTING,
    "regulator_low": SETTING,
    "regulator_setting": SETTING,
    "regulator_step": (1e-6, 10_000, "units of the regulator"),
    "roller_radius": (0.05, 100, "mm"),
    "sample_clock_ppm": PPM,
    "sample_clock_tolerance_ppm": (0, 1000, "ppm"),
    "sample_rate": (8_000, 384_000, "Hz"),
    "seed": (0, 2**63, ""),
    "share_above_fork": (0.01, 1, "of the strip's length"),
    "shortest_period": (0.3, 600, "s"),
    "sides": (1, 24, "places"),
    "slower": (1, 8, "times"),
    "spacing": (0.1, 180, "deg"),
    "start_arc": ARC,
    "strip_length": (1, 2000, "mm"),
    "strip_thickness": (5, 2000, "micrometres"),
    "strip_width": (0.05, 50, "mm"),
    "temperature": (-50, 80, "degrees Celsius"),
    "temperature_after": ROOM,
    "temperature_before": ROOM,
    "thickness_within": (0, 1000, "micrometres"),
    "to": (1e-3, 3600, "s/day"),
    "turned": (0.01, 90, "deg"),
    "until": ARC,
    "wander": (0, 100, "percent"),
    "warm": ROOM,
    "weighed": (1e-6, 100, "g"),
    "weight_radius": (0.1, 500, "mm"),
    "weight_tolerance": (0, 100, "percent"),
    "weight_total": (0, 5000, "g"),
    "wider": (-50, 50, "mm"),
    "width": (0.05, 50, "mm"),
    "within": (1e-6, 600, ""),
}
"""Least, most and unit, by the name of the option. They keep out the impossible, not the unusual. Those of a clock's
record are the log's (``torsionbeat.benchlog.ranges``)."""
