"""Saved recordings: any sound file, read as a stream of blocks in bounded memory.

Input: a path. Output: a ``SavedRecording`` whose ``blocks()`` are the samples as recorded (float32, full scale 1,
neither normalised nor resampled) with their place counted in frames from the recording's start. Damaged parts of a
file are skipped: the lost stretch is a jump in ``start_frame`` and a sentence in ``remarks``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from os import PathLike
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from torsionbeat.errors import InputError
from torsionbeat.sound.block import Block, regrouped
from torsionbeat.sound.remarks import Remark, as_remark
from torsionbeat.sound.timebase import Timebase

__all__ = ["Block", "SavedRecording", "open_recording"]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
"""Telephone sound, and the fastest rate of common interfaces."""

SNDFILE_MARKS = (
    *(b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM", b"fLaC", b"OggS", b"caff", b".snd", b"dns."),
    *(b"Creative Voice", b"NIST_1A", b"PVF1", b" paf", b"fap ", b"2BIT", b"MATLAB"),
)
"""First bytes of the files that libsndfile decodes by itself."""

LONGEST_MARK = 16
"""The longest of them has 14 bytes."""


class Reader(Protocol):
    """Decoder of one kind of recording."""

    sample_rate_hz: float
    channels: int
    frames_stated: int | None
    header_remarks: list[Remark]
    timebase: Timebase | None
    not_kept: tuple[tuple[int, int], ...]
    begun_utc_ns: int | None
    recorder: str

    def blocks(self, frames: int, remark: Callable[[str], None]) -> Iterator[Block]:
        """Yield the recording from its start in blocks of any length."""


class SavedRecording:
    """A recording on disk, made by `open_recording`; a context manager.

    Attributes
    ----------
    name : str
        The file's name without its folder.
    path : Path
    sample_rate_hz : float
        As the file states it; the timebase holds the error of the recorder's crystal.
    channels : int
    frames_stated : int or None
        Number of frames that the file states; None if it states none.
    remarks : list of Remark
        Plain sentences on what could not be read; grows while reading.
    timebase : Timebase or None
        The recorder's crystal by the journal of a recording folder; None for a file.
    begun_utc_ns : int or None
        Clock of day at frame 0, ns since 1970, from the folder's journal; None for a file.
    recorder : str
        The recording device, if folder or file states it; else empty.
    not_kept : tuple of (start_frame, stop_frame)
        Stretches that were listened to but whose sound was not kept: jumps in the blocks that are no gaps.
    """

    def __init__(self, path: Path, reader: Reader) -> None:
        self.name = path.name
        self.path = path
        self.sample_rate_hz = reader.sample_rate_hz
        self.channels = reader.channels
        self.frames_stated = reader.frames_stated
        self.timebase = reader.timebase
        self.not_kept = reader.not_kept
        self.begun_utc_ns = reader.begun_utc_ns
        self.recorder = reader.recorder
        self.remarks: list[Remark] = list(reader.header_remarks)
        self._reader = reader
        self._streams: list[Iterator[Block]] = []

    def blocks(self, frames: int = 262144) -> Iterator[Block]:
        """Yield the recording in blocks of ``frames`` frames, fewer before a gap and at the end.

        Raises
        ------
        InputError
            Not a single frame could be read.
        """
        if frames < 1:
            raise InputError(f"block length is {frames} frames; it must be at least 1")
        stream = self._blocks(frames)
        self._streams.append(stream)
        return stream

    def _blocks(self, frames: int) -> Iterator[Block]:
        empty = True
        for block in regrouped(self._reader.blocks(frames, self._remark), frames):
            empty = False
            yield block
        if empty:
            raise _unreadable(self.path, "holds no sound that can be read")

    def _remark(self, sentence: str) -> None:
        if sentence not in self.remarks:
            self.remarks.append(as_remark(sentence))

    def close(self) -> None:
        """Close the file; every open stream of blocks ends at its place."""
        for stream in self._streams:
            stream.close()  # type: ignore[attr-defined]
        self._streams.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_recording(path: str | PathLike[str]) -> SavedRecording:
    """Open a recording of any kind that can be read.

    Parameters
    ----------
    path : path-like
        A sound file: WAV, FLAC, Ogg, MP3, AIFF, CAF, W64, RF64 and what else libsndfile reads; also
        M4A, 3GP, MP4, MOV and what else PyAV reads. Or a folder in which a
        live recording was kept.

    Raises
    ------
    InputError
        The path cannot be read as sound, the file is empty, or its sample rate lies outside 8 to 384 kHz.
    """
    where = Path(path)
    if where.is_dir():
        from torsionbeat.sound.kept import KeptReader, is_kept

        if not is_kept(where):
            raise InputError(f"{where} is a folder without a recording in it; give a sound file")
        return SavedRecording(where, KeptReader(where))
    if not where.exists():
        raise InputError(f"{where} does not exist; check the name and the folder")
    if not where.is_file():
        raise InputError(f"{where} is not a file; give a sound file")
    try:
        with where.open("rb") as file:
            first = file.read(1)
    except OSError as error:
        raise InputError(
            f"{where} cannot be opened: {error.strerror or error}; check who may read it"
        ) from None
    if not first:
        raise _unreadable(where, "is an empty file")
    reader = _reader(where)
    rate = reader.sample_rate_hz
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise InputError(
            f"{where.name} has a sample rate of {rate:g} Hz; "
            f"rates from {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz can be used. Record again at 48000 Hz"
        )
    if reader.frames_stated == 0:
        raise _unreadable(where, "holds no sound (0 frames)")
    return SavedRecording(where, reader)


def _reader(path: Path) -> Reader:
    """The reader for a file: libsndfile's first if the file begins as one of its kinds, PyAV's next and for all others.

    A file with an unknown beginning may be MPEG audio. libsndfile's decoder for that stops at the first damage, and writes
    its own messages to the terminal.
    """
    with path.open("rb") as file:
        known = file.read(LONGEST_MARK).startswith(SNDFILE_MARKS)
    readers = (_by_sndfile, _by_pyav) if known else (_by_pyav,)
    for reader in readers:
        found = reader(path)
        if found is not None:
            return found
    raise _unreadable(path, "is not a sound file, or it is damaged beyond reading")


def _by_sndfile(path: Path) -> Reader | None:
    import soundfile

    from torsionbeat.sound.soundfiles import sound_file_reader

    try:
        return sound_file_reader(path)
    except (soundfile.SoundFileError, TypeError):
        return None


def _by_pyav(path: Path) -> Reader | None:
    import av

    from torsionbeat.sound.phone import PhoneReader

    try:
        return PhoneReader(path)
    except (av.FFmpegError, LookupError, ValueError):
        return None


def _unreadable(path: Path, what: str) -> InputError:
    return InputError(f"{path.name} {what}; give a recording in WAV, FLAC, MP3, M4A or another sound format")
