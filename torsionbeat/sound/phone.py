"""Phone memos and the sound of videos (AAC, AMR, ALAC and the like), decoded through PyAV.

In: a path. Out: blocks of float32 samples as decoded, never resampled, at the place their time stamps give
them: the decoder's priming is left out, and a step in the time stamps of half a packet or more is a gap.
Smaller steps are rounding or a phone's jitter, and the count of samples is the better clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from torsionbeat.sound.block import Block, Samples
from torsionbeat.sound.remarks import Remark
from torsionbeat.sound.timebase import Timebase

__all__ = ["PhoneReader"]

FULL_SCALE = {"u8": 128.0, "s16": 32768.0, "s32": 2147483648.0, "s64": 9223372036854775808.0}


class PhoneReader:
    """The first sound track of a file as PyAV reads it.

    Raises
    ------
    ImportError
        PyAV is not installed.
    av.FFmpegError
        PyAV cannot open it.
    LookupError
        It holds no sound track that can be decoded.
    """

    timebase: Timebase | None = None
    not_kept: tuple[tuple[int, int], ...] = ()
    begun_utc_ns: int | None = None
    recorder = ""

    def __init__(self, path: Path) -> None:
        import av

        self.path = path.resolve()  # a bare name like "http:x" would be taken for an address
        self.header_remarks: list[Remark] = []
        with av.open(str(self.path)) as container:
            if not container.streams.audio:
                raise LookupError("no sound track")
            stream = container.streams.audio[0]
            frame = next(self._decoded(container, stream, []), None)
            if frame is None:
                raise LookupError("the sound track is empty")
            self.sample_rate_hz = float(frame.sample_rate)
            self.channels = len(frame.layout.channels)
            self.frames_stated: int | None = None
            exact = "mov" in container.format.name  # other kinds only guess from the size of the file
            if exact and stream.duration and stream.time_base:
                self.frames_stated = round(stream.duration * stream.time_base * frame.sample_rate)

    @staticmethod
    def _decoded(container: Any, stream: Any, damage: list[str]) -> Iterator[Any]:
        """Yield each frame that can be decoded; what cannot be is added to ``damage``."""
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
        import av

        position = 0
        damage: list[str] = []
        expected_s: float | None = None
        with av.open(str(self.path)) as container:
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
        if self.frames_stated is not None and position + self.sample_rate_hz < self.frames_stated:
            remark(
                Remark(
                    "file-ends-early",
                    f"The file ends early: {position / self.sample_rate_hz:.3f} s could be read of the "
                    f"{self.frames_stated / self.sample_rate_hz:.3f} s that its header states.",
                )
            )


def _as_float32(frame: Any) -> Samples:
    """The samples of a decoded frame, shape (frames, channels), full scale 1."""
    raw = frame.to_ndarray()
    kind = frame.format.name.removesuffix("p")
    samples = raw.T if frame.format.is_planar else raw.reshape(frame.samples, -1)
    if kind in FULL_SCALE:
        shifted = samples - 128.0 if kind == "u8" else samples
        samples = shifted / FULL_SCALE[kind]
    return np.ascontiguousarray(samples, dtype=np.float32)
