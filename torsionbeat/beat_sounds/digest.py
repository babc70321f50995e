"""The digest: a night in minutes, its beats one after the other, side a on the left and side b on the right.

Input: cuts of the beats. Output: pieces of stereo sound, and where each beat lies in them. What was taken for contact
and drop can then be heard, and seen in any audio editor with the label track.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from torsionbeat.beat_sounds.cuts import BeatCut, Samples
from torsionbeat.errors import InputError

__all__ = ["GAP_S", "DigestLabel", "digest_pieces"]

GAP_S = 0.08
"""Silence between two beats: enough to be heard as a pause (common practice, no source)."""

FADE_S = 0.005
"""Fade at both ends of a cut, so that none begins or ends with a click: a sixteenth of the time before the contact."""

LEVEL_PEAK = 0.5
"""Peak of a levelled beat, full scale 1: 6 dB of headroom for the sums of the vocoder."""

LEAST_SLOW, MOST_SLOW = 1.0, 8.0
"""Beyond eight times slower a tick of some milliseconds becomes a smear of the vocoder's own windows (256 samples)."""

VOCODER_WINDOW = 256
"""Samples of the vocoder's window: 5 ms at 48 kHz, shorter than contact to unlocking."""


@dataclass(frozen=True, slots=True)
class DigestLabel:
    """Where something lies in the digest, seconds from its start."""

    start_s: float
    end_s: float
    text: str


def digest_pieces(
    cuts: Iterable[BeatCut], rate_hz: float, *, levelled: bool = False, slower: float = 1.0
) -> Iterator[tuple[Samples, tuple[DigestLabel, ...]]]:
    """Put beats one after the other.

    Parameters
    ----------
    cuts : iterable of BeatCut
        In order of time.
    rate_hz : float
        Samples a second of the cuts and of the digest.
    levelled : bool
        Bring each beat to the same peak.
    slower : float
        How many times slower, 1 to 8, at the same pitch.

    Yields
    ------
    samples : ndarray of float32, shape (n, 2)
    labels : tuple of DigestLabel
        The beat, its contact where heard, and its drop.

    Raises
    ------
    InputError
        ``slower`` is out of range.
    """
    if not LEAST_SLOW <= slower <= MOST_SLOW:
        raise InputError(f"slower is {slower:g}; it must lie between {LEAST_SLOW:g} and {MOST_SLOW:g} times")
    at = 0
    gap = round(GAP_S * rate_hz)
    for cut in cuts:
        sound = _faded(cut.samples, rate_hz)
        if levelled and np.any(sound):
            sound = sound * np.float32(LEVEL_PEAK / np.abs(sound).max())
        if slower > 1:
            sound = _slower(sound, slower)
        piece = np.zeros((len(sound) + gap, 2), np.float32)
        piece[: len(sound), "ab".index(cut.side)] = sound
        start_s, end_s = at / rate_hz, (at + len(sound)) / rate_hz
        marks = [("contact", cut.contact_s), ("drop", cut.drop_s)]
        labels = [DigestLabel(start_s, end_s, f"beat {cut.number} {cut.side} at {cut.time_s:.1f} s")]
        labels += [
            DigestLabel(start_s + slower * when, start_s + slower * when, f"{kind} {cut.side}")
            for kind, when in marks
            if np.isfinite(when)
        ]
        yield piece, tuple(labels)
        at += len(piece)


def _faded(sound: Samples, rate_hz: float) -> Samples:
    ramp = np.linspace(0, 1, min(round(FADE_S * rate_hz), len(sound) // 2), dtype=np.float32)
    faded = sound.copy()
    faded[: len(ramp)] *= ramp
    faded[len(faded) - len(ramp) :] *= ramp[::-1]
    return faded


def _slower(sound: Samples, times: float) -> Samples:
    """The same pitch, this many times slower: librosa's phase vocoder."""
    import librosa

    hop = VOCODER_WINDOW // 4
    spectrum = librosa.stft(sound, n_fft=VOCODER_WINDOW, hop_length=hop)
    slow = librosa.phase_vocoder(spectrum, rate=1 / times, hop_length=hop, n_fft=VOCODER_WINDOW)
    found: Samples = librosa.istft(
        slow, hop_length=hop, n_fft=VOCODER_WINDOW, length=round(len(sound) * times)
    ).astype(np.float32)
    return found
