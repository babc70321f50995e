"""A running night on a terminal: whether the tick is heard, what the clock does, how much time remains.

Input: a ``LiveState``. Output: lines of 80 columns for people, redrawn in place, or one document for other
programs. The most important lines come first.
"""

from __future__ import annotations

import contextlib
import math
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from torsionbeat.display.terminal import WIDEST, Fitted, simple_table
from torsionbeat.display.words import amount, duration_words, figure_words, number, plain, rate_words
from torsionbeat.reading.document import figure_document

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from torsionbeat.bench.nights import Night
    from torsionbeat.live.level import Level
    from torsionbeat.live.session import LiveState
    from torsionbeat.reading.figures import Reading

__all__ = ["LEAVES", "LiveScreen", "level_bar", "live_view", "status_document", "tick_sentence"]

QUIETEST_DB = -90.0
"""The left end of the meter: a quiet room with a fair microphone is at about -70."""
BAR = 30
"""Columns of the meter: 3 dB each."""
LAST_BEATS = 6
"""Three full swings: as many as fit on a 24-line terminal."""
FAINT_DB = -75.0
"""A lower level is the microphone's own noise: its gain is too low, or it is not plugged in."""
REMARKS_SHOWN = 4
"""As many as fit with the figures in 24 lines."""
ENDS = "Ctrl-C ends and reads the night."
LEAVES = "Ctrl-C leaves it running."

LINE_EVERY_S = 600.0
"""Where no view can be redrawn, a line reports progress at least every ten minutes."""

URGENT = frozenset(["keeping-failed", "figures-failed"])
"""Remarks that need action while the night can still be saved."""

CLEAR_DB, ENOUGH_DB = 20.0, 10.0
"""As in the microphone check: drops with ten, and three, times the amplitude of the background."""


def level_bar(level: Level) -> str:
    """Draw the level, from -90 dB to full scale, and say what to change.

    Examples
    --------
    >>> from torsionbeat.live.level import Level
    >>> level_bar(Level(-60.0, -30.0, False))
    '[==========..........          ] mean -60 dB, peak -30 dB'
    """
    if level.rms_db == -math.inf:
        return "no sound at all: check the cable, the switch and the level of the microphone"
    mean, peak = (
        min(max(round((1 - db / QUIETEST_DB) * BAR), 0), BAR) for db in (level.rms_db, level.peak_db)
    )
    peak = max(peak, mean)
    bar = f"[{'=' * mean}{'.' * (peak - mean)}{' ' * (BAR - peak)}]"
    said = f"{bar} mean {number(level.rms_db, 0)} dB, peak {number(level.peak_db, 0)} dB"
    if level.clipped:
        return said + "; TOO LOUD"
    if level.rms_db < FAINT_DB:
        return said + "; faint"
    return said


def tick_sentence(state: LiveState) -> str:
    """Say whether and how clearly the clock is heard."""
    if state.away:
        return "The microphone is gone; it is waited for. Check its plug."
    if state.reading is None:
        return state.why[:1].upper() + state.why[1:]
    if state.standing_db is None:
        return "The tick is heard."
    height = f"{state.standing_db:.0f} dB above the room"
    if state.standing_db >= CLEAR_DB:
        return f"The tick is heard clearly, {height}."
    if state.standing_db >= ENOUGH_DB:
        return f"The tick is heard, {height}. Nearer to the movement would be better."
    return f"The tick is only just heard, {height}. Bring the microphone to the movement."


def live_view(state: LiveState, title: str, height: int | None = None, ends: str = ENDS) -> RenderableType:
    """Lay out the state for a terminal of 80 columns; urgent remarks come first and are never left out.

    Parameters
    ----------
    state : LiveState
    title : str
        The clock and the microphone.
    height : int or None
        Lines of the terminal; None: all is shown.
    ends : str
        What Ctrl-C does.
    """
    from rich.text import Text

    heard = state.reading is not None and not state.away
    parts: list[tuple[int, RenderableType]] = [(3, Text(plain(title), style="bold"))]
    parts.append((0, Text(plain(tick_sentence(state)), style="" if heard else "yellow")))
    urgent = [remark for remark in state.remarks if remark.code in URGENT]
    parts += [(0, Text(plain(remark), style="yellow")) for remark in urgent]
    if state.reading is not None:
        parts += [(2, Text(line)) for line in _figure_lines(state.reading)]
        parts.append((6, Text(f"(figures at {duration_words(state.reading_at_s)})", style="dim")))
        parts.append((7, _last_beats(state.reading)))
    else:
        parts.append((7, Text("")))
    parts.append((4, Text(f"Level {level_bar(state.level)}")))
    parts.append((1, Text(plain(f"{_remains(state)} {ends}"))))
    others = [remark for remark in state.remarks if remark.code not in URGENT]
    remarks = others[-REMARKS_SHOWN:]
    if len(others) > len(remarks):
        parts.append((5, Text(f"{len(others) - len(remarks)} earlier remarks", style="dim")))
    parts += [(5, Text(f"- {plain(remark)}")) for remark in remarks]
    return Fitted(parts, height)


def _figure_lines(reading: Reading) -> list[str]:
    lines = []
    if reading.rate_s_per_day is not None:
        lines.append(f"Rate        {rate_words(reading.rate_s_per_day)}")
    if reading.period_s is not None:
        lines.append(f"Period      {figure_words(reading.period_s, 's')}")
    if reading.beat_error_ms is not None:
        lines.append(f"Beat error  {figure_words(reading.beat_error_ms, 'ms')}")
    if reading.offset_deg is not None:
        lines.append(f"Offset      {figure_words(reading.offset_deg, 'deg')}")
    if reading.arc_deg is not None:
        lines.append(f"Arc         {figure_words(reading.arc_deg, 'deg')} (amplitude end to end)")
    lines.append(f"Beats       {reading.beats_heard} heard of {reading.beats_expected}")
    return lines


