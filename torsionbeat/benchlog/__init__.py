"""The clock's history in a database."""

from __future__ import annotations

from torsionbeat.benchlog.log import BenchLog, open_log
from torsionbeat.benchlog.tables import (
    ClockRecord,
    FreeSwingRecord,
    HandCheckRecord,
    NoteRecord,
    ReadingRecord,
    TrialRecord,
    WorkRecord,
)

__all__ = [
    "BenchLog",
    "ClockRecord",
    "FreeSwingRecord",
    "HandCheckRecord",
    "NoteRecord",
    "ReadingRecord",
    "TrialRecord",
    "WorkRecord",
    "open_log",
]
