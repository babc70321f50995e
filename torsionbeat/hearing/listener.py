"""The listener: takes sound block by block, in bounded memory, and reports the clock it heard.

The same listener hears a file and a live microphone. Sound becomes band levels at once (:mod:`bands`); an hour and
a half of levels make a chapter, which is analysed as a whole (:mod:`segment`); the beats of all chapters are numbered
in one series. The same samples give the same result however they are cut into blocks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.heard import (
    DropsAgain,
    Heard,
    HeardSounds,
    OtherAccount,
    SegmentPassage,
    VoiceProfile,
)
from torsionbeat.hearing.placing import Placed
from torsionbeat.hearing.segment import hear_pieces
from torsionbeat.hearing.sides import ChapterHeard, first_heard, sides_are_swapped, typical_start
from torsionbeat.theory.edges import BEFORE
from torsionbeat.tracks.bands import CHUNK_FRAMES, BandPlan, ChannelEar, Chunk, plan_bands
from torsionbeat.tracks.other_clocks import OtherClock
from torsionbeat.tracks.search import Wanted

__all__ = [
    "CHAPTER_CHUNKS",
    "Listener",
]

LONG_SILENCE_CHUNKS = 600
"""Ten minutes: shorter gaps lie within a chapter, so that a faint clock is searched in all of it."""

CHAPTER_CHUNKS = 4400
"""Chunks in a chapter: an hour and a quarter, enough for a clock whose single contacts cannot be heard."""

Sided = TypeVar("Sided", SegmentPassage, VoiceProfile)

_LEAST_GAP_FRAMES = 200
"""A tenth of a second: a shorter loss hides no more than a single sound."""
_ALIKE_FRAMES = 20.0
"""Frames (10 ms) within which accounts of two chapters agree."""
ANOTHER_PERIOD = 2e-3
"""Relative difference of two channels' periods from which they hear two clocks: three minutes a day. The periods of one
clock heard twice for a few minutes differ by less."""

_MOST_CHANNELS = 8  # a studio interface has no more channels on one clock; each costs as much as the first


@dataclass(slots=True)
class _Story:
    """What was found in the chapters closed so far."""

    sounds: list[HeardSounds] = field(default_factory=list)
    drops_again: list[DropsAgain] = field(default_factory=list)
    stacked_passages: list[SegmentPassage] = field(default_factory=list)
    voices: dict[tuple[str, str], VoiceProfile] = field(default_factory=dict)
    other_intervals_s: list[float] = field(default_factory=list)
    second_period_s: float | None = None
    other_channels: tuple[tuple[int, float], ...] = ()
    period_samples: float | None = None
    anchor_sample: float = 0.0
    """A sample at which an even beat (side a) falls, for numbering."""
    anchor_beat: int = 0
    one_sided: bool = False
    unsure: bool = False
    other_accounts: list[OtherAccount] | None = None
    """None before the first account; then those that no chapter has excluded."""


@dataclass(frozen=True, slots=True)
class BandedPiece:
    """Chunks of sound in bands, by channel, and the samples up to their end."""

    samples: int
    chunks: dict[int, list[Chunk]]


class Listener:
    """Hears one torsion clock.

    Parameters
    ----------
    sample_rate_hz : float
    channels : int
    nominal_period_s : float, optional
        Full period for which the train keeps time. The search begins near it, then covers the whole range.
    shortest_period_s, longest_period_s : float
        Range of full periods in which to search.

    Raises
    ------
    InputError
        For a sample rate with which nothing can be heard.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        channels: int = 1,
        *,
        nominal_period_s: float | None = None,
        shortest_period_s: float = 4.0,
        longest_period_s: float = 121.0,
    ) -> None:
        self._plan: BandPlan = plan_bands(sample_rate_hz)
        self._channels = channels
        self._ears = {
            number: ChannelEar(self._plan, CHAPTER_CHUNKS) for number in range(min(channels, _MOST_CHANNELS))
        }
        self._channel: int | None = 0 if channels == 1 else None
        nominal = nominal_period_s
        self._wanted = Wanted(
            nominal,
            min(shortest_period_s, 0.9 * nominal) if nominal else shortest_period_s,
            max(longest_period_s, 1.1 * nominal) if nominal else longest_period_s,
        )
        self._given = self._samples = 0
        self._story = _Story()
        self._first_chunk = 0
        self._silent_chunks = 0
        self._gaps: list[list[int]] = []
        self._finished = False

    @property
    def samples(self) -> int:
        """Samples taken in so far, lost ones included."""
        return self._samples

    def feed(self, samples: npt.NDArray[np.float32], start_frame: int | None = None) -> None:
        """Take in the next block, shape (n,) or (n, channels).

        ``start_frame`` is the block's place counted from the start of the recording; if it lies beyond the end of the
        last block, the stretch between was lost.
        """
        for piece in self._banded(samples, start_frame):
            self.take(piece)

    def banded(self, blocks: Iterable[tuple[npt.NDArray[np.float32], int | None]]) -> Iterator[BandedPiece]:
        """Give the pieces that `take` takes in, of blocks as `feed` takes them.

        The bands need nothing of what is heard, so a thread of its own may run ahead with them.
        """
        for samples, start_frame in blocks:
            yield from self._banded(samples, start_frame)

    def take(self, piece: BandedPiece) -> None:
        """Take in the next piece of `banded`."""
        self._samples = piece.samples
        self._take(piece.chunks)

    def _banded(self, samples: npt.NDArray[np.float32], start_frame: int | None) -> Iterator[BandedPiece]:
        block = np.asarray(samples, dtype=np.float32)
        if block.ndim == 1:
            block = block[:, None]
        lost = 0 if start_frame is None else start_frame - self._given
        while lost > 0:
            step = min(lost, 64 * self._plan.chunk_samples)
            self._given, lost = self._given + step, lost - step
            yield BandedPiece(
                self._given, {number: ear.bands.skip(step) for number, ear in self._ears.items()}
            )
        if len(block):
            self._given += len(block)
            chunks = {number: ear.bands.feed(block[:, number]) for number, ear in self._ears.items()}
            yield BandedPiece(self._given, chunks)

    def _take(self, chunks: dict[int, list[Chunk]]) -> None:
        """Take in chunks by channel; a chapter may end among them, and fewer channels then remain."""
        for at in range(len(next(iter(chunks.values())))):
            together = {number: chunks[number][at] for number in self._ears}
            for number, chunk in together.items():
                self._ears[number].take(chunk)
            self._note_gaps(tuple(together.values()))
            self._rest(together.values())
            if next(iter(self._ears.values())).chunks >= self._chapter_chunks():
                self._close_chapter()

    def _rest(self, together: Iterable[Chunk]) -> None:
        """A long stretch without any sound ends the chapter and belongs to none: a clock that fills only a small part of a
        chapter cannot be distinguished from noise.
        """
        self._silent_chunks = 0 if any(chunk.levels.any() for chunk in together) else self._silent_chunks + 1
        if self._silent_chunks < LONG_SILENCE_CHUNKS:
            return
        held = next(iter(self._ears.values())).chunks
        if held > self._silent_chunks:
            self._close_chapter(last=True)
        for ear in self._ears.values():
            ear.forget(held)
        self._first_chunk += held

    def _chapter_chunks(self) -> int:
        # The best of many channels is chosen early, so that they need no more memory than two.
        return CHAPTER_CHUNKS if len(self._ears) <= 2 else 2 * CHAPTER_CHUNKS // len(self._ears)

    def _note_gaps(self, together: tuple[Chunk, ...]) -> None:
        if not all(chunk.silent for chunk in together):
            return
        silent = np.all([(chunk.levels == 0).all(axis=1) for chunk in together], axis=0)
        if not silent.any():
            return
        edges = np.flatnonzero(np.diff(np.concatenate([[0], silent.astype(np.int8), [0]])))
        base = together[0].number * CHUNK_FRAMES
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if self._gaps and self._gaps[-1][1] == base + first:
                self._gaps[-1][1] = base + int(last)
            else:
                self._gaps = [gap for gap in self._gaps if gap[1] - gap[0] >= _LEAST_GAP_FRAMES]
                self._gaps.append([base + int(first), base + int(last)])

    def finish(self) -> Heard:
        """End of the sound: close the last chapter and report everything."""
        if not self._finished:
            self._take({number: ear.bands.finish() for number, ear in self._ears.items()})
            if next(iter(self._ears.values())).chunks:
                self._close_chapter(last=True)
            self._finished = True
        return self._told(self._story)

    def heard_so_far(self) -> Heard:
        """The result if the sound ended with the last whole chunk; the call changes nothing."""
        story = self._copy_of_story()
        channel = self._channel or 0
        if next(iter(self._ears.values())).chunks > 8:
            channel, pieces, others = self._best_heard()
            self._add(story, pieces, others)
        return self._told(story, channel)

    def _copy_of_story(self) -> _Story:
        old = self._story
        return replace(
            old,
            sounds=list(old.sounds),
            drops_again=list(old.drops_again),
            stacked_passages=list(old.stacked_passages),
            voices=dict(old.voices),
            other_intervals_s=list(old.other_intervals_s),
        )

    def _wanted_now(self) -> Wanted:
        """A later chapter is searched where the earlier ones found the clock."""
        if self._story.period_samples is None:
            return self._wanted
        found = self._story.period_samples / self._plan.sample_rate_hz
        shortest, longest = (
            min(self._wanted.shortest_s, 0.9 * found),
            max(self._wanted.longest_s, 1.1 * found),
        )
        return Wanted(found, shortest, longest, heard=True)

    def _close_chapter(self, last: bool = False) -> None:
        chosen, pieces, others = self._best_heard(look_round=self._story.period_samples is None)
        if any(heard.sides for _, heard in pieces) and len(self._ears) > 1:
            self._channel = chosen
            self._ears = {chosen: self._ears[chosen]}
        self._add(self._story, pieces, others)
        if last:
            return
        some = next(iter(self._ears.values()))
        # For a weak clock more sound is kept: a long last chapter matters more than the time that it takes.
        forgotten = some.chunks * 3 // 4 if _weak(pieces) else some.chunks * 7 // 8
        for ear in self._ears.values():
            ear.forget(forgotten)
        self._first_chunk += forgotten

    def _best_heard(
        self, look_round: bool = False
    ) -> tuple[int, list[tuple[int, ChapterHeard]], tuple[OtherClock, ...]]:
        """The channel that hears the clock best in the open chapter, and what it hears."""
        heard = {
            number: hear_pieces(ear.chapter(self._plan.frame_s), self._wanted_now(), look_round=look_round)
            for number, ear in self._ears.items()
        }
        best = max(heard, key=lambda number: _clearness(heard[number][0]))  # the first of equals
        if len(heard) > 1:
            periods = {number: period for number, (pieces, _) in heard.items() if (period := _period(pieces))}
            self._story.other_channels = tuple(
                (number, period * self._plan.hop)
                for number, period in periods.items()
                if best in periods and _another(period / periods[best])
            )
        return best, *heard[best]

    def _add(
        self, story: _Story, pieces: list[tuple[int, ChapterHeard]], others: tuple[OtherClock, ...]
    ) -> None:
        for other in others:
            if all(abs(other.interval_s / known - 1) > 0.01 for known in story.other_intervals_s):
                story.other_intervals_s.append(other.interval_s)
        for first_chunk, heard in pieces:
            self._add_piece(story, heard, self._first_chunk + first_chunk)

    def _add_piece(self, story: _Story, heard: ChapterHeard, first_chunk: int) -> None:
        known = story.period_samples
        story.unsure = not heard.sides and known is None
        if not heard.sides:
            return
        if known is not None and abs(heard.period_frames * self._plan.hop / known - 1) > 0.02:
            return
        story.second_period_s = heard.second_period_s or story.second_period_s
        story.one_sided = len(heard.sides) == 1
        hop, base = self._plan.hop, first_chunk * CHUNK_FRAMES
        numbers = self._numbers(story, heard, base)
        for side, first in zip(heard.sides, numbers, strict=True):
            beats = first + 2 * np.arange(len(side.drop.frame))
            name = "a" if first % 2 == 0 else "b"
            for placed in (side.drop, side.contact):
                if placed is None:
                    continue
                story.sounds.append(self._sounds(placed, beats, base))
                story.voices[name, placed.kind] = _voice(placed, name, self._plan.frame_s)
            again = side.again
            story.drops_again.append(
                DropsAgain(
                    beats[again.row],
                    again.stretch,
                    again.frames * hop,
                    again.sure,
                    beats[again.searched],
                    again.controls,
                )
            )
            story.stacked_passages += [
                SegmentPassage(
                    name,
                    int(beats[part.first_row]),
                    int(beats[part.last_row]),
                    part.passage_frames * hop,
                    part.uncertainty_frames * hop,
                    part.lead_frames * hop,
                )
                for part in side.together
            ]
        story.period_samples = heard.period_frames * hop
        if len(heard.sides) == 2:
            self._weigh(story, heard, numbers[0] % 2 == 0)

    def _weigh(self, story: _Story, heard: ChapterHeard, first_is_a: bool) -> None:
        """Update the other accounts: the evidence of one chapter counts for all, because it is the same clock."""
        hop = self._plan.hop
        told = []
        for rival in heard.rivals:
            passages = [None if passage is None else passage * hop for passage in rival.passages]
            account = OtherAccount(rival.share, rival.later * hop, (passages[0], passages[1]))
            told.append(account if first_is_a else account.turned())
        if story.other_accounts is None:
            story.other_accounts = told
            return
        kept = []
        for known in story.other_accounts:
            like = [account.share for account in told if account.like(known, _ALIKE_FRAMES * hop)]
            if like:
                kept.append(replace(known, share=min(known.share, max(like))))
        story.other_accounts = kept

    def _sounds(self, placed: Placed, beats: npt.NDArray[np.int64], base: int) -> HeardSounds:
        rows = np.flatnonzero(placed.usable)
        middle = self._plan.frame_middle_s * self._plan.sample_rate_hz
        return HeardSounds(
            beats[rows],
            np.full(len(rows), placed.kind),
            (base + placed.frame[rows]) * self._plan.hop + middle,
            placed.level_db[rows],
            placed.evidence[rows],
            placed.certain[rows],
            np.full(len(rows), placed.edge_uncertainty * self._plan.hop),
            np.full(len(rows), placed.softer_before * self._plan.hop),
            np.tile(placed.choices * self._plan.hop, (len(rows), 1)),
        )

    def _numbers(self, story: _Story, heard: ChapterHeard, base: int) -> list[int]:
        """Number of the first beat of each side, continued from the earlier chapters."""
        places = [typical_start(side, heard.period_frames) for side in heard.sides]
        half = heard.period_frames / 2
        rows_ahead = 0
        if len(places) == 2:
            # Rows by which the second side's first row is ahead of the beat that follows the first; negative if it is later.
            rows_ahead = int(np.ceil((places[0] - places[1]) / heard.period_frames))
        if story.period_samples is None:
            first = 0
            if len(places) == 2:
                # Side a is the side of the first beat heard.
                starts = [first_heard(side) for side in heard.sides]
                first = 0 if starts[0] <= starts[1] else 1
            story.anchor_sample = (base + places[0]) * self._plan.hop
            story.anchor_beat = first
        else:
            away = ((base + places[0]) * self._plan.hop - story.anchor_sample) / (half * self._plan.hop)
            first = story.anchor_beat + round(away)
            # Their sounds are compared only where the phase does not distinguish the sides.
            if abs(away - round(away)) > 0.15 and sides_are_swapped(story.voices, heard, first):
                first += 1 if away > round(away) else -1
            story.anchor_sample = (base + places[0]) * self._plan.hop
            story.anchor_beat = first
        numbers = [first]
        if len(places) == 2:
            numbers.append(first + 1 - 2 * rows_ahead)
        return numbers

    def _told(self, story: _Story, channel: int | None = None) -> Heard:
        if channel is None:
            channel = self._channel or 0
        ear = self._ears[channel]
        hop = self._plan.hop
        sounds, again = HeardSounds.joined(story.sounds), DropsAgain.joined(story.drops_again)
        heard_beats = sounds.beat[sounds.certain & (sounds.kind == "drop")]
        odd = bool(len(heard_beats)) and int(heard_beats[0]) % 2 == 1
        if odd:
            # Side a is the side of the first beat heard, also where an earlier piece was found after a later one.
            sounds = replace(sounds, beat=sounds.beat - 1)
            again = replace(again, beat=again.beat - 1, searched=again.searched - 1)
        drops = sounds.level_db[(sounds.kind == "drop") & sounds.certain]
        gaps = [(first * hop, min(last * hop + 2 * hop, self._samples)) for first, last in self._gaps]
        return Heard(
            samples=self._samples,
            sample_rate_hz=self._plan.sample_rate_hz,
            channel=channel,
            channels=self._channels,
            period_samples=story.period_samples,
            sounds=sounds,
            stacked_passages=tuple(_turned(part, odd) for part in story.stacked_passages),
            voices=tuple(_turned(voice, odd) for voice in story.voices.values()),
            gaps=tuple(gap for gap in gaps if gap[1] - gap[0] >= _LEAST_GAP_FRAMES * hop),
            other_intervals_s=tuple(story.other_intervals_s),
            second_period_s=story.second_period_s,
            other_channels=story.other_channels,
            one_sided=story.one_sided,
            unsure=story.unsure,
            drops_again=again,
            other_accounts=tuple(
                account.turned() if odd else account for account in story.other_accounts or ()
            ),
            clipped_samples=ear.clipped,
            bad_samples=ear.bad,
            peak=ear.peak,
            standing_db=float(np.median(drops)) if len(drops) else None,
        )


