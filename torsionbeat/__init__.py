"""torsionbeat listens to a torsion-pendulum clock and finds its rate, its beat and its arc.

The names below are what notebooks and programs use; each is loaded when it is first asked for, so that
``import torsionbeat`` costs nothing::

    import torsionbeat as tb

    reading = tb.analyse("night.flac", tb.Clock(nominal_period_s=60, lift_deg=20))
    print(reading.rate_s_per_day, reading.arc_deg)

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
`TorsionbeatError`                            base of all errors; the others are in `torsionbeat.errors`
============================================  ==================================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from torsionbeat.version import __version__

_HOMES = {
    "Clock": "reading.figures",
    "Facts": "regulation.facts",
    "Reading": "reading.figures",
    "Stock": "regulation.stock",
    "TorsionbeatError": "errors",
    "Trial": "regulation.learning.trials",
    "TwinClock": "twin",
    "analyse": "reading.analysis",
    "analyse_fully": "reading.analysis",
    "compare": "history.comparison",
    "comparison_figure": "display.changes",
    "correct": "regulation.correction",
    "evidence_figure": "display.evidence",
    "free_swing": "regulation.freeswing",
    "from_reading": "regulation.present",
    "learn": "regulation.learning.trials",
    "open_log": "benchlog",
    "print_reading": "display.terminal",
    "prior_response": "regulation.facts",
    "reading_document": "reading.document",
    "simulate": "twin",
}

__all__ = [
    "Clock",
    "Facts",
    "Reading",
    "Stock",
    "TorsionbeatError",
    "Trial",
    "TwinClock",
    "__version__",
    "analyse",
    "analyse_fully",
    "compare",
    "comparison_figure",
    "correct",
    "evidence_figure",
    "free_swing",
    "from_reading",
    "learn",
    "open_log",
    "print_reading",
    "prior_response",
    "reading_document",
    "simulate",
]

if TYPE_CHECKING:  # what a type checker or an editor sees
    from torsionbeat.benchlog import open_log
    from torsionbeat.display.changes import comparison_figure
    from torsionbeat.display.evidence import evidence_figure
    from torsionbeat.display.terminal import print_reading
    from torsionbeat.errors import TorsionbeatError
    from torsionbeat.history.comparison import compare
    from torsionbeat.reading.analysis import analyse, analyse_fully
    from torsionbeat.reading.document import reading_document
    from torsionbeat.reading.figures import Clock, Reading
    from torsionbeat.regulation.correction import correct
    from torsionbeat.regulation.facts import Facts, prior_response
    from torsionbeat.regulation.freeswing import free_swing
    from torsionbeat.regulation.learning.trials import Trial, learn
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
