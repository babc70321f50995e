"""Rows of a comparison that come from the sounds: how loud they are, how long they ring, how alike.

Loudness is the level above the room's noise. It changes with the microphone's place and with the room. The difference
between the sides changes less, but it does: at each place, the echoes of the room and the way through plate and case
pass some tones better and others worse. The change includes that uncertainty, unless the microphone was not moved. A
bang or a word beside a sound makes it seem quieter, so all levels are medians.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from torsionbeat.history.comparison_rows import Row, figure_row, nothing_common, pair_row
from torsionbeat.history.nights import Group, Night
from torsionbeat.reading.figures import FloatArray, Reading, UFloat
from torsionbeat.reading.intervals import (
    LEAST_BLOCKS,
    block_medians,
    median_block_count,
    median_over_blocks,
    middle_of_blocks,
)
from torsionbeat.tracks.bands import EDGES_HZ

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile

__all__ = ["KINDS", "between_sides_db", "likeness", "loudness_rows", "voice_rows"]

KINDS = ("contact", "drop")

FALL_DB = 10.0
"""A tenth of the power: further down, the room's noise is reached."""

CLEAR = 10.0
"""Least peak power over the room for which the tones of a mean sound are given: noise in a mean of 30 beats has a tenth of
that."""

LONGEST_S = 0.04
"""How much of a mean sound is compared: all that is kept of it."""

OF_MEAN = 0.12
"""Scatter of one strike's tones, as a share: from the twin's strikes (for real ones: common practice, no source)."""

ROOM_DB = 1.0
"""Standard uncertainty of a level from day to day with the microphone not moved: the room's noise changes (common
practice, no source)."""

PLACE_DB = 1.5
"""Standard uncertainty of the difference between the sides from the microphone's place. The twin's rooms give
0.7 dB, and most for a voice that rings on one tone; a real plate is no smoother (common practice, no source).
"""

MOVED = (
    "it moves with the microphone's place and the room, so it is judged only where neither was changed "
    "(--same-place)"
)
OTHER_RECORDER = "the two sides were recorded with different recorders, and each hears its own tones"
NO_FLOOR = "the mean sounds were kept without the room's own level; read the recordings again"
NOT_KEPT = "the mean sounds are not kept with a reading, so only the recordings themselves can be compared"
LONE = "one recording on each side does not show how far this differs from one recording to the next"


def loudness_rows(before: Group, after: Group, *, same_place: bool = False) -> Iterator[Row]:
    """Give the level of each kind on each side, and how much louder side b is than side a.

    Parameters
    ----------
    before : Group
    after : Group
    same_place : bool
        Neither clock nor microphone was moved between.
    """
    if not any(len(reading.events) for reading in before.readings + after.readings):
        note = "the readings were kept without the levels of their sounds"
        yield Row("loudness of contact and drop", "dB", None, None, note=note)
        return
    for kind in KINDS:
        if not any(kind in reading.events.kind for reading in before.readings + after.readings):
            continue
        for side in "ab":
            yield figure_row(
                f"{kind}, side {side}, above the room",
                "dB",
                before,
                after,
                partial(_level, kind=kind, side=side),
                lambda _b, _a: (0.0, 0.0, ROOM_DB * math.sqrt(2)),
                unjudged="" if same_place else MOVED,
            )
        place = 0.0 if same_place else PLACE_DB * math.sqrt(2)
        yield figure_row(
            f"{kind}, side b louder than side a",
            "dB",
            before,
            after,
            partial(between_sides_db, kind=kind),
            lambda _b, _a, place=place: (0.0, 0.0, place),  # type: ignore[misc]
        )


def voice_rows(before: Group, after: Group, *, same_place: bool = False) -> Iterator[Row]:
    """Give how long each mean sound rings, how bright it is and how wide its tones spread, and how alike the sounds are.

    The ring is the time in which the sound falls by 10 dB. Brightness and spread are librosa's spectral centroid and
    bandwidth of the sound's own power, without the room's. With one recording on each side, a change is judged by how far
    the recordings of a clock that is left alone differ.

    Parameters
    ----------
    before : Group
    after : Group
    same_place : bool
        Neither clock nor microphone was moved between.
    """
    if not all(any(night.voices for night in group.nights) for group in (before, after)):
        yield Row("voice of contact and drop", "", None, None, note=NOT_KEPT)
        return
    unjudged = "" if same_place else MOVED
    if not _one_recorder(before, after):
        unjudged = OTHER_RECORDER
    lone = len(before.nights) == len(after.nights) == 1
    for kind, side in product(KINDS, "ab"):
        old, new = (_voices(group.nights, kind, side) for group in (before, after))
        if old and new:
            yield from _rows_of_voices(f"{kind}, side {side}", old, new, lone, unjudged)


def _rows_of_voices(
    whose: str, old: Sequence[VoiceProfile], new: Sequence[VoiceProfile], lone: bool, unjudged: str
) -> Iterator[Row]:
    """The rows of one kind of sound on one side, the first of them with the likeness of the sounds."""
    alike = float(np.mean([likeness(one, other) for one, other in product(old, new)]))
    floors_kept = all(voice.floor for voice in (*old, *new))
    for name, unit, figure, differs in VOICE_FIGURES:
        values = [[figure(voice) for voice in voices] for voices in (old, new)]
        missing = "" if name == RING or floors_kept else NO_FLOOR
        common = partial(_from_time_to_time, share=differs) if lone else nothing_common
        row = pair_row(f"{whose}, {name}", unit, values[0], values[1], common, unjudged=unjudged or missing)
        said = f"likeness of the sounds {alike:.2f} (1: the same)" if name == RING else ""
        yield replace(row, note="; ".join(filter(None, (missing or row.note, said))))