def _last_beats(reading: Reading) -> RenderableType:
    table = simple_table("Beat at", "Side", "Period, s", "Arc, deg")
    for column in (0, 2, 3):
        table.columns[column].justify = "right"
    swings = reading.swings
    for row in range(max(len(swings) - LAST_BEATS, 0), len(swings)):
        period_s, arc_deg = float(swings.period_s[row]), float(swings.arc_deg[row])
        table.add_row(
            clock_words(float(swings.time_s[row])),
            str(swings.side[row]),
            f"{period_s:.4f}" if math.isfinite(period_s) else "-",
            f"{arc_deg:.1f}" if math.isfinite(arc_deg) else "-",
        )
    return table


def clock_words(time_s: float) -> str:
    """Write a time since the beginning as hours, minutes and seconds.

    Examples
    --------
    >>> clock_words(75.26), clock_words(7384.0)
    ('1:15.3', '2:03:04.0')
    """
    tenths = round(time_s * 10)
    hours, minutes, seconds = tenths // 36000, tenths // 600 % 60, tenths % 600 / 10
    return f"{hours}:{minutes:02d}:{seconds:04.1f}" if hours else f"{minutes}:{seconds:04.1f}"


def _remains(state: LiveState) -> str:
    said = f"Listened for {duration_words(state.heard_s)}"
    if state.planned_s is not None:
        said += f", {duration_words(max(state.planned_s - state.heard_s, 0))} remain"
    kept = f"; kept in {state.kept}" if state.kept else "; nothing is kept"
    return f"{said}{kept}."


def status_document(state: LiveState, now: datetime) -> dict[str, Any]:
    """Give the state in plain types, for other programs; a figure that was not measured is None."""
    reading = state.reading
    figures = ("period_s", "rate_s_per_day", "beat_error_ms", "offset_deg", "arc_deg")
    level = state.level
    return {
        "schema": 1,
        "time": now.isoformat(timespec="seconds"),
        "heard_s": round(state.heard_s, 1),
        "planned_s": state.planned_s,
        "microphone": "away" if state.away else "here",
        "level_db": round(level.rms_db, 1) if math.isfinite(level.rms_db) else None,
        "peak_db": round(level.peak_db, 1) if math.isfinite(level.peak_db) else None,
        "too_loud": level.clipped,
        "tick_heard": reading is not None,
        "above_room_db": None if state.standing_db is None else round(state.standing_db, 1),
        "figures_at_s": round(state.reading_at_s, 1) if reading is not None else None,
        **{name: figure_document(getattr(reading, name, None)) for name in figures},
        "beats": None
        if reading is None
        else {"expected": reading.beats_expected, "heard": reading.beats_heard},
        "kept": state.kept,
        "remarks": list(state.remarks),
    }


class LiveScreen:
    """The view on a terminal, redrawn in place twice a second; a context manager.

    If the output is not a terminal (a file, a pipe), each new figure is one line instead. Drawing never ends a night: a
    lost terminal is ignored.

    Parameters
    ----------
    title : str
    console : rich.console.Console, optional
        Left out, standard error.
    ends : str
        What Ctrl-C does.
    """

    def __init__(self, title: str, console: Console | None = None, *, ends: str = ENDS) -> None:
        from rich.console import Console

        if console is None:
            wide = Console(stderr=True).width
            console = Console(
                stderr=True, width=min(wide, WIDEST), highlight=False, markup=False, emoji=False
            )
        self.title = title
        self.console = console
        self._ends = ends
        self._live: Any = None
        self._told: tuple[float, str, int] | None = None
        self._told_at_s = 0.0

    def begin(self, night: Night) -> None:
        """Name the clock and the microphone in the title."""
        self.title = f"Listening to {night.clock or 'the clock'} with {night.microphone}"

    def show(self, state: LiveState) -> None:
        """Show a state."""
        try:
            if self._live is not None:
                self._live.update(
                    live_view(state, self.title, self.console.height, self._ends), refresh=False
                )
            else:
                self._tell(state)
        except OSError:
            self._live = None

    def _tell(self, state: LiveState) -> None:
        new = (state.reading_at_s, tick_sentence(state), len(state.remarks))
        if new == self._told and state.heard_s < self._told_at_s + LINE_EVERY_S:
            return
        self._told_at_s = state.heard_s
        self._told = new
        said = [f"{duration_words(state.heard_s)}: {new[1]}"]
        said += [remark for remark in state.remarks if remark.code in URGENT]
        if state.reading is not None:
            if state.reading.rate_s_per_day is not None:
                said.append(f"It {rate_words(state.reading.rate_s_per_day)}.")
            heard = f"{state.reading.beats_heard} of {amount(state.reading.beats_expected, 'beat')}"
            said.append(f"Heard {heard}.")
        self.console.print(plain(" ".join(said)))

    def __enter__(self) -> Self:
        if self.console.is_terminal and not self.console.is_dumb_terminal:
            from rich.live import Live
            from rich.text import Text

            self._live = Live(
                Text("Listening; the first sounds are on their way."),
                console=self.console,
                refresh_per_second=2,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
                vertical_overflow="crop",
            )
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        live, self._live = self._live, None
        if live is not None:
            with contextlib.suppress(OSError):
                live.stop()
