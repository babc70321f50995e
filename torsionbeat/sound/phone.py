"""Phone memos, the sound of videos and MP3 (AAC, AMR, ALAC and the like), decoded through PyAV.

Input: a path. Output: blocks of float32 samples as decoded, never resampled, at the place given by their time stamps.
The decoder's priming is left out, and a step in the time stamps of half a packet or more is a gap.
Smaller steps are rounding or a phone's jitter; the count of samples is then the better clock.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from torsionbeat.sound.block import Block, Samples
from torsionbeat.sound.remarks import Remark
from torsionbeat.sound.timebase import Timebase

__all__ = ["PhoneReader"]

SELF_CONTAINED = "aac,ac3,aiff,amr,amrnb,amrwb,ape,asf,au,avi,caf,dsf,flac,iff,matroska,mov,mp3,mpeg,mpegts,ogg,tta,w64,wav,wv"
"""Containers that hold their own sound. All others are refused: a play list would open other files, or other hosts."""

ONLY_THIS_FILE = {"protocol_whitelist": "file", "format_whitelist": SELF_CONTAINED}

TAG_WITHIN_BYTES = 1 << 16
"""A picture or a title may precede the first frame; with a larger one only the remark on missing sound is lost."""

FULL_SCALE = {"u8": 128.0, "s16": 32768.0, "s32": 2147483648.0, "s64": 9223372036854775808.0}
"""Half of the range of each integer format."""


class PhoneReader:
    """The first sound track of a file as PyAV reads it.

    Raises
    ------
    av.FFmpegError
        PyAV cannot open it.
    LookupError
        It holds no sound track that can be decoded, or is a container that refers to other files.
    """

    timebase: Timebase | None = None
    not_kept: tuple[tuple[int, int], ...] = ()
    begun_utc_ns: int | None = None
    recorder = ""

    def __init__(self, path: Path) -> None:

        self.path = path.resolve()  # PyAV would take a bare name like "http:x" for an address
        self.header_remarks: list[Remark] = []
        with self._opened() as container:
            if not container.streams.audio:
                raise LookupError("no sound track")
            stream = container.streams.audio[0]
            frame = next(self._decoded(container, stream, []), None)
            if frame is None:
                raise LookupError("the sound track is empty")
            _as_float32(frame)  # refuses here what could not be read later
            self.recorder = _maker(container.metadata)
            self.sample_rate_hz = float(frame.sample_rate)
            self.channels = len(frame.layout.channels)
            self.frames_stated: int | None = None
            self._timed = (
                "mp3" not in container.format.name
            )  # its frames carry no time: they are only counted
            # other kinds only guess from the size of the file
            exact = "mov" in container.format.name or (not self._timed and _states_its_length(path))
            if exact and stream.duration and stream.time_base:
                self.frames_stated = round(stream.duration * stream.time_base * frame.sample_rate)

    def _opened(self) -> Any:
        import av

        try:
            return av.open(str(self.path), options=ONLY_THIS_FILE)
        except av.FFmpegError as error:
            if error.errno != errno.EINVAL:  # the class of this error has another name in av 12
                raise
            raise LookupError("a container that refers to other files") from None

    @staticmethod
    def _decoded(container: Any, stream: Any, damage: list[str]) -> Iterator[Any]:
        """Yield each frame that can be decoded; errors of the others are added to ``damage``."""
        import av

        packets = container.demux(stream)
        while True:
            try:
                packet = next(packets, None)
            except av.FFmpegError as error:
                damage.append(str(error))
                return
            if packet is None:
                return
            try:
                yield from packet.decode()
            except av.FFmpegError as error:
                damage.append(str(error))

    def blocks(self, frames: int, remark: Callable[[str], None]) -> Iterator[Block]:
        """Yield the sound track from its start in pieces as long as its packets."""
        position = 0
        damage: list[str] = []
        expected_s: float | None = None
        with self._opened() as container:
            for frame in self._decoded(container, container.streams.audio[0], damage):
                if frame.sample_rate != self.sample_rate_hz or len(frame.layout.channels) != self.channels:
                    remark(
                        Remark(
                            "format-changes",
                            "The sound changes its sample rate or its channels "
                            f"at {position / self.sample_rate_hz:.3f} s; what follows was left out.",
                        )
                    )
                    break
                if frame.time is not None:
                    if expected_s is not None:
                        excess = round((frame.time - expected_s) * self.sample_rate_hz)
                        if excess >= max(frame.samples // 2, 1):
                            remark(
                                Remark(
                                    "sound-missing",
                                    f"{excess / self.sample_rate_hz:.3f} s of sound are missing at "
                                    f"{position / self.sample_rate_hz:.3f} s from the start and count as a gap.",
                                )
                            )
                            position += excess
                    expected_s = frame.time + frame.samples / self.sample_rate_hz
                yield Block(position, _as_float32(frame))
                position += frame.samples
        if damage:
            remark(
                Remark(
                    "file-damaged",
                    f"The file is damaged: {len(damage)} packets of its sound could not be decoded.",
                )
            )
        stated = self.frames_stated
        if damage and not self._timed and stated is not None and position < stated:
            remark(
                Remark(
                    "sound-may-stand-early",
                    f"{(stated - position) / self.sample_rate_hz:.3f} s of the {stated / self.sample_rate_hz:.3f} s that "
                    "the file should hold are missing where it is damaged; sound after the damage may stand too early "
                    "by that.",
                )
            )
        elif stated is not None and position + self.sample_rate_hz < stated:
            remark(
                Remark(
                    "file-ends-early",
                    f"The file ends early: {position / self.sample_rate_hz:.3f} s could be read of the "
                    f"{stated / self.sample_rate_hz:.3f} s that its header states.",
                )
            )


def _maker(metadata: dict[str, str]) -> str:
    """Maker and model of the recording device, if the file states them."""
    said = {key.lower().rpartition(".")[2]: value.strip() for key, value in metadata.items()}
    return " ".join(filter(None, (said.get("make") or said.get("manufacturer"), said.get("model"))))


def _states_its_length(path: Path) -> bool:
    """Whether an MP3 file states its number of frames (the tag that encoders write into its first frame)."""
    with path.open("rb") as file:
        head = file.read(TAG_WITHIN_BYTES)
    return b"Xing" in head or b"Info" in head


def _as_float32(frame: Any) -> Samples:
    """The samples of a decoded frame, shape (frames, channels), full scale 1."""
    kind = frame.format.name.removesuffix("p")
    if kind == "s64":  # the only format that PyAV does not convert to an array
        planes = [np.frombuffer(plane, np.int64) for plane in frame.planes]
        raw = np.array(
            [
                plane[: frame.samples * (1 if len(planes) > 1 else len(frame.layout.channels))]
                for plane in planes
            ]
        )
    else:
        raw = frame.to_ndarray()
    samples = raw.T if frame.format.is_planar else raw.reshape(frame.samples, -1)
    if kind in FULL_SCALE:
        shifted = samples - 128.0 if kind == "u8" else samples
        samples = shifted / FULL_SCALE[kind]
    return np.ascontiguousarray(samples, dtype=np.float32)
