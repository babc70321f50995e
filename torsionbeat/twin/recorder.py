"""The recorder: records the room's sound, with a crystal that may be off and faults of its own."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from torsionbeat.errors import InputError

__all__ = ["Recorder", "SignalPath"]


@dataclass(frozen=True, slots=True)
class Recorder:
    """The settings and faults of a recorder.

    Attributes
    ----------
    sample_rate_hz : int
        The rate that the file states.
    crystal_ppm : float
        Above 0 the crystal runs fast: a true second holds more samples than the stated rate.
    channels, second_channel_db : int, float
        With two channels the clock is louder in the first by -second_channel_db.
    bits : int
        16 or 24.
    gain_db : float
        Amplification before the converter.
    clip_level : float
        The converter's limit relative to full scale.
    dc : float
        Constant offset relative to full scale.
    band_hz : (float, float) or None
        Pass band of a telephone-like path.
    silences : tuple of (start_s, end_s)
        Stretches of digital zeros, true seconds.
    losses : tuple of (start_s, end_s)
        Stretches whose samples are missing: the recording is shorter, and later sounds are too early in it.
    """

    sample_rate_hz: int = 48_000
    crystal_ppm: float = 0.0
    channels: int = 1
    second_channel_db: float = -12.0
    bits: int = 16
    gain_db: float = 0.0
    clip_level: float = 1.0
    dc: float = 0.0
    band_hz: tuple[float, float] | None = None
    silences: tuple[tuple[float, float], ...] = ()
    losses: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if not 4_000 <= self.sample_rate_hz <= 384_000:
            raise InputError(f"sample rate {self.sample_rate_hz} Hz is outside 4000 to 384000.")
        if not abs(self.crystal_ppm) <= 10_000:
            raise InputError(
                f"crystal {self.crystal_ppm:g} ppm is outside -10000 to 10000; real ones are within 100."
            )
        if self.channels not in (1, 2):
            raise InputError(f"{self.channels} channels cannot be simulated: choose 1 or 2.")
        if self.bits not in (16, 24):
            raise InputError(f"{self.bits} bits cannot be simulated: choose 16 or 24.")
        if not 0 < self.clip_level <= 1:
            raise InputError(f"clip level {self.clip_level:g} must lie above 0 and at most at 1, full scale.")
        for start, end in self.silences + self.losses:
            if not 0 <= start < end:
                raise InputError(f"a gap from {start:g} to {end:g} s makes no sense: give start before end.")

        for (_, end), (start, _) in pairwise(sorted(self.losses)):
            if start < end:
                raise InputError(f"two losses overlap at {start:g} s: give them one after the other.")
        if self.band_hz and not 0 < self.band_hz[0] < self.band_hz[1]:
            raise InputError(f"a band from {self.band_hz[0]:g} to {self.band_hz[1]:g} Hz makes no sense.")

    @property
    def true_rate_hz(self) -> float:
        """Number of samples in a true second."""
        return self.sample_rate_hz * (1 + 1e-6 * self.crystal_ppm)

    def recorded_s(self, true_s: float) -> float:
        """Time in the file, at the stated rate, of a true time; losses shorten the file."""
        lost = sum(min(max(true_s - start, 0.0), end - start) for start, end in self.losses)
        return (true_s - lost) * self.true_rate_hz / self.sample_rate_hz


class SignalPath:
    """Microphone to file: gain, band, constant offset, clipping, silences, rounding."""

    def __init__(self, recorder: Recorder) -> None:
        from scipy.signal import butter

        rate = recorder.true_rate_hz
        self.recorder = recorder
        self.gain = np.float32(10 ** (recorder.gain_db / 20))
        self.silences = [(round(a * rate), round(b * rate)) for a, b in recorder.silences]
        self.steps = np.float32(2 ** (recorder.bits - 1))
        self.sos: Any = None
        if recorder.band_hz:
            low, high = recorder.band_hz
            self.sos = butter(4, [low, min(high, 0.47 * rate)], "bandpass", fs=rate, output="sos")
            self.state: Any = np.zeros((len(self.sos), 2, recorder.channels))

    def take(self, heard: NDArray[np.float32], place: int) -> NDArray[np.float32]:
        """The recorded samples for the heard samples from number `place` on."""
        if self.gain != 1:
            heard *= self.gain
        if self.sos is not None:
            from scipy.signal import sosfilt

            filtered, self.state = sosfilt(self.sos, heard, axis=0, zi=self.state)
            heard = filtered.astype(np.float32)
        if self.recorder.dc:
            heard += np.float32(self.recorder.dc)
        limit = np.float32(self.recorder.clip_level)
        np.clip(heard, -limit, min(limit, 1 - 1 / self.steps), out=heard)
        for start, end in self.silences:
            heard[max(start - place, 0) : max(end - place, 0)] = 0
        heard *= self.steps
        np.rint(heard, out=heard)
        heard /= self.steps
        return heard
