"""Clock, room and recorder together: a recording with known truth, block by block and in bounded memory."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from torsionbeat.errors import InputError
from torsionbeat.twin import grains
from torsionbeat.twin.clock import TwinClock
from torsionbeat.twin.noises import Hum, Pink, Rain, White
from torsionbeat.twin.parts import BeatShift, CaseKnock, DriveChange, Halt
from torsionbeat.twin.recorder import Recorder, SignalPath
from torsionbeat.twin.room import Room
from torsionbeat.twin.truth import Events, Truth
from torsionbeat.twin.voices import VOICES, VoiceSet
from torsionbeat.whole_files import written_whole

__all__ = ["Rendering", "simulate"]

CHUNK = 1 << 16  # samples made at a time, whatever the block size
LONGEST_S = 400 * 3600.0  # more than two weeks: the longest that a restorer waits


class Rendering:
    """A simulated recording: its sound, rendered on demand, and its truth.

    Attributes
    ----------
    truth : Truth
        Beats and sounds of the clock; both are empty without a clock.
    frames : int
        Number of samples per channel in the recording.
    sample_rate_hz : int
        The stated rate.
    """

    def __init__(
        self,
        clock: TwinClock | None,
        room: Room,
        recorder: Recorder,
        duration_s: float,
        seed: int,
        second_clock: TwinClock | None = None,
    ) -> None:
        if not 0 < duration_s <= LONGEST_S:
            raise InputError(
                f"a duration of {duration_s:g} s cannot be simulated: give more than 0 and at most 400 hours."
            )
        self.clock, self.room, self.recorder = clock, room, recorder
        self.duration_s, self.seed, self.second_clock = duration_s, seed, second_clock
        self.sample_rate_hz, self.channels = recorder.sample_rate_hz, recorder.channels
        nothing = np.empty(0)
        silent = Events(nothing, nothing, nothing.astype("<U1"), nothing.astype("<U9"), nothing)
        beats, events = clock.run(duration_s, seed) if clock else ((), silent)
        self.other_events = second_clock.run(duration_s, seed + 7919)[1] if second_clock else silent
        made_with = {
            "seed": seed,
            "clock": dataclasses.asdict(clock) if clock else None,
            "second_clock": dataclasses.asdict(second_clock) if second_clock else None,
            "room": dataclasses.asdict(room),
            "recorder": dataclasses.asdict(recorder),
        }
        self.truth = Truth(beats, events, duration_s, made_with, _sudden(clock, recorder, duration_s))
        rate = recorder.true_rate_hz
        self._true_frames = round(duration_s * rate)
        self._losses = [
            (round(a * rate), min(round(b * rate), self._true_frames)) for a, b in sorted(recorder.losses)
        ]
        self.frames = self._true_frames - sum(max(b - a, 0) for a, b in self._losses)

    def other_ticks_s(self, number: int = 0) -> NDArray[np.float64]:
        """True times of the ticks of one of the room's other clocks, shape (ticks,)."""
        times: list[float] = []
        for time_s, _side in self.room.others[number].times_s(np.random.default_rng([self.seed, 20, number])):
            if time_s >= self.duration_s:
                break
            times.append(time_s)
        return np.array(times)

    def blocks(self, frames: int = 48_000) -> Iterator[NDArray[np.float32]]:
        """The sound in blocks of `frames` samples (the last may be shorter).

        Each block is float32 of shape (frames,), or (frames, 2) with two channels, within -1 to 1 and already
        rounded to the recorder's bits. The samples do not depend on the block size.

        Raises
        ------
        InputError
            The block size is zero.
        """
        if frames < 1:
            raise InputError(f"a block of {frames} frames is too short: ask for 1 or more.")
        pending: list[NDArray[np.float32]] = []
        count = 0
        for chunk in self._chunks():
            pending.append(chunk)
            count += len(chunk)
            if count < frames:
                continue
            joined = pending[0] if len(pending) == 1 else np.concatenate(pending)
            whole = count - count % frames
            for start in range(0, whole, frames):
                yield joined[start : start + frames]
            pending, count = [joined[whole:]], count - whole
        if count:
            yield np.concatenate(pending)

    def samples(self) -> NDArray[np.float32]:
        """The whole sound at once; for short recordings."""
        return np.concatenate(list(self.blocks(CHUNK)))

    def write(
        self,
        path: str | Path,
        *,
        with_truth: bool = True,
        on_progress: Callable[[float], None] | None = None,
    ) -> Path:
        """Write the sound (.flac, .wav or .ogg, by the ending) and the truth beside it.

        The file appears under its name only when it is complete. `on_progress` is called with the share done, 0 to 1.

        Parameters
        ----------
        path : str or Path
        with_truth : bool
            Write the truth beside it.
        on_progress : callable, optional
            Called with the share done, 0 to 1.

        Returns
        -------
        Path
            The sound's path; the truth is at its ``.truth.json`` and ``.truth.csv``.

        Raises
        ------
        InputError
            Unknown ending, missing folder, or full disk.
        """
        import soundfile

        path = Path(path)
        formats = {".flac": "FLAC", ".wav": "WAV", ".ogg": "OGG"}
        kind = formats.get(path.suffix.lower())
        if kind is None:
            raise InputError(
                f"{path.name}: cannot write this kind of file; end the name in {', '.join(formats)}."
            )
        if not path.parent.is_dir():
            raise InputError(f"cannot write {path}: there is no folder {path.parent}; make it first.")
        lossy = kind == "OGG"
        subtype = "VORBIS" if lossy else f"PCM_{self.recorder.bits}"
        scale, dtype = (2**15, np.int16) if self.recorder.bits == 16 else (2**31, np.int32)
        done = 0
        try:
            with (
                written_whole(path) as part,
                soundfile.SoundFile(
                    part, "w", self.sample_rate_hz, self.channels, subtype=subtype, format=kind
                ) as file,
            ):
                for block in self.blocks(4096 if lossy else CHUNK):  # long Vorbis blocks overflow its stack
                    file.write(block if lossy else (block.astype(np.float64) * scale).astype(dtype))
                    done += len(block)
                    if on_progress:
                        on_progress(done / self.frames)
            if with_truth:
                self.truth.save(path)
        except (OSError, soundfile.LibsndfileError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise InputError(
                f"cannot write {path}: {reason.rstrip('.')}. Nothing was kept; "
                "choose a folder that exists and has room."
            ) from error
        return path

    def _chunks(self) -> Iterator[NDArray[np.float32]]:
        """The recording in pieces of CHUNK samples, without the lost samples."""
        rate, recorder, room = self.recorder.true_rate_hz, self.recorder, self.room
        noises = [_noises(room, rate, self.seed, channel) for channel in range(self.channels)]
        hum = Hum(room.hum_rms, room.hum_hz, rate) if room.hum_rms else None
        echo = grains.Echo(room.wetness, room.echo_decay_s, rate, np.random.default_rng([self.seed, 10]))
        clocks = [grains.Mixer(map(echo, self._clock_grains(rate)))] if self.clock else []
        around = [grains.Mixer(map(echo, source)) for source in self._room_grains(rate)]
        path = SignalPath(recorder)
        second = np.float32(10 ** (recorder.second_channel_db / 20))
        place = 0
        while place < self._true_frames:
            count = min(CHUNK, self._true_frames - place)
            clock_sound, room_sound = np.zeros((2, count), dtype=np.float32)
            for mixer in clocks:
                mixer.add_to(clock_sound, place)
            for mixer in around:
                mixer.add_to(room_sound, place)
            if hum:
                room_sound += hum.take(count)
            heard = np.empty((count, self.channels), dtype=np.float32)
            for channel in range(self.channels):
                heard[:, channel] = room_sound + clock_sound * (second if channel else np.float32(1))
                for noise in noises[channel]:
                    heard[:, channel] += noise.take(count)
            taken = path.take(heard, place)
            for start, end in reversed(self._losses):
                low, high = max(start - place, 0), min(end - place, count)
                if low < high:
                    taken = np.delete(taken, slice(low, high), axis=0)
            place += count
            if len(taken):
                yield taken[:, 0] if self.channels == 1 else taken

    def _clock_grains(self, rate: float) -> Iterator[grains.Grain]:
        assert self.clock is not None
        return grains.ticks(
            _sounds(self.clock, self.truth.events), rate, np.random.default_rng([self.seed, 3])
        )

    def _room_grains(self, rate: float) -> Iterator[Iterator[grains.Grain]]:
        room = self.room

        def rng(*stream: int) -> np.random.Generator:
            return np.random.default_rng([self.seed, *stream])

        if room.talk:
            yield grains.talk(room.talk.per_hour, room.talk.peak, rate, rng(11))
        if room.bangs:
            yield grains.bangs(room.bangs.per_hour, room.bangs.peak, rate, rng(12))
        if room.drips:
            yield grains.drips(room.drips.interval_s, room.drips.peak, rate, rng(13))
        if room.fire:
            yield grains.sparks(room.fire.per_s, room.fire.peak, rate, rng(14))
        if self.second_clock:
            yield grains.ticks(_sounds(self.second_clock, self.other_events), rate, rng(15))
        drop_peak = self.clock.voices.drop_peak if self.clock else VoiceSet().drop_peak
        for number, other in enumerate(room.others):
            peak = drop_peak * 10 ** (other.level_db / 20)
            voices = (VOICES[other.tick], VOICES[other.tock])
            sounds = ((time_s, voices[side], peak) for time_s, side in other.times_s(rng(20, number)))
            yield grains.ticks(sounds, rate, rng(21, number))
        knocks = [c for c in self.clock.changes if isinstance(c, CaseKnock)] if self.clock else []
        loud = rng(16)
        yield iter(
            [
                (int(c.at_s * rate), grains.bang(c.peak, 0.03, rate, loud))
                for c in sorted(knocks, key=lambda c: c.at_s)
            ]
        )


def _sounds(clock: TwinClock, events: Events) -> Iterator[tuple[float, Any, float]]:
    for time_s, side, kind, level in zip(
        events.time_s, events.side, events.kind, events.level_db, strict=True
    ):
        yield float(time_s), VOICES[clock.voices.name(str(kind), str(side))], 10 ** (float(level) / 20)


def _noises(room: Room, rate: float, seed: int, channel: int) -> list[White | Pink | Rain]:
    """The steady noise of one channel."""
    sources: list[White | Pink | Rain] = []
    if room.pink_rms:
        sources.append(Pink(room.pink_rms, rate, np.random.default_rng([seed, 4, channel])))
    if room.white_rms:
        sources.append(White(room.white_rms, np.random.default_rng([seed, 5, channel])))
    if room.rain_rms:
        sources.append(Rain(room.rain_rms, rate, np.random.default_rng([seed, 6, channel])))
    return sources


def _sudden(clock: TwinClock | None, recorder: Recorder, duration_s: float) -> tuple[tuple[float, str], ...]:
    found: list[tuple[float, str]] = []
    for change in clock.changes if clock else ():
        if isinstance(change, DriveChange):
            found.append((change.at_s, f"drive set to {change.factor:g} of its strength"))
        elif isinstance(change, BeatShift):
            found.append((change.at_s, f"beat shifted by {change.by_deg:g} deg"))
        elif isinstance(change, Halt):
            found.append((change.at_s, "balance held"))
        else:
            found.append((change.at_s, "knock against the case"))
    found += [(start, f"digital silence until {end:g} s") for start, end in recorder.silences]
    found += [(start, f"recording lost until {end:g} s") for start, end in recorder.losses]
    return tuple(sorted(one for one in found if one[0] < duration_s))


def simulate(
    clock: TwinClock | None,
    room: Room | None = None,
    recorder: Recorder | None = None,
    duration_s: float = 600.0,
    seed: int = 0,
    *,
    second_clock: TwinClock | None = None,
) -> Rendering:
    """Record a simulated clock in a simulated room.

    Parameters
    ----------
    clock : TwinClock or None
        None: a room without a clock.
    room, recorder : Room, Recorder
        Defaults: a quiet room, a 16-bit recorder of 48 kHz.
    duration_s : float
        Length in true seconds.
    seed : int
        The same seed gives the same samples.
    second_clock : TwinClock, optional
        Another torsion clock in the room; its loudness is its own `voices.drop_peak`.

    Examples
    --------
    >>> made = simulate(TwinClock(), duration_s=120, seed=1)
    >>> made.frames, len(made.truth.beats), len(made.truth.events)
    (5760000, 4, 8)
    """
    return Rendering(clock, room or Room(), recorder or Recorder(), duration_s, seed, second_clock)
