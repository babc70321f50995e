"""Sound files that libsndfile decodes, read block by block, past any damage.

Input: a path. Output: blocks of float32 samples as decoded, neither normalised nor resampled. A stretch that
cannot be decoded becomes a jump in ``start_frame`` and a remark. libsndfile reports damage only by an error from
the read that met it. Sound behind it is found by seeking, and in FLAC by the frames' own headers, which is exact
and does not depend on the length that the file states.
"""

from __future__ import annotations

import contextlib
import itertools
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from torsionbeat.sound.block import Block
from torsionbeat.sound.flacframes import FlacFrames
from torsionbeat.sound.remarks import Remark
from torsionbeat.sound.timebase import Timebase
from torsionbeat.sound.unfinished import SplicedFile, finished

__all__ = ["SoundFileReader", "sound_file_reader"]

PROBE_FRAMES = 512
"""Frames read at a time near damage; the loss is known to within this many."""

LARGEST_STEP_FRAMES = 1 << 34
"""Damage is not searched further than this: nearly five hours at 1 MHz, more than two days at 96 kHz."""

MOST_HOLES_TOLD = 5
"""Largest number of sentences, as nobody reads more; the rest is given as a total."""
MOST_FRAMES_TRIED = 20_000
"""Half an hour of FLAC frames of 4096 samples: damage is not searched further."""

PLAUSIBLE_FRAMES = 1 << 35
"""A header that states more frames was never finished: FLAC then writes all ones or zero."""


class SoundFileReader:
    """One sound file as libsndfile reads it.

    Parameters
    ----------
    path : Path
        A file that exists.

    Raises
    ------
    soundfile.LibsndfileError or TypeError
        libsndfile cannot open it.
    """

    timebase: Timebase | None = None
    not_kept: tuple[tuple[int, int], ...] = ()
    begun_utc_ns: int | None = None
    recorder = ""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._finished = finished(path)
        with self._opened() as file:
            self.sample_rate_hz = float(file.samplerate)
            self.channels = int(file.channels)
            self.frames_stated = file.frames if 0 <= file.frames < PLAUSIBLE_FRAMES else None
            self._lossy = file.format in ("OGG", "MP3", "MPEG")
            self.header_remarks = _header_remarks(file)
        if self._finished is not None:
            *_, there, stated = self._finished
            unfinished = Remark(
                "header-unfinished",
                f"The file's header was never finished: it states {stated} bytes of sound, and {there} are "
                "there; all of them were read.",
            )
            damaged = Remark(
                "header-damaged",
                "A part of the file's header claims more than the file holds; the sound behind it was read.",
            )
            self.header_remarks = [unfinished if there > stated else damaged]

    def _opened(self, spliced: SplicedFile | None = None) -> Any:
        """The file, or its spliced form, open at its start."""
        import soundfile

        if spliced is None and self._finished is not None:
            header, offset, length, _ = self._finished
            spliced = SplicedFile(header, self.path, offset, length)
        return soundfile.SoundFile(self.path if spliced is None else spliced)

    def _opened_at(self, position: int) -> tuple[Any, int]:
        """The file open at a frame or somewhat before it, and the frame where it is open."""
        file = self._opened()
        file.seek(position)
        return file, position

    def blocks(self, frames: int, remark: Callable[[str], None]) -> Iterator[Block]:
        """Yield the file from its start; ``remark`` receives a sentence on each unreadable part."""
        import soundfile

        position = 0
        holes: list[int] = []
        file = self._opened()
        try:
            while True:
                try:
                    samples = file.read(frames, dtype="float32", always_2d=True)
                except soundfile.SoundFileRuntimeError:
                    file.close()
                    for block in self._readable_from(position):
                        yield block
                        position = block.stop_frame
                    found = self._next_readable(position)
                    if found is None:
                        self._tell_end(position, True, remark)
                        return
                    holes.append(found - position)
                    if len(holes) <= MOST_HOLES_TOLD:
                        remark(
                            Remark(
                                "stretch-damaged",
                                f"The file is damaged: {self._seconds(found - position)} at "
                                f"{self._seconds(position)} from the start could not be read and counts as a gap.",
                            )
                        )
                    file, position = self._opened_at(found)
                    continue
                if not len(samples):
                    self._tell_end(position, False, remark)
                    return
                yield Block(position, samples)
                position += len(samples)
        finally:
            file.close()
            rest = holes[MOST_HOLES_TOLD:]
            if rest:
                remark(
                    Remark(
                        "more-damaged-stretches",
                        f"{len(rest)} more damaged stretches come to {self._seconds(sum(rest))}.",
                    )
                )

    def _readable_from(self, position: int) -> Iterator[Block]:
        """Yield small blocks from ``position`` up to the damage."""
        import soundfile

        try:
            file, at = self._opened_at(position)
            with file:
                while len(samples := file.read(PROBE_FRAMES, dtype="float32", always_2d=True)):
                    fresh = samples[max(position - at, 0) :]
                    at += len(samples)
                    if len(fresh):
                        yield Block(at - len(fresh), fresh)
        except soundfile.SoundFileRuntimeError:
            return

    def _next_readable(self, damaged: int) -> int | None:
        """The first frame after ``damaged`` from which reading works, to within ``PROBE_FRAMES``, or None."""
        if self.frames_stated and damaged + PROBE_FRAMES >= self.frames_stated:
            return None
        last = (self.frames_stated or damaged + LARGEST_STEP_FRAMES) - PROBE_FRAMES
        low, step = damaged, PROBE_FRAMES
        while not self._reads_at(high := min(damaged + step, last)):
            if high >= last:
                return None
            low, step = high, 2 * step
        while high - low > PROBE_FRAMES:
            middle = (low + high) // 2
            if self._reads_at(middle):
                high = middle
            else:
                low = middle
        return high

    def _reads_at(self, position: int) -> bool:
        return next(self._readable_from(position), None) is not None

    def _tell_end(self, position: int, broken: bool, remark: Callable[[str], None]) -> None:
        stated = self.frames_stated
        if stated is not None and position < stated and self._lossy:
            remark(
                Remark(
                    "file-short-of-stated",
                    f"{self._seconds(stated - position)} of the {self._seconds(stated)} that the file should "
                    "hold are missing, at its end or where it is damaged; sound after the damage may stand too "
                    "early by that.",
                )
            )
        elif stated is not None and position < stated:
            remark(
                Remark(
                    "file-ends-early",
                    f"The file ends early: {self._seconds(position)} could be read of the "
                    f"{self._seconds(stated)} that its header states.",
                )
            )
        elif broken or stated is None:
            remark(
                Remark(
                    "file-unfinished",
                    f"The file was never finished; {self._seconds(position)} could be read.",
                )
            )

    def _seconds(self, frames: int) -> str:
        return f"{frames / self.sample_rate_hz:.3f} s"


