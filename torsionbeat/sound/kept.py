"""Reading a recording folder like a file: its FLAC files in order, each stretch at its place.

Input: a folder that ``Keeper`` wrote, ended or not, whole or damaged. Output: blocks with gaps as jumps in
``start_frame``, the journal's timebase, and the stretches that were heard but not kept. Nothing on the disk is
changed. Where only the sound around the beats was kept, `with_room_tone` fills the time between them with room sound:
short grains of the sound just before each kept beat, taken at random and overlapped with constant power. Stretches of
lost sound are not filled, and no grain contains a sound of the clock.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.sound.block import Block, Samples
from torsionbeat.sound.journal import JOURNAL_NAME, read_journal
from torsionbeat.sound.remarks import Remark, as_remark, clock_remarks, gap_remarks, timebase_remarks
from torsionbeat.sound.soundfiles import SoundFileReader, sound_file_reader
from torsionbeat.sound.timebase import Timebase

__all__ = ["KeptReader", "is_kept", "readable_frames", "with_room_tone"]

QUIET_S = 0.25
"""Length of the beginning of each kept stretch that precedes the first sound of its beat."""

GRAIN_S = 0.06
"""Long enough for the rumble of a room (some 17 Hz), short enough that many fit into the quiet beginning."""

MEMORY = 8
"""Number of latest stretches that supply grains: the room changes during a night."""

PIECE_S = 5.0
"""Length of a piece of room sound: a few MB of memory."""

LONGEST_AFTER_S = 600.0
"""Longest time of sound after the last clock row, which comes every second: the journal may have lost its end."""

LONGEST_UNTIMED_S = 86_400.0
"""The same without any clock row: a day; one damage does not lose the whole journal of a longer recording."""


def is_kept(folder: Path) -> bool:
    """Whether a folder looks like a recording."""
    return (folder / JOURNAL_NAME).exists() or any(folder.glob("sound-*.flac"))


def readable_frames(path: Path) -> int:
    """Count the frames of a sound file by reading it, whatever its header says; 0 if it cannot be opened."""
    reader = _opened(path)
    return 0 if reader is None else sum(len(b.samples) for b in reader.blocks(262144, lambda _: None))


def _opened(path: Path) -> SoundFileReader | None:
    import soundfile

    try:
        return sound_file_reader(path)
    except (soundfile.SoundFileError, TypeError):
        return None


class KeptReader:
    """One recording folder.

    Raises
    ------
    InputError
        The folder holds nothing that can be read.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = journal = read_journal(folder / JOURNAL_NAME)
        # reading anything but a plain file (a pipe, say) could block for ever
        self.files = sorted(path for path in folder.glob("sound-*.flac") if path.is_file())
        first = next((reader for path in self.files if (reader := _opened(path))), None)
        if journal.begun is not None:
            self.sample_rate_hz = float(journal.begun["sample_rate_hz"])
            self.channels = int(journal.begun["channels"])
            self.keeps = str(journal.begun["keeps"])
        elif first is not None:
            self.sample_rate_hz, self.channels, self.keeps = first.sample_rate_hz, first.channels, "sound"
        else:
            raise InputError(
                f"{folder} holds neither a journal nor sound that can be read; nothing is left of it"
            )
        if first is None:
            why = "figures only were kept" if self.keeps == "figures" else "no sound was kept"
            raise InputError(
                f"{folder} holds no sound that can be read: {why}; record again and keep the sound"
            )
        self.frames_stated = journal.ended_frame
        self.timebase: Timebase | None = journal.timebase(self.sample_rate_hz)
        self.begun_utc_ns = journal.begun_utc_ns(self.sample_rate_hz)
        self.recorder = journal.recorder
        self._last_place = self._last_plausible()
        self.not_kept = tuple(self._left_out()) if self.keeps == "beats" else ()
        self.header_remarks = self._remarks()

    def _places(self, path: Path, after: int) -> list[tuple[int, int]]:
        """(file_frame, start_frame) pairs of a file: the journal's, else its own tag's, else ``after``."""
        places = [place for place in self.journal.sound.get(path.name, []) if place[1] <= self._last_place]
        if places and places[0][0] == 0:
            return places
        import soundfile

        with soundfile.SoundFile(path) as file:
            tag = re.fullmatch(r"start_frame=(\d{1,15})", file.comment)
        start = after if tag is None or int(tag[1]) > self._last_place else int(tag[1])
        return [(0, start), *places]

    def _last_plausible(self) -> int:
        """The last possible frame of sound: some time after the last clock row.

        A place beyond it is a damaged line: the stretch before it would be read as days of silence.
        """
        rows = self.journal.clock_rows()
        last = int(rows[:, 1].max()) if len(rows) else 0
        return last + round((LONGEST_AFTER_S if len(rows) else LONGEST_UNTIMED_S) * self.sample_rate_hz)

    def blocks(self, frames: int, remark: Callable[[str], None]) -> Iterator[Block]:
        """Yield the sound from the start of the recording, always forward in time."""
        position = 0
        for path in self.files:
            reader = _opened(path)
            if reader is None or (reader.channels, reader.sample_rate_hz) != (
                self.channels,
                self.sample_rate_hz,
            ):
                remark(Remark("file-unreadable", f"{path.name} cannot be read and counts as a gap."))
                continue
            places = self._places(path, position)
            tell = _prefixed(remark, path.name)
            for block in reader.blocks(frames, tell):
                for piece in _placed(block, places):
                    if piece.start_frame < position:
                        remark(
                            Remark(
                                "sound-out-of-place",
                                f"{path.name} holds sound at a place that is taken; it was left out.",
                            )
                        )
                        continue
                    position = piece.stop_frame
                    yield piece

    def _left_out(self) -> Iterator[tuple[int, int]]:
        """Stretches that were heard but not kept: neither in a gap nor in a file, even one that is now missing.

        After the last sound of an interrupted recording it is not known what was kept.
        """
        taken = [(start, stop) for start, stop, _ in self.journal.gaps]
        here = {path.name: path for path in self.files}
        for name in sorted(here.keys() | self.journal.sound.keys()):
            places = self.journal.sound.get(name, [])
            frames = self.journal.closed.get(name)
            if frames is None:
                frames = readable_frames(here[name]) if name in here else 0
            stops = [file_frame for file_frame, _ in places[1:]] + [frames]
            taken += [
                (start, start + min(stop, frames) - file_frame)
                for (file_frame, start), stop in zip(places, stops, strict=True)
                if file_frame < frames
            ]
        position = 0
        for start, stop in sorted(taken):
            if start > position:
                yield position, start
            position = max(position, stop)
        if self.journal.ended_frame is not None and self.journal.ended_frame > position:
            yield position, self.journal.ended_frame

    def _remarks(self) -> list[Remark]:
        journal, rate = self.journal, self.sample_rate_hz
        remarks: list[Remark] = []
        if journal.begun is None:
            remarks.append(
                Remark(
                    "journal-begin-lost",
                    "The journal's first line is lost; sample rate and channels were taken from the sound.",
                )
            )
        if journal.lines_lost:
            remarks.append(
                Remark(
                    "journal-lines-lost",
                    f"{journal.lines_lost} lines of the journal cannot be read; the rest was used.",
                )
            )
        if journal.stopped is not None:
            remarks.append(
                Remark("recording-stopped", f"The recording stopped before its time: {journal.stopped}.")
            )
        elif journal.ended_frame is None:
            remarks.append(
                Remark(
                    "recording-not-ended",
                    "The recording was not ended properly, or is still running; what is there was read.",
                )
            )
        if any(start > self._last_place for places in journal.sound.values() for _, start in places):
            remarks.append(
                Remark(
                    "place-that-cannot-be",
                    "The journal puts sound where the recording had long ended; it was read where it follows.",
                )
            )
        missing = sorted(set(journal.sound) - {path.name for path in self.files})
        if missing:
            remarks.append(
                Remark(
                    "files-missing", f"Missing from the folder, which counts as a gap: {', '.join(missing)}."
                )
            )
        remarks += gap_remarks(journal.gaps, rate)
        if self.keeps == "beats":
            left_out_s = sum(stop - start for start, stop in self.not_kept) / rate
            remarks.append(
                Remark(
                    "beats-only-kept",
                    f"Only the sound around the beats was kept. The other {_length(left_out_s)} were heard at the time but are "
                    "not here: room sound stands for them, and they are no gaps.",
                )
            )
        remarks += clock_remarks([step_s for _, step_s in journal.clock_steps])
        if self.timebase is not None:
            remarks += timebase_remarks(self.timebase, rate, journal.doubled_frames)
        return remarks


