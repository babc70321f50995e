"""WAV files whose header states less sound than there is: recorders that lost power, or passed 4 GB.

Input: a path. Output: the same file in a form that libsndfile reads, with a new header in front of the existing
bytes; nothing on the disk is changed. Layout: RIFF WAVE of 1991; RF64 as in EBU Tech 3306.
"""

from __future__ import annotations

import mmap
import string
import struct
from pathlib import Path
from typing import Any, BinaryIO

__all__ = ["SplicedFile", "finished"]

UNSTATED_BYTES = 0x7FFF_F000
"""Recorders that stream write this or more for a length they do not know; libsndfile copes up to 4 GB."""

LARGEST_CHUNK = 0xFFFF_FFFF
"""A RIFF chunk's length has 32 bits; all of them set mean an unknown length."""

LARGEST_FORM = 1024
"""The format chunk of a WAV file has 16 to 40 bytes; one that claims more is damaged, and is not read whole."""

SOUGHT_BYTES = 1 << 16
"""Bytes searched for the sound behind a damaged chunk's head: titles and marks are shorter."""

PRINTABLE = frozenset(string.printable.encode()) - frozenset(b"\t\n\r\x0b\x0c")


class SplicedFile:
    """A header, then a file from some byte on, as one file that can be read and sought."""

    def __init__(self, header: bytes, path: Path, offset: int, length: int) -> None:
        self._header = header
        self._offset = offset - len(header)
        self._length = len(header) + length
        self._at = 0
        with path.open("rb") as file:
            self._bytes = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)

    def seek(self, offset: int, whence: int = 0) -> int:
        """Move to a byte, counted from the start (0), from here (1) or from the end (2)."""
        self._at = offset + (0, self._at, self._length)[whence]
        return self._at

    def tell(self) -> int:
        """The byte that is read next."""
        return self._at

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer as far as there are bytes, and return their number."""
        wanted = min(len(buffer), self._length - self._at)
        if wanted <= 0:
            return 0
        if self._at < len(self._header):
            wanted = min(wanted, len(self._header) - self._at)
            buffer[:wanted] = self._header[self._at : self._at + wanted]
        else:
            buffer[:wanted] = self._bytes[self._offset + self._at : self._offset + self._at + wanted]
        self._at += wanted
        return wanted


def finished(path: Path) -> tuple[bytes, int, int, int] | None:
    """The header that an unfinished WAV file should have.

    Returns
    -------
    (header, offset, length, stated) or None
        An RF64 header, the first byte of sound in the file, the existing bytes of sound and the stated ones.
        None for a file that is not a WAV file, or whose header is complete.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        if file.read(4) != b"RIFF" or file.read(8)[4:] != b"WAVE":
            return None
        found = _to_sound(file, size)
        if found is None:
            return None
        form, length, salvaged = found
        offset = file.tell()
        there = size - offset
        file.seek(min(offset + length + length % 2, size))
        after = file.read(8)
    if len(form) < 16:
        return None
    if not salvaged and (there <= length or (length >= UNSTATED_BYTES and there <= LARGEST_CHUNK)):
        return None
    if not salvaged and (
        len(after) < 8 or (_is_name(after[:4]) and there >= length + 8 + struct.unpack("<I", after[4:])[0])
    ):
        return None
    if salvaged:
        there = min(there, length) if length else there
    frame_bytes = max(struct.unpack("<H", form[12:14])[0], 1)
    there -= there % frame_bytes
    ds64 = struct.pack("<QQQI", there + 68 + len(form), there, there // frame_bytes, 0)
    header = (
        b"RF64" + struct.pack("<I", LARGEST_CHUNK) + b"WAVE" + b"ds64" + struct.pack("<I", len(ds64)) + ds64
    )
    header += b"fmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", LARGEST_CHUNK)
    return header, offset, there, length


def _to_sound(file: BinaryIO, size: int) -> tuple[bytes, int, bool] | None:
    """Go to the first byte of sound: the format, the bytes stated, and whether a damaged chunk was skipped.

    A chunk that claims more bytes than there are ends the file for every reader, though the sound may follow it directly.
    """
    form, passed = b"", False
    while len(head := file.read(8)) == 8:
        name, length = head[:4], struct.unpack("<I", head[4:])[0]
        if name == b"data":
            return form, length, passed
        begins = file.tell()
        if name == b"fmt ":
            form = file.read(min(length, LARGEST_FORM))
        if begins + length > size:
            file.seek(begins)
            at = file.read(SOUGHT_BYTES).find(b"data" if form else b"fmt ")
            if at < 0:
                return None
            file.seek(begins + at)
            passed = True
            continue
        file.seek(begins + length + length % 2)
    return None


def _is_name(name: bytes) -> bool:
    return all(byte in PRINTABLE for byte in name)
