"""The level of a clock above the noise, in standard deviations of the noise's band energy.

The sound is analysed from 2 to 10 kHz in windows of 1 ms. A tick of k sigma adds, in its strongest window, k times the
standard deviation of the energy of the steady noise from window to window.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from torsionbeat.errors import InputError
from torsionbeat.twin.clock import TwinClock
from torsionbeat.twin.recorder import Recorder
from torsionbeat.twin.rendering import simulate
from torsionbeat.twin.room import Room
from torsionbeat.twin.voices import VOICES, strike

__all__ = ["at_sigmas", "band_energy", "sigmas"]

BAND_HZ = (2000.0, 10_000.0)  # where a tick is strongest relative to a room (common practice, no source)
LISTEN_S = 20.0  # 20,000 windows: their standard deviation is known to about 1 %
STRIKES = 40  # strikes of a voice vary by 12 %: their mean is known to 2 %


def band_energy(sound: NDArray[np.floating], rate_hz: float) -> NDArray[np.float64]:
    """Energy from 2 to 10 kHz within the 1 ms that begins at each sample, shape (n - window + 1,)."""
    from scipy.signal import butter, sosfilt

    high = min(BAND_HZ[1], 0.45 * rate_hz)
    sos = butter(4, [BAND_HZ[0], high], "bandpass", fs=rate_hz, output="sos")
    squares = np.asarray(sosfilt(sos, sound.astype(np.float64))) ** 2
    sums = np.concatenate([[0.0], np.cumsum(squares)])
    window = round(1e-3 * rate_hz)
    energy: NDArray[np.float64] = sums[window:] - sums[:-window]
    return energy


def _noise_sigma(room: Room, recorder: Recorder) -> float:
    steady = Room(pink_rms=room.pink_rms, white_rms=room.white_rms, rain_rms=room.rain_rms)
    plain = Recorder(recorder.sample_rate_hz, bits=24)
    noise = simulate(None, steady, plain, LISTEN_S, seed=1).samples()
    window = round(1e-3 * recorder.sample_rate_hz)
    return float(np.std(band_energy(noise, recorder.sample_rate_hz)[window * 50 :: window]))


def _tick_energy(clock: TwinClock, kind: str, rate_hz: float) -> float:
    """Strongest 1 ms of a kind of sound, mean over sides and strikes."""
    rng = np.random.default_rng(1)
    peak = 10 ** (clock.voices.level_db(kind) / 20)
    found: list[float] = []
    for side in "ab":
        voice = VOICES[clock.voices.name(kind, side)]
        for _ in range(STRIKES):
            tick = strike(voice, peak, 0.0, rate_hz, rng)
            quiet = np.zeros(round(5e-3 * rate_hz))
            found.append(float(band_energy(np.concatenate([quiet, tick, quiet]), rate_hz).max()))
    return float(np.mean(found))


def sigmas(clock: TwinClock, room: Room, recorder: Recorder | None = None) -> dict[str, float]:
    """Level of each kind of the clock's sounds above the room's steady noise, in sigmas.

    Parameters
    ----------
    clock : TwinClock
    room : Room
    recorder : Recorder, optional
        Default: an ordinary one.

    Raises
    ------
    InputError
        The room has no steady noise.
    """
    recorder = recorder or Recorder()
    sigma = _noise_sigma(room, recorder)
    if sigma == 0:
        raise InputError(
            "this room has no steady noise to measure against: give it pink or white noise or rain."
        )
    return {kind: _tick_energy(clock, kind, recorder.sample_rate_hz) / sigma for kind in clock.sounds}


def at_sigmas(
    clock: TwinClock,
    room: Room,
    recorder: Recorder | None = None,
    *,
    drop_sigma: float,
    contact_sigma: float | None = None,
) -> tuple[TwinClock, Room]:
    """Scale the room's steady noise, and the loudness of the contact, to wanted levels above the noise.

    Parameters
    ----------
    drop_sigma, contact_sigma : float
        Levels of drop and contact; without `contact_sigma` the contact keeps its level relative to the drop.

    Returns
    -------
    TwinClock, Room
        The clock with the level of its contact, and the room with its noise. Where the noise would exceed a tenth of
        full scale, clock and noise are both made quieter.

    Raises
    ------
    InputError
        The room has no steady noise, or a value is out of range.
    """
    recorder = recorder or Recorder()
    rate = recorder.sample_rate_hz
    for name, value in (("drop_sigma", drop_sigma), ("contact_sigma", contact_sigma)):
        if value is not None and not 0 < value <= 1e6:
            raise InputError(
                f"{name} {value:g} is outside 0 to 1,000,000: 4 is at the noise, 100 well above it."
            )
    sigma = _noise_sigma(room, recorder)
    if sigma == 0:
        raise InputError("this room has no steady noise to scale: give it pink or white noise or rain.")
    drop = _tick_energy(clock, "drop", rate)
    gain = math.sqrt(drop / (drop_sigma * sigma))
    voices = clock.voices
    if contact_sigma is not None:
        ratio = _tick_energy(clock, "contact", rate) / drop
        voices = replace(
            voices, contact_db=voices.contact_db + 10 * math.log10(contact_sigma / drop_sigma / ratio)
        )
    loudest = max(room.pink_rms, room.white_rms, room.rain_rms) * gain
    quieter = min(1.0, 0.1 / loudest)
    voices = replace(voices, drop_peak=voices.drop_peak * quieter)
    gain *= quieter
    return replace(clock, voices=voices), replace(
        room,
        pink_rms=room.pink_rms * gain,
        white_rms=room.white_rms * gain,
        rain_rms=room.rain_rms * gain,
    )
