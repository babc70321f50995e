"""The portrait of a beat: the mean sound of each side as a picture, from before the contact to after the drop.

Input: cuts of the beats. Output: for each side the mean level and the mean spectrogram on one time axis. The beats are
aligned by their exact times: up to the middle of the lift passage by the contact, from there on by the drop. The mean is
estimated from the median of the beats, so a sound in every beat stays and talk in a few of them does not show.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.beat_sounds.cuts import AFTER_S, BEFORE_S, BeatCut, Samples
from torsionbeat.errors import InputError

__all__ = ["BeatPortrait", "SidePortrait", "portrait_of"]

WINDOW_S, HOP_S = 0.008, 0.001
"""Window and step of the spectrogram: a tick's parts are some milliseconds long, its lowest tone some 500 Hz."""

FLOOR_DB = -60.0
"""Lowest level shown, below the loudest: what a 16-bit recording of a drop at half of full scale still holds."""

ROOM_SHARE = 0.25
"""Share of the columns that hold the room alone: those before the contact, and most of a lift passage."""

SILENCE = 1e-9
"""Least power of a room, as a share of the loudest tone: -90 dB, what 16 bits hold; some recorders write plain zeros."""

PART_DB = 6.0
"""Rise above its surroundings at which another sound in the mean is marked: twice the scatter of a mean of ten beats."""

SMOOTH = 5
"""Columns over which the level is smoothed before other sounds are sought: 5 ms, the length of a tick's first part."""

MEDIAN_SHARE = float(np.log(2))
"""Median over mean of an exponential variable, such as the power of noise."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SidePortrait:
    """The mean sound of one side.

    Parameters
    ----------
    side : str
        ``a`` or ``b``.
    beats : int
        How many were averaged.
    time_s : ndarray, shape (columns,)
        Seconds from the drop, negative before it.
    hz : ndarray, shape (rows,)
        Centres of the spectrogram's rows, evenly spaced from 0.
    power : ndarray, shape (rows, columns)
        Mean power.
    level_db : ndarray, shape (columns,)
        Level of the whole band, 0 at its loudest.
    contact_s : float
        Seconds from the drop; nan where no contact is heard.
    other_s : tuple of float
        Other sounds that stand out in the mean: between contact and drop an unlocking, after the drop a banking or an
        echo.
    """

    side: str
    beats: int
    time_s: FloatArray
    hz: FloatArray
    power: FloatArray
    level_db: FloatArray
    contact_s: float
    other_s: tuple[float, ...]

    def over_room_db(self) -> FloatArray:
        """The spectrogram in dB above the room at each tone, 0 where it is no louder; shape (rows, columns)."""
        room = np.quantile(self.power, ROOM_SHARE, axis=1, keepdims=True)
        least = SILENCE * max(float(self.power.max()), float(np.finfo(np.float64).tiny))
        found: FloatArray = 10 * np.log10(np.maximum(self.power / np.maximum(room, least), 1.0))
        return found


@dataclass(frozen=True, slots=True)
class BeatPortrait:
    """Both sides of a clock, as far as they were heard."""

    name: str
    sides: tuple[SidePortrait, ...]


def portrait_of(name: str, cuts: Iterable[BeatCut], rate_hz: float) -> BeatPortrait:
    """Average the sounds of the beats.

    Parameters
    ----------
    name : str
        Of the clock or recording.
    cuts : iterable of BeatCut
        With at least `BEFORE_S` before the contact and `AFTER_S` after the drop.
    rate_hz : float
        Samples a second.

    Raises
    ------
    InputError
        There is no beat.
    """
    by_side: dict[str, list[BeatCut]] = {}
    for cut in cuts:
        by_side.setdefault(cut.side, []).append(cut)
    if not by_side:
        raise InputError("no beat is there to be drawn; give a recording in which a clock is heard")
    return BeatPortrait(name, tuple(_side(side, by_side[side], rate_hz) for side in sorted(by_side)))


def _side(side: str, cuts: list[BeatCut], rate_hz: float) -> SidePortrait:
    import librosa

    with_contact = [cut for cut in cuts if np.isfinite(cut.contact_s)]
    passages_s = [cut.drop_s - cut.contact_s for cut in with_contact]
    passage_s = float(np.median(passages_s)) if passages_s else 0.0
    heard = [cut for cut in cuts if np.isfinite(cut.contact_s)] or cuts
    window, hop = 2 * round(WINDOW_S * rate_hz / 2), max(round(HOP_S * rate_hz), 1)
    powers = []
    for cut in heard:
        first_s = cut.contact_s if passages_s else cut.drop_s
        before = _around(cut.samples, first_s, -BEFORE_S, passage_s / 2, rate_hz, window)
        after = _around(cut.samples, cut.drop_s, -passage_s / 2, AFTER_S, rate_hz, window)
        spectra = [
            np.abs(librosa.stft(part, n_fft=window, hop_length=hop, center=False)) ** 2
            for part in (before, after)
        ]
        power = np.concatenate([spectra[0][:, :-1], spectra[1]], axis=1)  # both hold the middle
        powers.append(power.astype(np.float32))
    mean = np.median(powers, axis=0).astype(np.float64) / MEDIAN_SHARE
    columns = mean.shape[1]
    time_s = -passage_s - BEFORE_S + np.arange(columns) * hop / rate_hz
    level = 10 * np.log10(np.maximum(mean.sum(axis=0), 1e-20))
    level -= level.max()
    contact_s = -passage_s if passages_s else float("nan")
    return SidePortrait(
        side,
        len(heard),
        time_s,
        np.fft.rfftfreq(window, 1 / rate_hz).astype(np.float64),
        mean,
        np.maximum(level, FLOOR_DB),
        contact_s,
        _others(time_s, level, contact_s),
    )


def _around(
    samples: Samples, at_s: float, low_s: float, high_s: float, rate_hz: float, window: int
) -> Samples:
    """Samples from ``low_s`` to ``high_s`` about a moment, half a window more on both ends; zeros beyond the cut."""
    first = round((at_s + low_s) * rate_hz) - window // 2
    count = round((high_s - low_s) * rate_hz) + window
    out = np.zeros(count, np.float32)
    low, high = max(first, 0), min(first + count, len(samples))
    if low < high:
        out[low - first : high - first] = samples[low:high]
    return out


def _others(time_s: FloatArray, level_db: FloatArray, contact_s: float) -> tuple[float, ...]:
    """Sounds in the mean besides contact and drop: rises of `PART_DB` that are neither, nor their first ringing."""
    from scipy.signal import find_peaks

    smooth = np.convolve(level_db, np.full(SMOOTH, 1 / SMOOTH), mode="same")
    peaks, _ = find_peaks(smooth, prominence=PART_DB, distance=10)
    near_s = 2 * WINDOW_S
    return tuple(
        float(time_s[peak])
        for peak in peaks
        if abs(time_s[peak]) > near_s
        and not abs(time_s[peak] - contact_s) <= near_s
        and level_db[peak] > FLOOR_DB / 2
    )