def _turned(part: Sided, odd: bool) -> Sided:
    """The same with the sides exchanged, if ``odd``."""
    return replace(part, side="b" if part.side == "a" else "a") if odd else part


def _period(pieces: list[tuple[int, ChapterHeard]]) -> float | None:
    """The period (frames) of a clock with both sides heard; None without one."""
    found = [heard.period_frames for _, heard in pieces if len(heard.sides) == 2]
    return float(np.median(found)) if found else None


def _another(ratio: float) -> bool:
    """Whether two periods belong to two clocks: different, and neither two or three times the other (one clock misheard)."""
    multiple = max(ratio, 1 / ratio)
    return multiple > 3.5 or abs(multiple / round(multiple) - 1) > ANOTHER_PERIOD


def _weak(pieces: list[tuple[int, ChapterHeard]]) -> bool:
    """Whether contacts were heard only in the stack of all beats, or a good part of the drops not at all."""
    sides = [side for _, heard in pieces for side in heard.sides]
    return not sides or any(side.together or side.drop.share < 0.9 for side in sides)


def _clearness(pieces: list[tuple[int, ChapterHeard]]) -> float:
    """How well a channel hears the clock: evidence of the drops, limited so that one bang does not decide."""
    evidence = [float(np.median(side.drop.evidence)) for _, heard in pieces for side in heard.sides]
    return 1.0 + float(np.mean(evidence)) if evidence else 0.0


def _voice(placed: Placed, side: str, frame_s: float) -> VoiceProfile:
    beats = int(np.count_nonzero(placed.certain))
    begins_s, floor = -(BEFORE + placed.edge) * frame_s, tuple(map(float, placed.floor))
    return VoiceProfile(side, placed.kind, frame_s, begins_s, placed.profile, beats, floor)
