"""A simulated clock in a simulated room, for demonstration, teaching and tests.

The clock is integrated from event to event (`balance`, `clock`), its sounds are laid into a room full of others
(`voices`, `grains`, `noises`, `room`) and taken down by a recorder with faults of its own (`rendering`). What really
happened is kept as the truth (`truth`). `scenes` holds ready-made cases.
"""

from __future__ import annotations

from torsionbeat.twin.balance import Balance
from torsionbeat.twin.clock import (
    Beat,
    BeatShift,
    CaseKnock,
    Drive,
    DriveChange,
    Escapement,
    Halt,
    Temperature,
)
from torsionbeat.twin.rendering import Rendering, TwinClock, simulate
from torsionbeat.twin.room import Bangs, Drips, Fire, OtherClock, Recorder, Room, Talk
from torsionbeat.twin.truth import Events, Truth
from torsionbeat.twin.voices import VOICES, Voice, VoiceSet

__all__ = [
    "VOICES",
    "Balance",
    "Bangs",
    "Beat",
    "BeatShift",
    "CaseKnock",
    "Drips",
    "Drive",
    "DriveChange",
    "Escapement",
    "Events",
    "Fire",
    "Halt",
    "OtherClock",
    "Recorder",
    "Rendering",
    "Room",
    "Talk",
    "Temperature",
    "Truth",
    "TwinClock",
    "Voice",
    "VoiceSet",
    "simulate",
]