class FlacReader(SoundFileReader):
    """A FLAC file: damage is skipped by the frames' own headers, without any seeking."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._frames = FlacFrames(path)
        self.frames_stated = self._frames.stated if 0 < self._frames.stated < PLAUSIBLE_FRAMES else None

    def _opened(self, spliced: SplicedFile | None = None) -> Any:
        import soundfile

        class Sequential(soundfile.SoundFile):  # type: ignore[misc]
            """soundfile seeks after every read; behind a splice the frames' numbers would mislead it."""

            def seekable(self) -> bool:
                return False

        return Sequential(self.path if spliced is None else spliced)

    def _opened_at(self, position: int) -> tuple[Any, int]:
        frame = self._frames.last_until(position)
        return (
            (self._opened(), 0)
            if frame is None
            else (self._opened(self._frames.spliced(frame)), frame.sample)
        )

    def _next_readable(self, damaged: int) -> int | None:
        for frame in itertools.islice(self._frames.after(damaged - 1), MOST_FRAMES_TRIED):
            if self._reads_at(frame.sample):
                return frame.sample
        return None


def sound_file_reader(path: Path) -> SoundFileReader:
    """The reader for a file that libsndfile can open.

    Raises
    ------
    soundfile.SoundFileError or TypeError
        libsndfile cannot open it.
    """
    with path.open("rb") as file:
        flac = file.read(4) == b"fLaC"
    if flac:
        with contextlib.suppress(ValueError):
            return FlacReader(path)
    return SoundFileReader(path)


def _header_remarks(file: Any) -> list[Remark]:
    """Remarks on the header by libsndfile, which itself clips a chunk that is longer than the file."""
    log = file.extra_info
    found = re.search(r"(?:data|SSND) : (\d+) \(should be (\d+)\)", log)
    if not found:
        return []
    stated, there = int(found[1]), int(found[2])
    if stated >= 0x7FFF_F000:
        return [Remark("header-unfinished", "The file's header was never finished; what is there was read.")]
    return [
        Remark(
            "file-cut-short",
            f"The file is cut short: {there} of the {stated} bytes of sound that its header states are there.",
        )
    ]
