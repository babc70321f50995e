"""Placing the microphone: a check from two minutes of sound.

Input: blocks. Output: for each channel, the sounds of the clock that are heard, and the disturbances. No input or
output otherwise: the sentences are for people, the figures beside them for programs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import NothingHeardError
from torsionbeat.hearing.heard import Heard
from torsionbeat.hearing.listener import Listener
from torsionbeat.reading.figures import Clock, Reading
from torsionbeat.reading.measuring import reading_of
from torsionbeat.sound.block import Block, Samples
from torsionbeat.sound.timebase import unknown_timebase
from torsionbeat.theory.robust import COVERAGE, median_deviation

__all__ = ["ChannelPlacing", "Placing", "PlacingEar"]

MAINS_HZ = (50.0, 60.0)
"""Mains frequencies of the world (IEC 60038)."""
HARMONICS = (1, 2, 3, 4, 5, 6)
"""Higher ones are softer than these in every common supply (common practice, no source)."""
HUM_HEIGHT_DB = 8.0
"""Hum is reported from this height above its neighbours in the mean spectrum; single lines of a mean over a minute
scatter by half a decibel."""

HUM_LEAST_DB = -75.0
"""Softer hum is below the self-noise of fair microphones and hides no tick (common practice, no source)."""
FAINT_PEAK_DB = -55.0
"""The loudest sound of such a channel fills some sixty of the 32 768 steps of 16 bits: its level control is too low."""
CLEAR_DB = 20.0
"""A drop ten times the background in amplitude is timed on every beat."""
LEAST_PASSAGES = 4
"""Fewer passages give no useful median."""
FEW_BEATS = 6
"""Three swings: with fewer a sentence says that the check was short."""


@dataclass(frozen=True, slots=True)
class ChannelPlacing:
    """One channel: the sounds heard, their levels, and the disturbances.

    ``drop_db`` and ``contact_db`` are levels above the room, None where not heard; ``passage_s`` is the median from
    contact to drop and ``passage_scatter_s`` the scatter of a single one; ``hum_hz`` is 50, 60 or None, ``hum_db`` its
    level against full scale; ``clipped`` is the number of samples at the limit.
    """

    channel: int
    heard: Heard
    reading: Reading | None
    why: str
    drop_db: float | None
    contact_db: float | None
    passage_s: float | None
    passage_scatter_s: float | None
    hum_hz: float | None
    hum_db: float
    clipped: int
    peak_db: float


@dataclass(frozen=True, slots=True)
class Placing:
    """Result of the check: all channels, the best of them (None where no tick is heard), and sentences."""

    channels: tuple[ChannelPlacing, ...]
    best: ChannelPlacing | None
    sentences: tuple[str, ...]


class PlacingEar:
    """Hears every channel separately.

    Parameters
    ----------
    sample_rate_hz : float
    channels : int
    clock : Clock
        Nominal period and lift, as far as known.
    """

    def __init__(self, sample_rate_hz: float, channels: int, clock: Clock) -> None:
        self._rate_hz, self._clock = sample_rate_hz, clock
        self._ears = [
            Listener(sample_rate_hz, 1, nominal_period_s=clock.nominal_period_s) for _ in range(channels)
        ]
        self._second = int(sample_rate_hz)
        self._spectrum = np.zeros((self._second // 2 + 1, channels))
        self._held: list[Samples] = []
        self._held_frames = self._seconds = 0

    def feed(self, block: Block) -> None:
        """Take in a block."""
        for number, ear in enumerate(self._ears):
            ear.feed(block.samples[:, number], block.start_frame)
        self._held.append(block.samples)
        self._held_frames += len(block.samples)
        if self._held_frames >= self._second:
            sound = np.nan_to_num(np.concatenate(self._held)[: self._second])
            window = np.hanning(self._second)[:, None]
            self._spectrum += np.abs(np.fft.rfft(sound * window, axis=0)) ** 2
            self._seconds += 1
            self._held.clear()
            self._held_frames = 0

    def finish(self) -> Placing:
        """End the sound and return the result."""
        channels = tuple(self._placed(number, ear.finish()) for number, ear in enumerate(self._ears))
        with_tick = [channel for channel in channels if channel.reading is not None]
        best = max(with_tick, key=_clearness, default=None)
        return Placing(channels, best, tuple(_sentences(channels, best, self._clock)))

    def _placed(self, number: int, heard: Heard) -> ChannelPlacing:
        reading, why = None, ""
        try:
            reading = reading_of(heard, self._clock, unknown_timebase(), f"channel {number + 1}")
        except NothingHeardError as error:
            why = str(error)
        drop_db, contact_db = (_level(heard, kind) if reading else None for kind in ("drop", "contact"))
        passage_s, scatter_s = _passages(reading)
        hum_hz, hum_db = self._hum(number)
        return ChannelPlacing(
            number,
            heard,
            reading,
            why,
            drop_db,
            contact_db if passage_s is not None else None,
            passage_s,
            scatter_s,
            hum_hz,
            hum_db,
            heard.clipped_samples,
            20 * math.log10(heard.peak) if heard.peak > 0 else -math.inf,
        )

    def _hum(self, channel: int) -> tuple[float | None, float]:
        """Mains frequency with the most prominent harmonics, and the level of them all."""
        if not self._seconds:
            return None, -math.inf
        # bins are 1 Hz; a sine of amplitude 1 (rms level -3 dB) has power (n/4)^2 at its bin behind a Hann window
        power = self._spectrum[:, channel] / self._seconds / (self._second / 4) ** 2 / 2
        found: tuple[float | None, float] = (None, -math.inf)
        for mains in MAINS_HZ:
            lines = [round(mains * harmonic) for harmonic in HARMONICS if mains * harmonic < len(power) - 20]
            high = [power[line - 1 : line + 2].max() for line in lines]
            room = [np.median(power[max(line - 12, 1) : line + 12]) for line in lines]
            standing = [
                10 * math.log10(h / r) if h > 0 and r > 0 else 0.0 for h, r in zip(high, room, strict=True)
            ]
            out = [height for height, above in zip(high, standing, strict=True) if above > HUM_HEIGHT_DB]
            level = 10 * math.log10(sum(out)) if out else -math.inf
            if level > max(found[1], HUM_LEAST_DB):
                found = mains, level
        return found


def _clearness(channel: ChannelPlacing) -> tuple[float, float]:
    reading = channel.reading
    assert reading is not None
    return reading.beats_heard / max(reading.beats_expected, 1), channel.drop_db or 0.0


def _level(heard: Heard, kind: str) -> float | None:
    mine = heard.sounds.certain & (heard.sounds.kind == kind)
    return float(np.median(heard.sounds.level_db[mine])) if mine.any() else None


def _passages(reading: Reading | None) -> tuple[float | None, float | None]:
    """Median passage, and scatter of single ones about their side's median."""
    if reading is None:
        return None, None
    passage, side = reading.swings.lift_passage_s, reading.swings.side
    known = np.isfinite(passage)
    if np.count_nonzero(known) < LEAST_PASSAGES:
        return None, None
    rest: list[npt.NDArray[np.float64]] = [
        passage[known & (side == name)] - np.median(passage[known & (side == name)])
        for name in ("a", "b")
        if (known & (side == name)).any()
    ]
    scatter = median_deviation(np.concatenate(rest))
    return float(np.median(passage[known])), max(scatter, 1e-4)