def _one_recorder(before: Group, after: Group) -> bool:
    """Whether nothing speaks for another recorder: its name, its rate and the bands of its sounds are the same."""
    readings = before.readings + after.readings
    names = {reading.recording.recorder for reading in readings if reading.recording.recorder}
    rates = {reading.recording.sample_rate_hz for reading in readings if reading.recording.sample_rate_hz}
    bands = {
        voice.profile.shape[1]
        for group in (before, after)
        for night in group.nights
        for voice in night.voices
    }
    return max(len(names), len(rates), len(bands)) <= 1


def _from_time_to_time(before: float, after: float, *, share: float) -> tuple[float, float, float]:
    """Uncertainty of the change from how far two recordings of a clock left alone differ."""
    return 0.0, 0.0, share * math.hypot(before, after)


def between_sides_db(reading: Reading, kind: str) -> UFloat:
    """How much louder a kind of sound is on side b than on side a, from blocks of the night."""
    events = reading.events
    sides = [(events.kind == kind) & (events.side == side) for side in "ab"]
    blocks = median_block_count(min(int(np.count_nonzero(mine)) for mine in sides))
    if blocks < LEAST_BLOCKS:
        return None
    a, b = (block_medians(events.time_s[mine], events.level_db[mine], blocks) for mine in sides)
    return middle_of_blocks(b - a)


def likeness(one: VoiceProfile, other: VoiceProfile) -> float:
    """Cosine between two mean sounds, each the logarithm of its power over the room: 1 is the same."""
    frames = min(len(one.profile), len(other.profile))
    bands = min(one.profile.shape[1], other.profile.shape[1])
    a, b = (np.log1p(np.maximum(v.profile[:frames, :bands], 0)).ravel().astype(float) for v in (one, other))
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(a @ b) / size if size else 0.0


def _level(reading: Reading, kind: str, side: str) -> UFloat:
    events = reading.events
    mine = (events.kind == kind) & (events.side == side)
    return median_over_blocks(events.time_s[mine], events.level_db[mine])


def _voices(nights: Sequence[Night], kind: str, side: str) -> list[VoiceProfile]:
    return [voice for night in nights for voice in night.voices if (voice.kind, voice.side) == (kind, side)]


def _own_power(voice: VoiceProfile) -> FloatArray:
    """Power of the sound itself, shape (frames, bands); relative to the room where the room's level was not kept."""
    power = np.maximum(voice.profile, 0).astype(float)
    return power * np.array(voice.floor) if voice.floor else power


def _fall_ms(voice: VoiceProfile) -> UFloat:
    """Time in which the energy that is still to come falls by `FALL_DB` (M. R. Schroeder, JASA 37 (1965) 409).

    It counts from the loudest frame, to a fraction of a frame; None where the room hides it.
    """
    from uncertainties import ufloat

    power, room = np.sum(_own_power(voice), axis=1), sum(voice.floor) if voice.floor else 0.0
    top = int(np.argmax(power))
    to_come = np.cumsum(power[top:][::-1])[::-1]
    least = to_come[0] * 10 ** (-FALL_DB / 10)
    below = np.flatnonzero(to_come < least)
    if not below.size or power[top] * 10 ** (-FALL_DB / 10) <= room:
        return None
    last = int(below[0])
    high, low = to_come[last - 1], max(to_come[last], 1e-3 * least)
    part = math.log(high / least) / math.log(high / low)
    # Top and crossing are each known to about half a frame: two rectangular distributions.
    return ufloat(1e3 * voice.frame_s * (last - 1 + part), 1e3 * voice.frame_s / math.sqrt(6))


def _spectrum(voice: VoiceProfile) -> tuple[FloatArray, FloatArray] | None:
    """Energy by band, shape (bands, 1), and the bands' centres, Hz; None where a sound hardly stands out of the room."""
    if not voice.floor or voice.profile.shape[1] >= len(EDGES_HZ):
        return None
    edges = np.array(EDGES_HZ[: voice.profile.shape[1] + 1])
    frames = min(len(voice.profile), round(LONGEST_S / voice.frame_s))
    over_room = np.sum(np.maximum(voice.profile[:frames], 0), axis=1)
    if over_room.max() < CLEAR:
        return None
    energy = np.sum(_own_power(voice)[:frames], axis=0) * np.diff(edges)
    return energy[:, None], np.sqrt(edges[:-1] * edges[1:])


def _brightness_hz(voice: VoiceProfile) -> UFloat:
    return _feature(voice, "spectral_centroid")


def _spread_hz(voice: VoiceProfile) -> UFloat:
    return _feature(voice, "spectral_bandwidth")


def _feature(voice: VoiceProfile, name: str) -> UFloat:
    """One of librosa's spectral features of the mean sound."""
    from uncertainties import ufloat

    found = _spectrum(voice)
    if found is None:
        return None
    import librosa

    energy, middles_hz = found
    value = float(getattr(librosa.feature, name)(S=energy, freq=middles_hz)[0, 0])
    return ufloat(value, OF_MEAN * value / math.sqrt(max(voice.beats, 1)))


RING = "falls by 10 dB in"
VOICE_FIGURES = (
    (RING, "ms", _fall_ms, 0.25),
    ("brightness", "Hz", _brightness_hz, 0.04),
    ("spread of its tones", "Hz", _spread_hz, 0.13),
)
"""Rows of a voice: name, unit, figure, and the share (standard uncertainty) by which one recording of a clock left alone
differs from the next. Of 13 pairs of the twin, each with its own noise, gain, start and echo of the room, the root mean
square was 0.24, 0.03 and 0.105, and 95 % of the spreads lay within 1.96 times 0.12. In a run with more pairs, 0.10 called a
tenth of them changed (``tests/benchmarks/comparison.py --voices``)."""