def _length(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _placed(block: Block, places: list[tuple[int, int]]) -> Iterator[Block]:
    """Cut a block counted in frames of its file where the file jumps, and move the pieces to their places."""
    ends = [file_frame for file_frame, _ in places[1:]] + [block.stop_frame]
    for (file_frame, start_frame), end in zip(places, ends, strict=True):
        low, high = max(block.start_frame, file_frame), min(block.stop_frame, end)
        if low < high:
            samples = block.samples[low - block.start_frame : high - block.start_frame]
            yield Block(start_frame + low - file_frame, samples)


def _prefixed(remark: Callable[[str], None], name: str) -> Callable[[str], None]:
    return lambda sentence: remark(Remark(as_remark(sentence).code, f"{name}: {sentence}"))


def with_room_tone(
    blocks: Iterable[Block], not_kept: tuple[tuple[int, int], ...], sample_rate_hz: float
) -> Iterator[Block]:
    """Put room sound into the stretches ``not_kept`` (start, stop in frames, in order); seeded, so always the same.

    Parameters
    ----------
    blocks : iterable of Block
        In order of time.
    not_kept : tuple of (int, int)
        Stretches (start, stop) in frames, in order.
    sample_rate_hz : float
        Samples a second.
    """
    waiting = list(reversed(not_kept))
    rooms: list[Samples] = []
    generator = np.random.default_rng(1)
    position = 0
    for block in blocks:
        if block.start_frame > position:
            quiet = block.samples[: int(QUIET_S * sample_rate_hz)]
            if len(quiet) >= 2 * int(GRAIN_S * sample_rate_hz):
                rooms = [*rooms[1 - MEMORY :], quiet]
            while waiting and waiting[-1][0] < block.start_frame:
                start, stop = waiting.pop()
                start, stop = max(start, position), min(stop, block.start_frame)
                if rooms and stop > start:
                    yield from _tone(start, stop, rooms, generator, sample_rate_hz)
        position = block.stop_frame
        yield block
    for start, stop in reversed(waiting):
        if rooms and stop > max(start, position):
            yield from _tone(max(start, position), stop, rooms, generator, sample_rate_hz)


def _tone(
    start: int, stop: int, rooms: list[Samples], generator: np.random.Generator, sample_rate_hz: float
) -> Iterator[Block]:
    """Grains with sine-shaped flanks, each beginning half a grain after the last, so that the total power is constant."""
    half = int(GRAIN_S * sample_rate_hz / 2)
    rise = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half)).astype(np.float32)[:, None]
    most = max(int(PIECE_S * sample_rate_hz) // half, 1)
    sources = np.concatenate([room[: min(map(len, rooms))] for room in rooms])
    length = min(map(len, rooms))
    tail = np.zeros((half, sources.shape[1]), np.float32)
    while start < stop:
        count = min(most, (stop - start) // half + 2)
        first = generator.integers(0, length - 2 * half, count) + length * generator.integers(
            0, len(rooms), count
        )
        grains = sources[first[:, None] + np.arange(2 * half)[None, :]] * rise[None]
        sound = grains[:, :half].copy()
        sound[0] += tail
        sound[1:] += grains[:-1, half:]
        tail = grains[-1, half:]
        samples = sound.reshape(-1, sources.shape[1])[: stop - start]
        yield Block(start, samples)
        start += len(samples)
