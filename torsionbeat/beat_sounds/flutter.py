"""Flutter: further drops in one swing, where the fork lets more than one tooth pass.

Input: cuts of the beats, with as much sound before the contact as after the drop. Output: the beats in which the drop
came again, and the chance that noise did it.

Each side has a mean spectrum of its drop over its first milliseconds. A further drop is a sudden rise of level whose
spectrum is like it. What sounds at the same distance after the drop in many beats is a banking or an echo and is left
out. The same search before the contact, where no drop can be, says how often noise passes for one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.beat_sounds.cuts import BeatCut
from torsionbeat.errors import InputError

__all__ = ["REACH_S", "FlutterBeat", "FlutterReport", "find_flutter"]

FloatArray = npt.NDArray[np.float64]

REACH_S = 0.45
"""How long after the drop further ones are sought: four teeth of 0.1 s each; before the contact as long for control."""

NEAREST_S = 0.025
"""A further drop is no nearer than this: the ring of a tick lasts as long, and no tooth falls so fast."""

WINDOW_S, HOP_S = 0.005, 0.001
"""Window and step: a tick's first part lasts some 5 ms."""

RISE_DB = 8.0
"""Rise of level within one window: three times what noise of 30 tones in one window scatters."""

BELOW_DROP_DB = 15.0
"""A further drop is no softer than this against the mean drop: the drops of one clock differ by some dB."""

ALIKE = 0.6
"""Correlation of the logarithm of its spectrum with the drop's: talk and bangs reach 0.5 in one of twenty."""

OFTEN = 0.2
"""Share of a side's beats beyond which a sound at one distance belongs to every beat: a banking or an echo. A fork that
flutters so often is heard by ear."""

SAME_PLACE_S = 0.006
"""How near two distances are the same: an echo keeps its distance to a millisecond, a banking to some."""

BELIEVED = 0.004
"""Chance by noise below which flutter is told: 1 in 250 recordings, as for wheels."""

EASY_DB, EASY_ALIKE = 10.0, 0.3
"""How much softer, and how much less like the drop, an echo is counted with: it is near the limits in every beat and
above them in some."""

LEAST_BEATS = 10
"""Beats of a side from which its mean drop is known."""


@dataclass(frozen=True, slots=True)
class FlutterBeat:
    """A beat in which the drop came again: when (true seconds of the recording), and after the drop by how long."""

    number: int
    side: str
    time_s: float
    extra_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FlutterReport:
    """What was found.

    Parameters
    ----------
    beats : tuple of FlutterBeat
        Empty where noise explains as much.
    searched : int
        Beats that were searched.
    by_noise : int
        Beats in which the same search found as much where no drop can be.
    false_alarm : float
        Chance that noise alone gives as many.
    """

    beats: tuple[FlutterBeat, ...]
    searched: int
    by_noise: int
    false_alarm: float

    @property
    def extra_teeth(self) -> int:
        """Teeth that fell besides one a beat."""
        return sum(len(beat.extra_s) for beat in self.beats)


@dataclass(frozen=True, slots=True)
class _Spectra:
    """One beat: power of tones by step, level, and where contact (or drop) and drop begin, in steps."""

    cut: BeatCut
    power: FloatArray
    level_db: FloatArray
    first: int
    drop: int


def find_flutter(cuts: Iterable[BeatCut], rate_hz: float) -> FlutterReport:
    """Search beats for further drops.

    Parameters
    ----------
    cuts : iterable of BeatCut
        With `REACH_S` before the contact and after the drop.
    rate_hz : float
        Samples a second.

    Raises
    ------
    InputError
        Fewer than `LEAST_BEATS` beats of either side.
    """
    by_side: dict[str, list[_Spectra]] = {}
    for cut in cuts:
        by_side.setdefault(cut.side, []).append(_spectra(cut, rate_hz))
    if not any(len(beats) >= LEAST_BEATS for beats in by_side.values()):
        raise InputError(
            f"{sum(map(len, by_side.values()))} beats are too few to know the drop's sound; give a recording of at least "
            f"{LEAST_BEATS} beats of one side"
        )
    found: list[FlutterBeat] = []
    searched = by_noise = 0
    for side, beats in by_side.items():
        if len(beats) < LEAST_BEATS:
            continue
        after, before = _further_drops(beats)
        searched += len(beats)
        by_noise += sum(1 for one in before if one)
        found += [
            FlutterBeat(beat.cut.number, side, beat.cut.time_s, tuple(extra))
            for beat, extra in zip(beats, after, strict=True)
            if extra
        ]
    found.sort(key=lambda beat: beat.time_s)
    chance = _chance(len(found), by_noise, searched)
    return FlutterReport(tuple(found) if chance < BELIEVED else (), searched, by_noise, chance)


