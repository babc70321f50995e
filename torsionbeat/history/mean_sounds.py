"""Mean sounds of contact and drop as a compact document: what the bench log keeps of how a clock sounds.

Input: the profiles that the hearing stacked (averaged) for each kind and side, power over the room's floor by frame
and band. Output: plain JSON values, about 1.3 kB a sound, and the profiles restored from them. Each power is kept as
``10 log10(1 + power)`` in quarters of a decibel, a byte each, so a restored level differs by at most an eighth of a
decibel.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from typing import Any

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.hearing.heard import VoiceProfile

__all__ = ["mean_sounds_document", "mean_sounds_of"]

STEPS_PER_DB = 4.0
"""Resolution of a kept level: a byte then reaches 63 dB above the room, and the hearing clips powers at 60 dB."""

MOST_SOUNDS = 8
"""Twice the number of kinds and sides: a document with more was not written by this program."""


def mean_sounds_document(voices: Sequence[VoiceProfile]) -> list[dict[str, Any]]:
    """Give mean sounds as plain values.

    Examples
    --------
    >>> voice = VoiceProfile("a", "drop", 0.0005, -0.012, np.full((80, 5), 99.0, np.float32), 40)
    >>> [kept] = mean_sounds_document([voice])
    >>> kept["side"], kept["kind"], kept["beats"], kept["bands"]
    ('a', 'drop', 40, 5)
    >>> bool(abs(mean_sounds_of([kept])[0].profile[0, 0] / 99 - 1) < 0.03)
    True
    """
    rows = []
    for voice in voices:
        levels = np.rint(STEPS_PER_DB * 10 * np.log10(1 + np.maximum(voice.profile, 0)))
        packed = np.clip(levels, 0, 255).astype(np.uint8)
        rows.append(
            {
                "kind": voice.kind,
                "side": voice.side,
                "frame_s": float(voice.frame_s),
                "start_s": float(voice.start_s),
                "beats": int(voice.beats),
                "bands": int(packed.shape[1]),
                "floor_db": [round(10 * float(np.log10(max(power, 1e-20))), 2) for power in voice.floor],
                "levels": base64.b64encode(packed.tobytes()).decode("ascii"),
            }
        )
    return rows


def mean_sounds_of(rows: Sequence[dict[str, Any]]) -> tuple[VoiceProfile, ...]:
    """Restore the mean sounds that a document keeps.

    Raises
    ------
    InputError
        It was not made by :func:`mean_sounds_document`.
    """
    try:
        if len(rows) > MOST_SOUNDS:
            raise ValueError(f"{len(rows)} mean sounds, at most {MOST_SOUNDS} can be")
        return tuple(map(_voice, rows))
    except (KeyError, TypeError, ValueError, AttributeError, binascii.Error) as error:
        raise InputError(
            f"the mean sounds kept with a reading cannot be understood ({type(error).__name__}: {error}); "
            "read the recording again with --clock"
        ) from error


def _voice(row: dict[str, Any]) -> VoiceProfile:
    side, kind = str(row["side"]), str(row["kind"])
    if side not in ("a", "b") or kind not in ("contact", "drop"):
        raise ValueError(f"a {kind} of side {side}")
    packed = np.frombuffer(base64.b64decode(row["levels"], validate=True), np.uint8)
    levels = packed.reshape(-1, int(row["bands"])).astype(np.float32)
    profile = (10 ** (levels / (10 * STEPS_PER_DB)) - 1).astype(np.float32)
    floor = tuple(10 ** (float(level) / 10) for level in row.get("floor_db") or ())
    if len(floor) not in (0, profile.shape[1]):
        raise ValueError(f"{len(floor)} floors of {profile.shape[1]} bands")
    start_s, frame_s = float(row["start_s"]), float(row["frame_s"])
    return VoiceProfile(side, kind, frame_s, start_s, profile, int(row["beats"]), floor)
