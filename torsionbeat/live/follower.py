"""Following a clock beat by beat: first its sounds are learnt, then each beat is found separately.

A listener analyses an hour as a whole and needs an even clock; while the beat is being set on the bench, the clock is
not even. So the learnt sounds (mean power over the room of drop and contact, of either side) are compared with a wide
stretch about the place where the next beat is due. Each beat is found without its neighbours. Input: sound in blocks.
Output: beats, each about a second after it fell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.heard import Heard, VoiceProfile
from torsionbeat.hearing.listener import Listener
from torsionbeat.theory.edges import AFTER, BEFORE
from torsionbeat.tracks.bands import CHUNK_FRAMES, BandEar, Chunk, plan_bands
from torsionbeat.tracks.fine_power import FinePower

__all__ = ["FollowedBeat", "Follower"]

FloatArray = npt.NDArray[np.float32]

REACH = 0.2
"""Share of the period by which a beat may come before or after its time."""

LEAST_EVIDENCE = 25.0
"""Log-likelihood over silence: chance brings the highest of some thousand places searched to about ten."""

LEARN_BEATS = 3
"""Beats of each side after which its sound counts as learnt."""

MISSED_BEATS = 4
"""The clock is learnt again after this many unheard beats in a row."""

LOUDNESS = np.array([0.25, 0.5, 1.0, 2.0, 4.0], np.float32)
"""Factors of power tried: a beat may be 6 dB softer or louder than the mean of its kind."""


@dataclass(frozen=True, slots=True)
class FollowedBeat:
    """One beat: its number (even: side a), and the samples at which drop and contact begin (contact None if not heard)."""

    number: int
    drop: float
    contact: float | None

    @property
    def side(self) -> str:
        """a or b."""
        return "ab"[self.number % 2]


@dataclass(frozen=True, slots=True)
class _Voice:
    """A learnt sound; ``edge`` is its beginning, in frames from its place."""

    profile: FloatArray
    edge: float

    @staticmethod
    def of(voice: VoiceProfile) -> _Voice:
        return _Voice(voice.profile, -voice.start_s / voice.frame_s - BEFORE)


class Follower:
    """Follows one clock on one channel.

    Parameters
    ----------
    sample_rate_hz : float
    nominal_period_s : float, optional
        Full period for which the train keeps time.

    Attributes
    ----------
    period_s : float or None
        The clock's period in the recorder's seconds, once learnt.
    """

    def __init__(self, sample_rate_hz: float, nominal_period_s: float | None = None) -> None:
        self._rate_hz, self._nominal_s = sample_rate_hz, nominal_period_s
        self._plan = plan_bands(sample_rate_hz)
        self._ear = BandEar(self._plan)
        self._levels: list[npt.NDArray[np.uint8]] = []
        self._floors: list[FloatArray] = []
        self._first_chunk = 0
        self._number = 0
        self._samples = 0
        self.period_s: float | None = None
        self._forget()

    def _forget(self) -> None:
        """Discard the learnt sounds and learn again."""
        self._learner: Listener | None = Listener(self._rate_hz, 1, nominal_period_s=self._nominal_s)
        self._learner_began = self._samples
        self._ask_at_s = 2.2 * (self._nominal_s or 6.0)
        self.voices: tuple[VoiceProfile, ...] = ()
        self._voices: dict[tuple[str, str], _Voice] = {}
        self._passage = math.nan
        self._half = 0.0
        self._due = 0.0
        self._missed = 0

    @property
    def learning(self) -> bool:
        """Whether the clock's sounds are still being learnt."""
        return self._learner is not None

    def feed(self, samples: npt.NDArray[np.float32], start_frame: int | None = None) -> list[FollowedBeat]:
        """Take in sound, shape (n,); return the beats it completes."""
        lost = 0 if start_frame is None else start_frame - self._samples
        chunks: list[Chunk] = []
        if lost > 0:
            self._samples += lost
            chunks += self._ear.skip(lost)
            if self._learner is not None:
                self._learner.feed(samples[:0], self._samples - self._learner_began)
        self._samples += len(samples)
        chunks += self._ear.feed(samples)
        for chunk in chunks:
            self._levels.append(chunk.levels)
            self._floors.append(chunk.floor)
        if self._learner is not None:
            self._learner.feed(samples)
            return self._learn(self._learner)
        return self._follow()

    def _learn(self, learner: Listener) -> list[FollowedBeat]:
        so_far_s = learner.samples / self._rate_hz
        if so_far_s < self._ask_at_s:
            return []
        self._ask_at_s = so_far_s + max(0.2 * so_far_s, 2.0)
        heard = learner.heard_so_far()
        drops = heard.sounds.certain & (heard.sounds.kind == "drop")
        per_side = [int(np.count_nonzero(drops & (heard.sounds.beat % 2 == parity))) for parity in (0, 1)]
        if heard.period_samples is None or min(per_side) < LEARN_BEATS:
            if so_far_s > max(20 * (self._nominal_s or 30.0), 600):
                self._forget()
            return []
        return self._learnt(heard, np.flatnonzero(drops))

    def _learnt(self, heard: Heard, drops: npt.NDArray[np.int64]) -> list[FollowedBeat]:
        assert heard.period_samples is not None
        self.period_s = heard.period_samples / self._rate_hz
        self._half = heard.period_samples / 2
        self.voices = heard.voices
        self._voices = {(voice.side, voice.kind): _Voice.of(voice) for voice in heard.voices}
        sounds, base = heard.sounds, self._learner_began
        contacts = {
            int(beat): float(sample)
            for beat, sample in zip(
                sounds.beat[sounds.certain & (sounds.kind == "contact")],
                sounds.sample[sounds.certain & (sounds.kind == "contact")],
                strict=True,
            )
        }
        beats = []
        for row in drops:
            number, drop = int(sounds.beat[row]), float(sounds.sample[row]) + base
            contact = contacts.get(number)
            beats.append(FollowedBeat(number, drop, None if contact is None else contact + base))
        passages = [beat.drop - beat.contact for beat in beats if beat.contact is not None]
        self._passage = float(np.median(passages)) if len(passages) >= LEARN_BEATS else math.nan
        self._number, self._due = beats[-1].number, beats[-1].drop
        self._learner = None
        self._due += self._half
        self._number += 1
        return beats + self._follow()

    def _follow(self) -> list[FollowedBeat]:
        """Find the beats whose whole stretch has been heard."""
        beats: list[FollowedBeat] = []
        reach = 2 * REACH * self._half
        while self._learner is None:
            heard_to = (self._first_chunk + len(self._levels)) * CHUNK_FRAMES * self._plan.hop
            if heard_to < self._due + reach + 100 * self._plan.hop:
                break
            beat = self._find(reach)
            if beat is None:
                self._missed += 1
                self._due += self._half
                if self._missed >= MISSED_BEATS:
                    self._forget()
            else:
                self._missed = 0
                beats.append(beat)
                self._due = beat.drop + self._half
            self._number += 1
        self._drop_old()
        return beats

    def _find(self, reach: float) -> FollowedBeat | None:
        side = "ab"[self._number % 2]
        fine = FinePower(np.concatenate(self._levels), np.array(self._floors), None)
        found = self._best(fine, self._voices.get((side, "drop")), self._due - reach, self._due + reach)
        if found is None:
            return None
        contact = None
        if math.isfinite(self._passage):
            voice = self._voices.get((side, "contact"))
            contact = self._best(fine, voice, found - 2 * self._passage, found - 0.3 * self._passage)
        return FollowedBeat(self._number, found, contact)

    def _best(self, fine: FinePower, voice: _Voice | None, low: float, high: float) -> float | None:
        """Sample at which the most likely sound of this voice begins; None if none is likely enough."""
        if voice is None:
            return None
        hop, base = self._plan.hop, self._first_chunk * CHUNK_FRAMES
        first, last = int(low / hop) - base, int(high / hop) - base
        search = max((last - first) // 2, 2)
        sound = fine.windows(np.array([first + search]), search)[0]
        length = BEFORE + AFTER
        pieces = np.lib.stride_tricks.sliding_window_view(sound, length, axis=0)  # (shifts, bands, length)
        raised = LOUDNESS[:, None, None] * voice.profile.T[None]
        weights = raised / (1 + raised)
        cost = np.log1p(raised).sum(axis=(1, 2))
        gained = np.tensordot(pieces, weights, axes=([1, 2], [1, 2])) - cost[None, :]
        evidence = gained.max(axis=1).astype(np.float64)
        best = int(np.argmax(evidence))
        if evidence[best] < LEAST_EVIDENCE:
            return None
        shift = float(best)
        if 0 < best < len(evidence) - 1:
            left, top, right = evidence[best - 1 : best + 2]
            bend = left - 2 * top + right
            shift += min(max(0.5 * (left - right) / bend, -0.5), 0.5) if bend < 0 else 0.0
        frame = base + first + shift + voice.edge
        return float(frame * hop + self._plan.frame_middle_s * self._rate_hz)

    def _drop_old(self) -> None:
        """Discard the sound in which no later beat can lie."""
        needed = self._samples - 8 * self._half if self._learner else self._due - 2 * self._half
        needed -= self._rate_hz
        keep_from = max(int(needed / self._plan.chunk_samples), self._first_chunk)
        count = min(keep_from - self._first_chunk, max(len(self._levels) - 2, 0))
        del self._levels[:count], self._floors[:count]
        self._first_chunk += count
