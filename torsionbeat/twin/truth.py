"""The true events of the twin's clock, with which a reading of its sound is compared."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from torsionbeat.errors import InputError
from torsionbeat.twin.swing import Beat

__all__ = ["Events", "Truth"]

KINDS = ("contact", "unlocking", "drop", "banking", "knock")


@dataclass(frozen=True, slots=True)
class Events:
    """The clock's sounds in order of time, one entry each; times in true seconds from the recording's start.

    Attributes
    ----------
    time_s : ndarray of float, shape (n,)
        Instant at which the sound begins, including jitter.
    clean_time_s : ndarray of float, shape (n,)
        The same without jitter: the instant of the integrated motion.
    side : ndarray of str, shape (n,)
        ``a`` (towards the negative angle) or ``b``.
    kind : ndarray of str, shape (n,)
        ``contact``, ``unlocking``, ``drop``, ``banking``, ``knock`` or ``flutter`` (a further drop in the same swing).
    level_db : ndarray of float, shape (n,)
        Peak of the dry sound relative to full scale.
    """

    time_s: NDArray[np.float64]
    clean_time_s: NDArray[np.float64]
    side: NDArray[np.str_]
    kind: NDArray[np.str_]
    level_db: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.time_s)

    def where(self, *, kind: str | None = None, side: str | None = None) -> Events:
        """The events of one kind, of one side, or of both conditions."""
        keep = np.ones(len(self), dtype=bool)
        if kind is not None:
            keep &= self.kind == kind
        if side is not None:
            keep &= self.side == side
        return Events(
            self.time_s[keep], self.clean_time_s[keep], self.side[keep], self.kind[keep], self.level_db[keep]
        )

    def between(self, start_s: float, end_s: float) -> Events:
        """The events with start_s <= time_s < end_s."""
        keep = (self.time_s >= start_s) & (self.time_s < end_s)
        return Events(
            self.time_s[keep], self.clean_time_s[keep], self.side[keep], self.kind[keep], self.level_db[keep]
        )


@dataclass(frozen=True, slots=True)
class Truth:
    """Truth of one rendering.

    Attributes
    ----------
    beats : tuple of Beat
        Every beat that begins within the recording.
    events : Events
        Every sound of the clock within the recording.
    duration_s : float
        Length in true seconds.
    made_with : dict
        Every parameter of clock, room and recorder, and the seed.
    sudden : tuple of (float, str)
        Sudden events: true seconds and what happened.
    """

    beats: tuple[Beat, ...]
    events: Events
    duration_s: float
    made_with: dict[str, Any]
    sudden: tuple[tuple[float, str], ...] = ()

    def column(self, name: str) -> NDArray[np.float64]:
        """One attribute of every `Beat`, shape (beats,)."""
        return np.array([getattr(beat, name) for beat in self.beats], dtype=float)

    def between(self, start_s: float, end_s: float) -> Truth:
        """The truth of the stretch from start_s to end_s."""
        return Truth(
            tuple(b for b in self.beats if start_s <= b.middle_s < end_s),
            self.events.between(start_s, end_s),
            self.duration_s,
            self.made_with,
            tuple(s for s in self.sudden if start_s <= s[0] < end_s),
        )

    def mean_period_s(self, mark: str = "middle_s") -> float:
        """Mean full period without jitter: from the first to the last beat of one side, over both sides.

        `mark` is ``middle_s``, ``contact_s`` or ``drop_s``.

        Raises
        ------
        InputError
            The beats hold no full period.
        """
        span_s = 0.0
        periods = 0.0
        for side in "ab":
            mine = [b for b in self.beats if b.side == side and math.isfinite(getattr(b, mark))]
            if len(mine) >= 2:
                span_s += getattr(mine[-1], mark) - getattr(mine[0], mark)
                periods += (mine[-1].number - mine[0].number) / 2
        if not periods:
            raise InputError(
                f"{len(self.beats)} beats hold no full period: simulate at least three half periods."
            )
        return span_s / periods

    def beat_error_ms(self, mark: str = "middle_s") -> float:
        """Mean of (interval a to b - interval b to a) / 2 in ms, without jitter.

        Above 0 with an offset above 0; nan with fewer than three beats.
        """
        out: list[float] = []
        back: list[float] = []
        for first, second in pairwise(self.beats):
            interval_s = getattr(second, mark) - getattr(first, mark)
            if second.number == first.number + 1 and math.isfinite(interval_s):
                (out if first.side == "a" else back).append(interval_s)
        if not out or not back:
            return math.nan
        return 1e3 * (sum(out) / len(out) - sum(back) / len(back)) / 2

    def mean_arc_deg(self) -> float:
        """Mean arc from turning point to turning point."""
        return float(np.nanmean(self.column("arc_deg")))

    def mean_offset_deg(self) -> float:
        """Mean offset of the lift's middle."""
        return float(np.mean(self.column("offset_deg")))

    def figures(self) -> dict[str, float | None]:
        """Period, beat error, offset and arc of the whole recording; None where it holds too few beats."""
        if len(self.beats) < 4:
            return dict.fromkeys(("period_s", "beat_error_ms", "offset_deg", "arc_deg"))
        return {
            "period_s": self.mean_period_s(),
            "beat_error_ms": self.beat_error_ms(),
            "offset_deg": self.mean_offset_deg(),
            "arc_deg": self.mean_arc_deg(),
        }

    def save(self, recording: Path) -> tuple[Path, Path]:
        """Write RECORDING's truth beside it: ``.truth.json`` and ``.truth.csv``; return both paths."""
        as_json, as_csv = recording.with_suffix(".truth.json"), recording.with_suffix(".truth.csv")
        beats = [
            {
                "side": b.side,
                "contact_s": _number(b.contact_s),
                "middle_s": _number(b.middle_s),
                "drop_s": _number(b.drop_s),
                "arc_deg": _number(b.arc_deg),
                "offset_deg": b.offset_deg,
            }
            for b in self.beats
        ]
        whole = {
            "duration_s": self.duration_s,
            "figures": self.figures(),
            "made_with": self.made_with,
            "sudden": [{"time_s": time, "what": what} for time, what in self.sudden],
            "beats": beats,
        }
        as_json.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
        rows = ["time_s,side,kind,level_db"]
        e = self.events
        rows += [
            f"{t:.7f},{s},{k},{level:.2f}"
            for t, s, k, level in zip(e.time_s, e.side, e.kind, e.level_db, strict=True)
        ]
        as_csv.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return as_json, as_csv


def _number(value: float) -> float | None:
    return round(value, 9) if math.isfinite(value) else None
