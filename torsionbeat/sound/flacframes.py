"""Finding the frames of a damaged FLAC file by their own headers.

Input: a FLAC file with any damage. Output: the byte and the sample at which a frame begins, and the file from
there on in a form that libsndfile can read. Every frame header holds its place and a checksum (RFC 9639, 9.1), so
sound behind any damage is found at once, exactly where it was recorded.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from torsionbeat.sound.unfinished import SplicedFile

__all__ = ["FlacFrames", "Frame"]

LARGEST_HEADER = 16
"""Bytes of the longest frame header (RFC 9639, section 9.1)."""
LARGEST_COUNT = (1 << 36) - 1
"""A sample number has 36 bits (RFC 9639, section 9.1.5)."""


def _crc8_table() -> bytes:
    """Polynomial x^8 + x^2 + x + 1 (RFC 9639, 9.1.8)."""
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte << 1 ^ 0x07) & 0xFF if byte & 0x80 else byte << 1
        table.append(byte)
    return bytes(table)


CRC8 = _crc8_table()


def _crc8(header: bytes) -> int:
    """The checksum of a frame's header (RFC 9639, 9.1.8)."""
    check = 0
    for byte in header:
        check = CRC8[check ^ byte]
    return check


def _coded_number(coded: bytes) -> tuple[int, int] | None:
    """A frame's or sample's number and its length in bytes (RFC 9639, 9.1.5); None if the coding is invalid.

    The coding is that of UTF-8, extended to seven bytes.
    """
    lead = coded[0]
    if lead < 0x80:
        return lead, 1
    more = 8 - (lead ^ 0xFF).bit_length() - 1
    if lead == 0xFF or more == 0:
        return None
    number = lead & (0x3F >> more)
    for byte in coded[1 : 1 + more]:
        if byte & 0xC0 != 0x80:
            return None
        number = number << 6 | byte & 0x3F
    return number, 1 + more


class Frame(NamedTuple):
    """A frame: the byte of the file and the sample of the recording with which it begins."""

    byte: int
    sample: int


class FlacFrames:
    """The frames of one file.

    Raises
    ------
    ValueError
        The file does not begin as FLAC.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("rb") as file:
            self._bytes = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        if self._bytes[:4] != b"fLaC" or len(self._bytes) < 42 or self._bytes[4] & 0x7F != 0:
            raise ValueError(f"{path} does not begin as FLAC")
        self._info = self._bytes[8:42]
        self._block_frames = int.from_bytes(self._info[:2])
        packed = int.from_bytes(self._info[10:18])
        self.stated = packed & LARGEST_COUNT
        self._channels = (packed >> 41 & 0x7) + 1
        self._first_byte = self._after_metadata()

    def _after_metadata(self) -> int:
        at, last = 4, False
        while not last and at + 4 <= len(self._bytes):
            last = bool(self._bytes[at] & 0x80)
            at += 4 + int.from_bytes(self._bytes[at + 1 : at + 4])
        return at if at < len(self._bytes) else 42

    def from_byte(self, byte: int) -> Frame | None:
        """The first frame that begins at or after a byte."""
        at = max(byte, self._first_byte) - 1
        while (at := self._bytes.find(b"\xff", at + 1)) >= 0:
            sample = self._sample_at(at)
            if sample is not None:
                return Frame(at, sample)
        return None

    def _sample_at(self, at: int) -> int | None:
        """The sample with which the frame at a byte begins; None without a valid frame header there."""
        head = self._bytes[at : at + LARGEST_HEADER]
        if len(head) < 6 or head[1] & 0xFE != 0xF8 or head[3] & 1:
            return None
        size, rate, layout = head[2] >> 4, head[2] & 0xF, head[3] >> 4
        channels = layout + 1 if layout < 8 else 2
        if size == 0 or rate == 15 or layout > 10 or channels != self._channels:
            return None
        coded = _coded_number(head[4:])
        if coded is None:
            return None
        number, length = coded
        end = 4 + length + {6: 1, 7: 2}.get(size, 0) + {12: 1, 13: 2, 14: 2}.get(rate, 0)
        if end >= len(head) or _crc8(head[:end]) != head[end]:
            return None
        sample = number if head[1] & 1 else number * self._block_frames
        return sample if not self.stated or sample < self.stated else None

    def last_until(self, sample: int) -> Frame | None:
        """The last frame that begins at or before a sample."""
        following = self._first_after(sample)
        low, high = self._first_byte, following.byte if following else len(self._bytes)
        found, reach = None, 1 << 16
        while found is None:
            frame = self.from_byte(max(high - reach, low))
            while frame is not None and frame.byte < high:
                found = frame if frame.sample <= sample else found
                frame = self.from_byte(frame.byte + 1)
            if high - reach <= low:
                break
            reach *= 4
        return found

    def _first_after(self, sample: int) -> Frame | None:
        """The first frame that begins after a sample, by halving the file."""
        low, high = self._first_byte, len(self._bytes)
        found = None
        while low < high:
            middle = (low + high) // 2
            frame = self.from_byte(middle)
            if frame is None or frame.sample > sample:
                high, found = middle, frame or found
            else:
                low = frame.byte + 1
        return found

    def after(self, sample: int) -> Iterator[Frame]:
        """Yield the frames that begin after a sample, up to the end of the file."""
        frame = self._first_after(sample)
        while frame is not None:
            yield frame
            frame = self.from_byte(frame.byte + 1)

    def spliced(self, frame: Frame) -> SplicedFile:
        """The file from this frame on, behind a header that states the remaining length."""
        left = self.stated - frame.sample if self.stated else LARGEST_COUNT
        packed = int.from_bytes(self._info[10:18]) & ~LARGEST_COUNT | left
        info = self._info[:10] + packed.to_bytes(8) + self._info[18:]
        header = b"fLaC" + b"\x80" + len(info).to_bytes(3) + info
        return SplicedFile(header, self.path, frame.byte, len(self._bytes) - frame.byte)
