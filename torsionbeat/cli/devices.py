"""``torsionbeat devices``: the microphones of this computer."""

from __future__ import annotations

from dataclasses import asdict

from torsionbeat.cli.history import JsonOption, print_json
from torsionbeat.errors import DeviceError

__all__ = ["devices_command"]


def devices_command(json: JsonOption = False) -> None:
    """List the microphones; give a number or part of a name to listen --device."""
    from torsionbeat.jobs.microphone import devices

    found = devices()
    if json:
        print_json([asdict(device) for device in found])
    elif not found:
        raise DeviceError("no microphone was found; plug one in and check that the sound system runs")
    else:
        from torsionbeat.display.terminal import device_table, eighty_columns

        eighty_columns().print(device_table(found))
