"""Steady noise of a room: pink and white noise, rain, mains hum.

Every source returns the next n samples as float32; it keeps the state of its filters and its position.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Hum", "Pink", "Rain", "White"]

Samples = NDArray[np.float32]


class White:
    """White Gaussian noise of a given rms (full scale 1)."""

    def __init__(self, rms: float, rng: np.random.Generator) -> None:
        self.rms, self.rng = np.float32(rms), rng

    def take(self, count: int) -> Samples:
        """The next `count` samples."""
        return self.rng.standard_normal(count, dtype=np.float32) * self.rms


class Pink:
    """Noise with 10 dB less power density per decade from 20 Hz up: white noise through poles and zeros.

    Poles are a factor of 4 apart, and each zero is halfway (in the logarithm) above its pole, so the spectrum follows 1/f.
    """

    def __init__(self, rms: float, rate_hz: float, rng: np.random.Generator) -> None:
        from scipy.signal import freqz_sos, zpk2sos

        poles_hz = 20.0 * 4.0 ** np.arange(12)
        poles_hz = poles_hz[poles_hz < 0.45 * rate_hz]
        zeros_hz = np.minimum(2 * poles_hz, 0.49 * rate_hz)
        poles, zeros = (np.exp(-2 * np.pi * hz / rate_hz) for hz in (poles_hz, zeros_hz))
        sos = zpk2sos(zeros, poles, 1.0)
        grid_hz = np.linspace(0, rate_hz / 2, 200_001)[1:]
        power = np.abs(freqz_sos(sos, worN=2 * np.pi * grid_hz / rate_hz)[1]) ** 2
        sos[0, :3] *= rms / np.sqrt(power.mean())
        self.sos, self.rng = sos, rng
        self.state: Any = np.zeros((len(sos), 2), dtype=np.float32)

    def take(self, count: int) -> Samples:
        """The next `count` samples."""
        from scipy.signal import sosfilt

        white = self.rng.standard_normal(count, dtype=np.float32)
        out, self.state = sosfilt(self.sos.astype(np.float32), white, zi=self.state)
        pink: Samples = out
        return pink


class Rain:
    """Rain on a roof: a hiss, and some hundred drops a second, few of them loud."""

    DROPS_PER_S = 150.0

    def __init__(self, rms: float, rate_hz: float, rng: np.random.Generator) -> None:
        from scipy.signal import butter

        self.rms, self.rate_hz, self.rng = rms, rate_hz, rng
        self.sos = butter(1, [400.0, min(7000.0, 0.4 * rate_hz)], "bandpass", fs=rate_hz, output="sos")
        self.state: Any = np.zeros((len(self.sos), 2))
        bandwidth = (min(7000.0, 0.4 * rate_hz) - 400.0) / (rate_hz / 2) * 1.4
        self.hiss = 0.8 / np.sqrt(bandwidth)

    def take(self, count: int) -> Samples:
        """The next `count` samples."""
        from scipy.signal import sosfilt

        rng = self.rng
        dry = rng.standard_normal(count, dtype=np.float32) * self.hiss
        drops = rng.poisson(self.DROPS_PER_S * count / self.rate_hz)
        at = rng.integers(0, count, drops)
        np.add.at(dry, at, (rng.lognormal(1.6, 0.7, drops) * rng.choice([-1, 1], drops)).astype(np.float32))
        out, self.state = sosfilt(self.sos, dry, zi=self.state)
        wet: Samples = (out * self.rms).astype(np.float32)
        return wet


class Hum:
    """Mains hum with its harmonics. The phase follows the absolute sample number, so it is continuous."""

    HARMONICS = ((1, 1.0), (2, 0.6), (3, 0.4), (5, 0.2), (7, 0.1))
    FINE = 256

    def __init__(self, rms: float, mains_hz: float, rate_hz: float) -> None:
        order, size = np.array(self.HARMONICS).T
        self.size = size * rms * np.sqrt(2 / np.sum(size**2))
        self.turns = mains_hz * order / rate_hz
        self.place = 0

    def take(self, count: int) -> Samples:
        """The next `count` samples."""
        rows = -(-count // self.FINE)
        start = np.exp(2j * np.pi * np.mod(self.turns * self.place, 1.0)) * -1j
        coarse = np.exp(2j * np.pi * np.outer(np.arange(rows) * self.FINE, self.turns)) * (self.size * start)
        fine = np.exp(2j * np.pi * np.outer(self.turns, np.arange(self.FINE)))
        self.place += count
        out: Samples = (coarse @ fine).real.ravel()[:count].astype(np.float32)
        return out
