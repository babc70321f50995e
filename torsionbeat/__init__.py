"""torsionbeat listens to a torsion-pendulum clock and finds its rate, its beat and its arc.

The names below are what notebooks and programs use; each is loaded when it is first asked for, so that
``import torsionbeat`` costs nothing::

    import torsionbeat as tb

    reading = tb.analyse("night.flac", tb.Clock(nominal_period_s=60, lift_deg=20))
    print(reading.rate_s_per_day, reading.arc_deg)

Every job of the command line and of the bench page is one call with a request, here too::

    request = tb.ListenRequest(tb.KnownClock(nominal_period_s=15), duration_s=60)
    print(tb.listen(request).reading)

============================================  ==================================================================
`analyse`, `analyse_fully`                    a recording's `Reading`; the same with what was heard, for plots
`Clock`, `Reading`                            what is known of a clock; the figures of a recording
`reading_document`                            a reading in plain types, as the command writes it
`compare`                                     before and after: what changed beyond doubt
`correct`, `learn`, `Trial`, `from_reading`   the next adjustment, from trials and the present reading
`Facts`, `prior_response`, `Stock`            what is known of the clock's parts; the weights at hand
`free_swing`                                  Q and what damps the balance
`open_log`                                    the bench log
`simulate`, `TwinClock`                       a recording of an invented clock; more in `torsionbeat.twin`
`evidence_figure`, `comparison_figure`        plots
`print_reading`                               a reading in words, on the terminal
`hear`, `HearRequest`, `Listening`            recordings, one or many, with progress and cancelling
`listen`, `ListenRequest`                     a night through a microphone; `running_nights`, `finish_night`
`check_microphone`, `CheckMicrophoneRequest`  whether the microphone is well placed
`set_beat`, `SetBeatRequest`                  the offset after each swing, and the way to turn
`devices`, `Microphone`, `Playback`           microphones; a recording in the place of one
`KnownClock`                                  a clock by its name in the bench log, by its figures, or by both
`advise`, `AdviseRequest`                     one judgement of a clock
`two_offsets`, `TwoOffsetsRequest`            the arc where only the drop is heard
`hand_check`, `HandCheckRequest`, `Sighting`  the minute hand against a time signal
`strip`, `StripRequest`                       what a suspension strip does
`report`, `ReportRequest`                     a clock's story, gathered from the log
`TorsionbeatError`                            base of all errors; the others are in `torsionbeat.errors`
============================================  ==================================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from torsionbeat.version import __version__

_HOMES = {
    "AdviseRequest": "jobs.advise",
    "CheckMicrophoneRequest": "jobs.microphone",
    "Clock": "reading.figures",
    "Facts": "regulation.facts",
    "HandCheckRequest": "jobs.by_hand",
    "HearRequest": "jobs.hear",
    "KnownClock": "bench.known",
    "ListenRequest": "jobs.listen",
    "Listening": "reading.analysis",
    "Microphone": "bench.source",
    "Playback": "bench.source",
    "Reading": "reading.figures",
    "ReportRequest": "jobs.report",
    "SetBeatRequest": "jobs.set_beat",
    "Sighting": "jobs.by_hand",
    "Stock": "regulation.stock",
    "StripRequest": "jobs.strip",
    "TorsionbeatError": "errors",
    "Trial": "learning.trials",
    "TwinClock": "twin",
    "TwoOffsetsRequest": "jobs.by_hand",
    "advise": "jobs.advise",
    "analyse": "reading.analysis",
    "analyse_fully": "reading.analysis",
    "check_microphone": "jobs.microphone",
    "compare": "history.comparison",
    "comparison_figure": "display.changes",
    "correct": "regulation.correction",
    "devices": "jobs.microphone",
    "evidence_figure": "display.evidence",
    "finish_night": "jobs.listen",
    "free_swing": "regulation.freeswing",
    "from_reading": "regulation.present",
    "hand_check": "jobs.by_hand",
    "hear": "jobs.hear",
    "learn": "learning.learn",
    "listen": "jobs.listen",
    "open_log": "benchlog",
    "print_reading": "display.terminal",
    "prior_response": "regulation.facts",
    "reading_document": "reading.document",
    "report": "jobs.report",
    "running_nights": "bench.nights",
    "set_beat": "jobs.set_beat",
    "simulate": "twin",
    "strip": "jobs.strip",
    "two_offsets": "jobs.by_hand",
}

__all__ = [
    "AdviseRequest",
    "CheckMicrophoneRequest",
    "Clock",
    "Facts",
    "HandCheckRequest",
    "HearRequest",
    "KnownClock",
    "ListenRequest",
    "Listening",
    "Microphone",
    "Playback",
    "Reading",
    "ReportRequest",
    "SetBeatRequest",
    "Sighting",
    "Stock",
    "StripRequest",
    "TorsionbeatError",
    "Trial",
    "TwinClock",
    "TwoOffsetsRequest",
    "__version__",
    "advise",
    "analyse",
    "analyse_fully",
    "check_microphone",
    "compare",
    "comparison_figure",
    "correct",
    "devices",
    "evidence_figure",
    "finish_night",
    "free_swing",
    "from_reading",
    "hand_check",
    "hear",
    "learn",
    "listen",
    "open_log",
    "print_reading",
    "prior_response",
    "reading_document",
    "report",
    "running_nights",
    "set_beat",
    "simulate",
    "strip",
    "two_offsets",
]

if TYPE_CHECKING:  # what a type checker or an editor sees
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.bench.nights import running_nights
    from torsionbeat.bench.source import Microphone, Playback
    from torsionbeat.benchlog import open_log
    from torsionbeat.display.changes import comparison_figure
    from torsionbeat.display.evidence import evidence_figure
    from torsionbeat.display.terminal import print_reading
    from torsionbeat.errors import TorsionbeatError
    from torsionbeat.history.comparison import compare
    from torsionbeat.jobs.advise import AdviseRequest, advise
    from torsionbeat.jobs.by_hand import (
        HandCheckRequest,
        Sighting,
        TwoOffsetsRequest,
        hand_check,
        two_offsets,
    )
    from torsionbeat.jobs.hear import HearRequest, hear
    from torsionbeat.jobs.listen import ListenRequest, finish_night, listen
    from torsionbeat.jobs.microphone import CheckMicrophoneRequest, check_microphone, devices
    from torsionbeat.jobs.report import ReportRequest, report
    from torsionbeat.jobs.set_beat import SetBeatRequest, set_beat
    from torsionbeat.jobs.strip import StripRequest, strip
    from torsionbeat.learning.learn import learn
    from torsionbeat.learning.trials import Trial
    from torsionbeat.reading.analysis import Listening, analyse, analyse_fully
    from torsionbeat.reading.document import reading_document
    from torsionbeat.reading.figures import Clock, Reading
    from torsionbeat.regulation.correction import correct
    from torsionbeat.regulation.facts import Facts, prior_response
    from torsionbeat.regulation.freeswing import free_swing
    from torsionbeat.regulation.present import from_reading
    from torsionbeat.regulation.stock import Stock
    from torsionbeat.twin import TwinClock, simulate


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'torsionbeat' has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(f"torsionbeat.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
