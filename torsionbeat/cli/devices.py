"""``torsionbeat devices``: the microphones of this computer."""

from __future__ import annotations

import typer

from torsionbeat.cli.history import JsonOption, print_json, say

__all__ = ["devices_command"]


def devices_command(json: JsonOption = False) -> None:
    """List the microphones; give a number or part of a name to listen --device."""
    from torsionbeat.sound.devices import list_devices

    devices = list_devices()
    if json:
        print_json([_row(device) for device in devices])
        return
    if not devices:
        say("No microphone was found; plug one in and check that the sound system runs.")
        raise typer.Exit(4)
    from torsionbeat.display.terminal import eighty_columns, simple_table

    table = simple_table("No.", "Microphone", "Sound system", "Channels", "Rate, Hz", "")
    for device in devices:
        usual = "taken unless you say otherwise" if device.is_default else ""
        cells = (
            device.number,
            device.name,
            device.system,
            device.channels,
            f"{device.sample_rate_hz:g}",
            usual,
        )
        table.add_row(*map(str, cells))
    eighty_columns().print(table)


def _row(device: object) -> dict[str, object]:
    names = ("number", "name", "system", "channels", "sample_rate_hz", "is_default")
    return {name: getattr(device, name) for name in names}
