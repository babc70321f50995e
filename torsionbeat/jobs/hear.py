"""Hear recordings: convert sound files or kept nights to readings.

Input: paths, and known values of the clock. Output: for each path its analysis or its error. One recording is analysed
in this process; several run on the cores of this computer, one process each, or on a cluster.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from torsionbeat.bench.batch import Outcome, analyse_many, outcome_of
from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.sides import known_sides, own_letters, when_recorded
from torsionbeat.bench.source import Flag
from torsionbeat.errors import CancelledError
from torsionbeat.history.nights import Night
from torsionbeat.reading.analysis import Analysis, Listening
from torsionbeat.reading.figures import Clock

__all__ = ["HearRequest", "HearResult", "hear"]


@dataclass(frozen=True, slots=True)
class HearRequest:
    """The recordings to analyse, and how.

    Parameters
    ----------
    recordings : tuple of Path
        Sound files, or folders of kept nights.
    clock : KnownClock
    listening : Listening
        Range of periods to search, and known values of the recorder's crystal.
    cluster : str or None
        Address of a Dask scheduler whose workers analyse them.
    processes : int or None
        Number of recordings analysed at a time; None: the number of cores.
    """

    recordings: tuple[Path, ...]
    clock: KnownClock = KnownClock()
    listening: Listening = Listening()
    cluster: str | None = None
    processes: int | None = None


@dataclass(frozen=True, slots=True)
class HearResult:
    """The outcome of each recording, in the given order, and the known values of the clock."""

    outcomes: tuple[Outcome, ...]
    clock: Clock

    @property
    def analysis(self) -> Analysis:
        """The analysis of the first recording.

        Raises
        ------
        TorsionbeatError
            The error of that recording.
        """
        first = self.outcomes[0]
        if first.analysis is None:
            assert first.error is not None
            raise first.error
        return first.analysis


def hear(
    request: HearRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> HearResult:
    """Analyse recordings.

    Parameters
    ----------
    request : HearRequest
    progress : callable, optional
        Called with the share of the work that is done, 0 to 1.
    cancel : Flag, optional
        Ends the work within about a second; may be set from any thread.

    Raises
    ------
    InputError
        No such clock, or a value out of range. An error of a single recording is in its outcome.
    DeviceError
        The cluster does not answer.
    BenchLogError
        The log cannot be read.
    CancelledError
        ``cancel`` was set.
    """
    clock = request.clock.clock()

    def share(done: float) -> None:
        if cancel is not None and cancel.is_set():
            raise CancelledError("the reading was called off; nothing of it was kept")
        if progress is not None:
            progress(min(done, 1.0))

    def frames(done: int, of: int | None) -> None:
        share(done / of if of else 0.0)

    paths = [str(path) for path in request.recordings]
    if request.cluster is not None:
        from torsionbeat.bench.cluster import analyse_on_cluster

        outcomes = analyse_on_cluster(request.cluster, paths, clock, request.listening, share)
    elif len(paths) == 1:
        outcomes = [outcome_of(paths[0], clock, request.listening, frames)]
    else:
        outcomes = analyse_many(paths, clock, request.listening, share, request.processes)
    if request.clock.name is not None:
        outcomes = _in_own_letters(outcomes, request.clock.name, request.clock.log)
    return HearResult(tuple(outcomes), clock)


def _in_own_letters(outcomes: Sequence[Outcome], name: str, log: str | None) -> list[Outcome]:
    """Convert the readings to the letters of their clock, as far as the bench log knows them."""
    from torsionbeat.benchlog import open_log

    nights = []
    with open_log(log, must_exist=True) as opened:
        known = known_sides(opened, name)
        for outcome in outcomes:
            if outcome.analysis is not None:
                reading, voices = outcome.analysis.reading, outcome.analysis.heard.voices
                began = when_recorded(opened, name, Path(outcome.path), reading.recording.duration_s)
                nights.append(Night(reading, began, voices=voices))
    own = iter(own_letters(known, nights))
    return [
        outcome
        if outcome.analysis is None
        else replace(outcome, analysis=_lettered(outcome.analysis, next(own)))
        for outcome in outcomes
    ]


def _lettered(analysis: Analysis, night: Night) -> Analysis:
    return replace(analysis, reading=night.reading, heard=replace(analysis.heard, voices=night.voices))
