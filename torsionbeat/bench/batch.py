"""Many recordings at once: one process for each recording, on all cores of this computer.

Input: paths. Output: for each path its analysis or its error. A recording that crashes its process (a damaged file that
crashes a decoder, too little memory) does not affect the others.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from typing import TYPE_CHECKING, Any

from torsionbeat.errors import CancelledError, DeviceError, TorsionbeatError

if TYPE_CHECKING:
    from torsionbeat.reading.analysis import Analysis, Listening
    from torsionbeat.reading.figures import Clock

__all__ = ["Outcome", "analyse_many", "cores", "outcome_of"]

ONE_THREAD = dict.fromkeys(
    ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)
"""One thread a process: with a process on every core, more threads only slow each other down."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of one recording: an analysis or an error."""

    path: str
    analysis: Analysis | None
    error: TorsionbeatError | None = None


@dataclass(slots=True)
class _Running:
    place: int
    process: Any


def cores() -> int:
    """Give the number of cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def outcome_of(
    path: str,
    clock: Clock,
    listening: Listening,
    progress: Callable[[int, int | None], None] | None = None,
) -> Outcome:
    """Analyse one recording; an error of ours becomes its outcome.

    Parameters
    ----------
    path : str
    clock, listening : Clock, Listening
    progress : callable, optional
        Called with the number of frames read so far and, where the file states it, the total.

    Raises
    ------
    CancelledError
        Raised by ``progress`` to end the work.
    """
    from torsionbeat.reading.analysis import analyse_fully

    try:
        return Outcome(path, analyse_fully(path, clock, listening, progress))
    except CancelledError:
        raise
    except TorsionbeatError as error:
        return Outcome(path, None, error)


def analyse_many(
    paths: Sequence[str],
    clock: Clock,
    listening: Listening,
    progress: Callable[[float], None] | None = None,
    processes: int | None = None,
) -> list[Outcome]:
    """Analyse recordings, one process each.

    Parameters
    ----------
    paths : sequence of str
    clock, listening : Clock, Listening
        The same for all.
    progress : callable, optional
        Called with the share of all work that is done, 0 to 1.
    processes : int, optional
        Number of processes at a time. Default: the number of cores.

    Returns
    -------
    list of Outcome
        In the order of ``paths``.
    """
    shares = [0.0] * len(paths)
    outcomes: dict[int, Outcome] = {}
    with closing(_told(paths, clock, listening, processes or cores())) as tellings:
        for place, told in tellings:
            if isinstance(told, Outcome):
                outcomes[place], shares[place] = told, 1.0
            else:
                shares[place] = told
            if progress is not None:
                progress(sum(shares) / len(shares))
    return [outcomes[place] for place in range(len(paths))]


def _told(
    paths: Sequence[str], clock: Clock, listening: Listening, processes: int
) -> Generator[tuple[int, float | Outcome], None, None]:
    """Yield the reports of the processes: (index of the path, share done), and finally (index, outcome)."""
    context = get_context("spawn")
    running: dict[Connection, _Running] = {}
    waiting = list(enumerate(paths))[::-1]
    try:
        while waiting or running:
            while waiting and len(running) < processes:
                place, path = waiting.pop()
                ours, theirs = context.Pipe(duplex=False)
                process = context.Process(
                    target=_work, args=(theirs, path, clock, listening), daemon=True, name=f"reading {path}"
                )
                with _one_thread():
                    process.start()
                theirs.close()
                running[ours] = _Running(place, process)
            for line in wait(list(running)):
                assert isinstance(line, Connection)
                one = running[line]
                try:
                    told = line.recv()
                except EOFError:
                    one.process.join()
                    told = _brought_down(paths[one.place], one.process.exitcode)
                if isinstance(told, Outcome):
                    line.close()
                    del running[line]
                    one.process.join()
                yield one.place, told
    finally:
        for one in running.values():
            one.process.terminate()
        for one in running.values():
            one.process.join()


def _work(line: Connection, path: str, clock: Clock, listening: Listening) -> None:
    """Analyse one recording, in a process of its own."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent handles the user's Ctrl-C

    def progress(frames: int, stated: int | None) -> None:
        if stated:
            line.send(min(0.99, frames / stated))

    try:
        line.send(outcome_of(path, clock, listening, progress))
    except BrokenPipeError:
        pass
    except Exception as error:
        said = " ".join(str(error).split())
        line.send(
            Outcome(path, None, TorsionbeatError(f"{path} could not be read: {type(error).__name__}: {said}"))
        )


def _brought_down(path: str, status: int | None) -> Outcome:
    how = f"signal {-status}" if status is not None and status < 0 else f"status {status}"
    error = DeviceError(
        f"{path} was not read: the process that read it ended with {how}; the file may be damaged in a way that "
        "brings the decoder down, or there was too little memory: try it alone"
    )
    return Outcome(path, None, error)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Start processes in this block with one thread each."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
