"""The sound of a tick: a sum of damped sines with a quick attack and a broadband click.

A voice can start at any fraction of a sample: sample n of a sound that begins at time t0 is the voice's formula at n /
rate - t0. So the sound begins at the exact time of the clock's motion, not at the nearest sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from torsionbeat.errors import InputError

__all__ = ["VOICES", "Voice", "VoiceSet", "strike", "strike_at_gain"]

FINE = 64  # samples per row in the product of exponentials


@dataclass(frozen=True, slots=True)
class Voice:
    """Recipe of one tick.

    Attributes
    ----------
    partials : tuple of (hz, amplitude, decay_ms)
        Damped sines.
    attack_ms : float
        Rise 1 - exp(-t / attack).
    click : float
        Amplitude of the broadband part relative to the partials.
    click_decay_ms : float
        Decay of the broadband part.
    variation : float
        Relative scatter of each partial's amplitude from tick to tick; the phases scatter by as many radians.
    """

    partials: tuple[tuple[float, float, float], ...]
    attack_ms: float
    click: float
    click_decay_ms: float
    variation: float = 0.12


# Invented: tones of 0.6 to 9 kHz that decay in 1 to 12 ms, like small metal, wood and plastic parts (no source).
VOICES: dict[str, Voice] = {
    "clear_ring": Voice(
        ((2180, 1.0, 6.0), (3650, 0.7, 4.0), (5400, 0.45, 2.5), (7900, 0.25, 1.5)), 0.08, 0.35, 0.6
    ),
    "dull_plate": Voice(
        ((1150, 1.0, 9.0), (1890, 0.6, 6.0), (2950, 0.5, 3.0), (4700, 0.2, 1.6)), 0.4, 0.25, 1.2
    ),
    "bright_tooth": Voice(
        ((3350, 0.8, 3.5), (4820, 1.0, 3.0), (6600, 0.6, 2.0), (8800, 0.4, 1.2)), 0.05, 0.5, 0.4
    ),
    "soft_pin": Voice(((1650, 0.8, 4.0), (2720, 1.0, 3.0), (4150, 0.5, 2.0)), 0.8, 0.2, 1.5),
    "thin_pin": Voice(((4200, 1.0, 2.2), (5950, 0.6, 1.6), (7300, 0.5, 1.1)), 0.15, 0.45, 0.5),
    "long_ring": Voice(
        ((2640, 1.0, 12.0), (2760, 0.6, 11.0), (4450, 0.5, 7.0), (6900, 0.2, 3.0)), 0.1, 0.2, 0.8
    ),
    "dry_knack": Voice(
        ((1420, 0.7, 1.6), (2380, 1.0, 1.4), (3900, 0.8, 1.1), (6100, 0.5, 0.9)), 0.06, 0.8, 0.7
    ),
    "slow_seat": Voice(((1280, 1.0, 7.0), (2050, 0.8, 5.0), (3300, 0.4, 3.5)), 1.0, 0.3, 2.0),
    "plastic_tap": Voice(((1190, 1.0, 5.0), (3380, 0.9, 3.0), (3450, 0.6, 4.0)), 0.1, 0.4, 0.8),
    "wood_knock": Voice(((620, 1.0, 9.0), (1340, 0.8, 6.0), (2480, 0.4, 3.0)), 0.15, 0.3, 1.0),
}


@dataclass(frozen=True, slots=True)
class VoiceSet:
    """The voice and the loudness of each sound of a clock.

    Levels are in dB relative to the drop; `drop_peak` is the peak of the dry drop relative to full scale; `scatter_db`
    is the scatter of loudness from tick to tick.
    """

    drop_a: str = "clear_ring"
    drop_b: str = "bright_tooth"
    contact_a: str = "soft_pin"
    contact_b: str = "thin_pin"
    unlocking: str = "dry_knack"
    banking: str = "slow_seat"
    knock: str = "dull_plate"
    drop_peak: float = 0.1
    contact_db: float = -8.0
    unlocking_db: float = -14.0
    banking_db: float = -10.0
    knock_db: float = 4.0
    flutter_db: float = -3.0
    scatter_db: float = 1.0

    def __post_init__(self) -> None:
        if not 1e-4 <= self.drop_peak <= 1:
            raise InputError(f"a drop's peak of {self.drop_peak:g} is outside 0.0001 to 1 (full scale).")
        for sound in ("drop_a", "drop_b", "contact_a", "contact_b", "unlocking", "banking", "knock"):
            name = getattr(self, sound)
            if name not in VOICES:
                raise InputError(f"there is no voice {name!r}: choose from {', '.join(sorted(VOICES))}.")

    def name(self, kind: str, side: str) -> str:
        """Name of the voice of one kind and side; a fluttering tooth sounds like the drop."""
        if kind == "flutter":
            return self.name("drop", side)
        return str(getattr(self, f"{kind}_{side}" if kind in ("drop", "contact") else kind))

    def level_db(self, kind: str) -> float:
        """Peak of a kind of sound in dB relative to full scale, before scatter."""
        below = 0.0 if kind == "drop" else float(getattr(self, f"{kind}_db"))
        return 20 * math.log10(self.drop_peak) + below


def strike(
    voice: Voice, peak: float, first_s: float, rate_hz: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """One tick, from its first sample after it begins.

    Parameters
    ----------
    peak : float
        Peak of the voice without variation.
    first_s : float
        Time from the true start of the sound to the first sample, 0 <= first_s < 1 / rate_hz.
    """
    return strike_at_gain(voice, peak / _peak(voice), first_s, rate_hz, rng)


def strike_at_gain(
    voice: Voice, gain: float, first_s: float, rate_hz: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Like `strike`, with the amplitudes of the partials multiplied by `gain`.

    Parameters
    ----------
    voice : Voice
    gain : float
        Factor for the amplitudes of the partials.
    first_s : float
        Time from the true start of the sound to the first sample.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    wobble = rng.standard_normal((2, len(voice.partials)))
    tick = _partials(voice, first_s, rate_hz, wobble) * gain
    count = min(len(tick), int(voice.click_decay_ms * 8e-3 * rate_hz) + 1)
    noise = rng.standard_normal(count) * (
        gain * voice.click * _click_envelope(voice, first_s, rate_hz, count)
    )
    tick[:count] += noise
    out: NDArray[np.float32] = tick.astype(np.float32)
    return out


def _click_envelope(voice: Voice, first_s: float, rate_hz: float, count: int) -> NDArray[np.float64]:
    times_ms = 1e3 * (first_s + np.arange(count) / rate_hz)
    envelope: NDArray[np.float64] = -np.expm1(-times_ms / voice.attack_ms) * np.exp(
        -times_ms / voice.click_decay_ms
    )
    return 0.5 * envelope


def _partials(
    voice: Voice, first_s: float, rate_hz: float, wobble: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Sum of damped sines; exp(rate n) is built as a product of a coarse and a fine grid of exponentials."""
    hz, size, decay_ms = np.array(voice.partials).T
    keep = hz < 0.45 * rate_hz
    hz, decay_ms = hz[keep], decay_ms[keep]
    size = size[keep] * (1 + voice.variation * wobble[0, keep])
    phases = np.arange(len(keep))[keep] * 2.4 + voice.variation * wobble[1, keep]
    power = -1e3 / decay_ms + 2j * np.pi * hz
    start = size * np.exp(1j * phases) * -1j
    powers = np.concatenate([power, power - 1e3 / voice.attack_ms])
    starts = np.concatenate([start, -start]) * np.exp(powers * first_s)
    rows = int(8e-3 * decay_ms.max(initial=0.1) * rate_hz / FINE) + 1
    coarse = np.exp(np.outer(np.arange(rows) * FINE / rate_hz, powers)) * starts
    fine = np.exp(np.outer(powers, np.arange(FINE) / rate_hz))
    tick: NDArray[np.float64] = (coarse @ fine).real.ravel()
    return tick


@lru_cache(maxsize=64)
def _peak(voice: Voice) -> float:
    """Peak of the partials at unit gain and without variation."""
    return float(np.abs(_partials(voice, 0.0, 96_000.0, np.zeros((2, len(voice.partials))))).max())
