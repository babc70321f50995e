"""A simulated clock in a simulated room, for demonstration, teaching and tests.

The motion of the clock is integrated from event to event (`balance`, `swing`, `clock`). Its sounds are placed in a room
with other sounds (`voices`, `grains`, `noises`, `room`) and recorded by a recorder with faults of its own (`recorder`,
`rendering`). The true events are kept as the truth (`truth`). `levels` sets the level of a clock above the noise;
`scenes` holds ready-made cases.
"""

from __future__ import annotations

from torsionbeat.twin.balance import Balance
from torsionbeat.twin.clock import TwinClock
from torsionbeat.twin.levels import at_sigmas
from torsionbeat.twin.parts import (
    BeatShift,
    CaseKnock,
    Drive,
    DriveChange,
    Escapement,
    Halt,
    Temperature,
)
from torsionbeat.twin.recorder import Recorder
from torsionbeat.twin.rendering import Rendering, simulate
from torsionbeat.twin.room import Bangs, Drips, Fire, OtherClock, Room, Talk
from torsionbeat.twin.scenes import SCENES, Scene
from torsionbeat.twin.swing import Beat
from torsionbeat.twin.truth import Events, Truth
from torsionbeat.twin.voices import VOICES, Voice, VoiceSet
from torsionbeat.twin.wheels import BadTooth, Eccentric, Flutter

__all__ = [
    "SCENES",
    "VOICES",
    "BadTooth",
    "Balance",
    "Bangs",
    "Beat",
    "BeatShift",
    "CaseKnock",
    "Drips",
    "Drive",
    "DriveChange",
    "Eccentric",
    "Escapement",
    "Events",
    "Fire",
    "Flutter",
    "Halt",
    "OtherClock",
    "Recorder",
    "Rendering",
    "Room",
    "Scene",
    "Talk",
    "Temperature",
    "Truth",
    "TwinClock",
    "Voice",
    "VoiceSet",
    "at_sigmas",
    "simulate",
]