def _spectra(cut: BeatCut, rate_hz: float) -> _Spectra:
    import librosa

    window, hop = 2 * round(WINDOW_S * rate_hz / 2), max(round(HOP_S * rate_hz), 1)
    transform = librosa.stft(cut.samples, n_fft=window, hop_length=hop, center=False)
    power = (np.abs(transform[1:]) ** 2).astype(np.float64)  # without the mean
    level = 10 * np.log10(np.maximum(power.sum(axis=0), 1e-20))
    first_s = cut.contact_s if np.isfinite(cut.contact_s) else cut.drop_s
    return _Spectra(cut, power, level, round(first_s * rate_hz / hop), round(cut.drop_s * rate_hz / hop))


def _further_drops(beats: list[_Spectra]) -> tuple[list[list[float]], list[list[float]]]:
    """Seconds after the drop at which it came again, for each beat; and the same for the stretch before the contact."""
    at_drop = [beat.power[:, beat.drop] for beat in beats if beat.drop < beat.power.shape[1]]
    template = np.log(np.maximum(np.median(at_drop, axis=0), 1e-20))
    drop_db = 10 * np.log10(np.maximum(np.median([power.sum() for power in at_drop]), 1e-20))
    nearest, reach = round(NEAREST_S / HOP_S), round(REACH_S / HOP_S)
    after = [_like_drop(beat, template, drop_db, beat.drop + nearest, beat.drop + reach) for beat in beats]
    before = [_like_drop(beat, template, drop_db, beat.first - reach, beat.first - nearest) for beat in beats]
    seconds = [
        [(HOP_S * (at - beat.drop), sure) for at, sure in row] for beat, row in zip(beats, after, strict=True)
    ]
    control = [
        [(HOP_S * (beat.first - at), sure) for at, sure in row]
        for beat, row in zip(beats, before, strict=True)
    ]
    return _without_frequent(seconds), _without_frequent(control)


def _like_drop(
    beat: _Spectra, template: FloatArray, drop_db: float, low: int, high: int
) -> list[tuple[int, bool]]:
    """Steps from ``low`` to ``high`` at which something like the drop begins, and whether it is surely like it."""
    from scipy.signal import find_peaks

    window = round(WINDOW_S / HOP_S)
    low, high = max(low, window), min(high, len(beat.level_db))
    if high - low < 3:
        return []
    rise = beat.level_db[low:high] - beat.level_db[low - window : high - window]
    peaks, _ = find_peaks(rise, height=RISE_DB / 2, distance=round(NEAREST_S / HOP_S))
    found = []
    for peak in peaks:
        at = low + int(peak)
        step = int(np.argmax(beat.level_db[at : at + window])) + at
        logs = np.log(np.maximum(beat.power[:, step], 1e-20))
        alike, below_db = float(np.corrcoef(logs, template)[0, 1]), drop_db - float(beat.level_db[step])
        if below_db < BELOW_DROP_DB + EASY_DB and alike > EASY_ALIKE:
            found.append((at, rise[peak] > RISE_DB and below_db < BELOW_DROP_DB and alike > ALIKE))
    return found


def _without_frequent(rows: list[list[tuple[float, bool]]]) -> list[list[float]]:
    """What is surely like the drop, without what comes at the same distance in many beats."""
    every = np.array([one for row in rows for one, _ in row])

    def frequent(distance_s: float) -> bool:
        return bool(np.sum(np.abs(every - distance_s) < SAME_PLACE_S) > max(OFTEN * len(rows), 3))

    return [[one for one, sure in row if sure and not frequent(one)] for row in rows]


def _chance(found: int, by_noise: int, searched: int) -> float:
    """Chance of as many beats or more, where noise gives as many as it gave before the contact.

    Of all that was found on both sides each lies after the drop with equal odds (Przyborowski and Wilenski 1940: two
    Poisson counts compared by the binomial of one in their sum).
    """
    from scipy.stats import binom

    if found == 0 or searched == 0:
        return 1.0
    return float(binom.sf(found - 1, found + by_noise, 0.5))
