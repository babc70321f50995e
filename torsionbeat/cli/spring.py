"""``torsionbeat spring``: what a suspension strip does, and which one brings a clock to time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated

import typer

from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.history import JsonOption, print_json, say
from torsionbeat.errors import InputError

__all__ = ["spring_command", "thickness_um"]

LENGTH = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>um|µm|mm|thou|in)?")
UM_PER_UNIT = {"um": 1.0, "µm": 1.0, "mm": 1000.0, "thou": 25.4, "in": 25_400.0, None: 1.0}


@dataclass(frozen=True, slots=True)
class ChangeOptions:
    """What another strip would do."""

    thicker: Annotated[
        str | None, typer.Option(help="What a strip thicker by so much does: 10um, 0.01mm, -0.2thou.")
    ] = None
    longer: Annotated[
        float | None, typer.Option(help="What an active length longer by so much does (mm).")
    ] = None
    wider: Annotated[float | None, typer.Option(help="What a width greater by so much does (mm).")] = None
    new_material: Annotated[
        str | None, typer.Option(help="What the same strip of another material does.")
    ] = None


@dataclass(frozen=True, slots=True)
class RoomOptions:
    """What the room does."""

    cold: Annotated[float | None, typer.Option(help="Temperature of the cold room (C).")] = None
    warm: Annotated[float | None, typer.Option(help="Temperature of the warm room (C).")] = None
    balance_metal: Annotated[str, typer.Option(help="Metal that carries the weights.")] = "brass"

    def rooms_c(self) -> tuple[float, float] | None:
        """Give both temperatures, or None where none was given.

        Raises
        ------
        InputError
            One of the two is missing.
        """
        if (self.cold is None) != (self.warm is None):
            raise InputError("one room's temperature was given; give both --cold and --warm")
        return None if self.cold is None or self.warm is None else (self.cold, self.warm)


@takes_groups
def spring_command(
    thickness: Annotated[
        str,
        typer.Option(
            help="Thickness: 100, 100um, 0.1mm or 4thou (thousandths of an inch); plain numbers are um."
        ),
    ],
    width: Annotated[float, typer.Option(help="Width (mm).")],
    length: Annotated[float, typer.Option(help="Active length, between the clamps (mm).")],
    load: Annotated[float, typer.Option(help="All that hangs on it (g).")],
    change: ChangeOptions,
    room: RoomOptions,
    material: Annotated[str, typer.Option(help="C17200, C51000, N09902, A228, 302.")] = "C17200",
    period: Annotated[
        float | None, typer.Option(help="Full period with this strip (s), for the inertia.")
    ] = None,
    arc: Annotated[float, typer.Option(help="Arc, end to end (deg), for stress and the arc's effect.")] = 0.0,
    rate: Annotated[
        str | None,
        typer.Option(help="Rate now, + gains: +720 (s a day) or +12min. Which strip brings it to time?"),
    ] = None,
    thickness_within: Annotated[float, typer.Option(help="How far off a thickness may be (um).")] = 2.0,
    json: JsonOption = False,
) -> None:
    """Say what a suspension strip does: stiffness, what each measure does to the rate, room, stress."""
    from torsionbeat.cli.adjusting import rate_of
    from torsionbeat.display.by_hand import strip_sentences
    from torsionbeat.jobs.strip import StripRequest, strip

    result = strip(
        StripRequest(
            thickness_um(thickness),
            width,
            length,
            load,
            material,
            thickness_within,
            arc,
            period,
            None if rate is None else rate_of(rate),
            None if change.thicker is None else thickness_um(change.thicker),
            change.longer,
            change.wider,
            change.new_material,
            room.rooms_c(),
            room.balance_metal,
        )
    )
    if json:
        print_json(result.document())
    else:
        say(*strip_sentences(result))


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