def _sentences(channels: tuple[ChannelPlacing, ...], best: ChannelPlacing | None, clock: Clock) -> list[str]:
    said = []
    if best is None:
        why = channels[0].why
        said.append(f"{why[:1].upper()}{why[1:]}")
        period = clock.nominal_period_s
        if period is None or period > 25:
            said.append("Two minutes hold few beats of a slow clock: try --check --for 5min.")
    else:
        said += _tick_sentences(channels, best)
        said.append(_arc_sentence(best, clock))
    for channel in channels:
        where = f" on channel {channel.channel + 1}" if len(channels) > 1 else ""
        if channel.clipped:
            said.append(
                f"The loudest sounds are cut off{where} ({channel.clipped} samples at the limit): turn the "
                "microphone's level down."
            )
        elif channel.peak_db == -math.inf:
            said.append(f"There is no sound at all{where}: check the cable, the switch and the level.")
        elif channel.peak_db < FAINT_PEAK_DB:
            said.append(
                f"The sound is faint{where}, at most {channel.peak_db:.0f} dB: turn the microphone's level up."
            )
        if channel.hum_hz is not None:
            said.append(
                f"There is mains hum{where}, {channel.hum_hz:.0f} Hz at {channel.hum_db:.0f} dB: lead the cable "
                "away from mains leads and chargers, or run the computer on its battery. The hearing leaves "
                "hum out, so it matters only where it is loud enough to cut off the ticks."
            )
    return said


def _tick_sentences(channels: tuple[ChannelPlacing, ...], best: ChannelPlacing) -> list[str]:
    assert best.reading is not None
    assert best.drop_db is not None
    where = f" on channel {best.channel + 1}" if len(channels) > 1 else ""
    beats = f"{best.reading.beats_heard} of {best.reading.beats_expected} beats"
    said = [f"The tick is heard{where}: {beats}, the drop {best.drop_db:.0f} dB above the room."]
    if best.drop_db < CLEAR_DB:
        said.append(
            f"That is not much; from {CLEAR_DB:.0f} dB on every beat is safe. Bring the microphone to the "
            "movement, or fix a contact pickup to the plate."
        )
    if best.reading.beats_heard < FEW_BEATS:
        said.append("So few beats tell little: try --check --for 5min.")
    said.extend(
        f"On channel {channel.channel + 1} the drop stands {channel.drop_db:.0f} dB above the room."
        for channel in channels
        if channel is not best and channel.drop_db is not None
    )
    return said


def _arc_sentence(best: ChannelPlacing, clock: Clock) -> str:
    if best.passage_s is None or best.passage_scatter_s is None:
        return (
            "Each beat has one sound that is heard, the drop; the contact before it is not. The rate and the beat "
            "can be measured, the arc cannot: try the microphone nearer to the fork, or a contact pickup."
        )
    heard = f"{best.contact_db:.0f} dB above the room" if best.contact_db is not None else "faint"
    said = (
        f"Each beat has two sounds: the contact ({heard}) and {best.passage_s * 1e3:.0f} ms later the drop. "
        "So the arc can be measured"
    )
    share = COVERAGE * best.passage_scatter_s / best.passage_s
    if clock.lift_deg is None:
        return f"{said} once the lift is known (--lift): a single swing to about {100 * share:.1f} %."
    if best.reading is None or best.reading.arc_deg is None:
        return f"{said}: a single swing to about {100 * share:.1f} %."
    arc = best.reading.arc_deg.nominal_value
    return f"{said}: it is about {arc:.0f} deg, a single swing to within {share * arc:.1f} deg."
