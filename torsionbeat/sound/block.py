"""Stretches of sound with their place in the recording: what every source of sound hands to the listener."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["Block", "Samples", "read_ahead", "regrouped"]

Samples = npt.NDArray[np.float32]
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of sound without a gap in it.

    Parameters
    ----------
    start_frame : int
        Frames from the start of the recording to the first of this block, lost frames included. If it is beyond
        the end of the block before, the frames between them are a gap.
    samples : float32 array, shape (frames, channels)
        The sound as recorded; full scale is 1. It may hold nan or infinity where the file does.
    """

    start_frame: int
    samples: Samples

    @property
    def stop_frame(self) -> int:
        """One past the last frame of this block."""
        return self.start_frame + len(self.samples)


def regrouped(blocks: Iterable[Block], frames: int) -> Iterator[Block]:
    """Join and cut blocks so that each holds ``frames`` frames, fewer only before a gap and at the end.

    >>> pieces = [Block(0, np.zeros((3, 1), np.float32)), Block(3, np.zeros((3, 1), np.float32))]
    >>> [(block.start_frame, len(block.samples)) for block in regrouped(pieces, 4)]
    [(0, 4), (4, 2)]
    """
    held: list[Samples] = []
    start = held_frames = 0
    for block in blocks:
        if held_frames and block.start_frame != start + held_frames:
            yield Block(start, _joined(held))
            held, held_frames = [], 0
        if not held_frames:
            start = block.start_frame
        held.append(block.samples)
        held_frames += len(block.samples)
        if held_frames >= frames:
            samples = _joined(held)
            whole = held_frames - held_frames % frames
            for first in range(0, whole, frames):
                yield Block(start + first, samples[first : first + frames])
            held, held_frames, start = [], held_frames - whole, start + whole
            if held_frames:
                held.append(samples[whole:])
    if held_frames:
        yield Block(start, _joined(held))


def _joined(pieces: list[Samples]) -> Samples:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def read_ahead(blocks: Iterable[Item], most: int = 2) -> Generator[Item, None, None]:
    """Give the same blocks (or whatever is made of them), made by a separate thread, up to ``most`` ahead.

    Decoding and the bands let other threads run, so on two cores the next blocks are read while the last one is analysed. An
    error is raised in the place of its block; closing the iterator ends the thread.

    Raises
    ------
    Exception
        Any error of reading, in the place of its block.
    """
    waiting: queue.Queue[tuple[Item | None, BaseException | None]] = queue.Queue(most)
    stop = threading.Event()

    def give(block: Item | None, error: BaseException | None = None) -> bool:
        while not stop.is_set():
            try:
                waiting.put((block, error), timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for block in blocks:
                if not give(block):
                    return
        except BaseException as error:
            give(None, error)
        else:
            give(None)

    reader = threading.Thread(target=read, name="read-ahead", daemon=True)
    reader.start()
    try:
        while True:
            block, error = waiting.get()
            if error is not None:
                raise error
            if block is None:
                return
            yield block
    finally:
        stop.set()
        reader.join()
