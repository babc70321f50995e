"""Setting in beat on a terminal: the offset in figures large enough to read across the bench, and the way to turn.

Input: the setting after a swing and the advice based on it. Output: lines of at most 80 columns.
"""

from __future__ import annotations

import contextlib
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from torsionbeat.display.terminal import Fitted
from torsionbeat.display.words import COVERAGE, decimals, figure_words, number, plain

if TYPE_CHECKING:
    from rich.console import RenderableType

    from torsionbeat.jobs.set_beat import BeatState
    from torsionbeat.live.beat_trace import BeatSetting

__all__ = ["BeatScreen", "beat_line", "beat_view", "large"]

LETTERS = {
    "0": ("####", "#  #", "#  #", "#  #", "####"),
    "1": ("  # ", " ## ", "  # ", "  # ", " ###"),
    "2": ("####", "   #", "####", "#   ", "####"),
    "3": ("####", "   #", " ###", "   #", "####"),
    "4": ("#  #", "#  #", "####", "   #", "   #"),
    "5": ("####", "#   ", "####", "   #", "####"),
    "6": ("####", "#   ", "####", "#  #", "####"),
    "7": ("####", "   #", "  # ", " #  ", " #  "),
    "8": ("####", "#  #", "####", "#  #", "####"),
    "9": ("####", "#  #", "####", "   #", "####"),
    "+": ("     ", "  #  ", "#####", "  #  ", "     "),
    "-": ("    ", "    ", "####", "    ", "    "),
    ".": (" ", " ", " ", " ", "#"),
}
GAP = "  "
LEAST_HEIGHT = 16
"""Least lines of a terminal with room for large figures and the way to turn."""

LEARNING = "Listening for the clock: three beats of each side are needed to know its sound."
AWAY = "No sound arrives from the microphone; it is waited for. Check its plug."
TITLE = "Setting in beat. Offset: middle of the lift against rest; aim at 0."


def large(text: str) -> list[str]:
    """Write a number five lines high, each dot two columns wide.

    Examples
    --------
    >>> print("|".join(large("-1.5")[1:3]))
                   ████        ██|████████      ██          ████████
    """
    rows = [GAP.join(LETTERS[sign][line] for sign in text) for line in range(5)]
    return ["".join(2 * sign for sign in row).replace("#", "\N{FULL BLOCK}").rstrip() for row in rows]


def _figure(setting: BeatSetting) -> tuple[str, str]:
    """The number to show large, and its unit: degrees where the arc is known, else ms."""
    figure, unit = (
        (setting.offset_deg, "deg") if setting.offset_deg is not None else (setting.beat_error_ms, "ms")
    )
    digits = min(decimals(COVERAGE * figure.std_dev), 1)
    return number(figure.nominal_value, digits, sign=True), unit


def beat_view(
    setting: BeatSetting | None,
    advice: str,
    waiting: str,
    in_beat: bool = False,
    height: int | None = None,
    side_names: tuple[str, str] = ("", ""),
) -> RenderableType:
    """Lay out a setting: first the way to turn, then how far, as large as the space allows.

    Parameters
    ----------
    setting : BeatSetting or None
        None if there is none yet: ``waiting`` then says what is awaited.
    advice, waiting : str
        What to do; what is awaited.
    in_beat : bool
    height : int or None
        Lines of the terminal; None: all is shown.
    side_names : (str, str)
        Where the balance goes at a beat of side a and of side b, if known.
    """
    from rich.text import Text

    if setting is None:
        return Fitted([(1, Text(TITLE, style="bold")), (2, Text("")), (0, Text(plain(waiting)))], height)
    shown, unit = _figure(setting)
    style = "green" if in_beat else "yellow" if not setting.settled else ""
    large_enough = height is None or height >= LEAST_HEIGHT
    parts: list[tuple[int, RenderableType]] = [(4, Text(TITLE, style="bold"))]
    parts.append((0, Text(plain(advice), style=style)))
    if large_enough:
        parts += [(5, Text("")), *((1, Text(row, style=style)) for row in large(shown)), (5, Text(""))]
    else:
        parts.append((0, Text(f"{shown} {unit}", style=style)))
    parts.append((2, Text(_said(setting, unit))))
    parts.append((1, Text(f"The balance just went by {_side(setting, side_names)}.")))
    parts.append((3, Text(plain(waiting), style="dim")))
    return Fitted(parts, height)


def _said(setting: BeatSetting, unit: str) -> str:
    parts = []
    if setting.offset_deg is not None:
        parts.append(f"offset {figure_words(setting.offset_deg, 'deg')}")
    parts.append(f"beat error {figure_words(setting.beat_error_ms, 'ms')}")
    if setting.arc_deg is not None:
        parts.append(f"arc about {setting.arc_deg.nominal_value:.0f} deg")
    said = "; ".join(parts)
    state = "" if setting.settled else " Just changed: one more swing to be sure."
    return f"{said[:1].upper()}{said[1:]}.{state}"


def _side(setting: BeatSetting, names: tuple[str, str]) -> str:
    """Say where the balance just went: by the name of the side, else by its letter."""
    name = names[0] if setting.side == "a" else names[1]
    return name or f"at side {setting.side}"


def beat_line(setting: BeatSetting, advice: str, side_names: tuple[str, str] = ("", "")) -> str:
    """One line for an output that is not a terminal.

    Parameters
    ----------
    setting : BeatSetting
    advice : str
        What to do.
    side_names : tuple of str
        The user's names for sides a and b.
    """
    side = _side(setting, side_names).removeprefix("at ")
    shown, unit = _figure(setting)
    settled = "" if setting.settled else " (just changed)"
    return f"{side}: {shown} {unit}{settled}. {advice}"


def setting_words(state: BeatState) -> str:
    """Say what to do: the advice or, if no angle is known, how to get one."""
    if state.advice is not None:
        return state.advice.sentence
    if state.setting is None:
        return ""
    longer = "a to b" if state.setting.beat_error_ms.nominal_value > 0 else "b to a"
    return (
        f"The swing {longer} is the longer. With --lift, or --arc for a clock of "
        "which only the drop is heard, the angle to turn is told."
    )


class BeatScreen:
    """The view redrawn in place, or one line for each swing if there is no terminal; a context manager."""

    def __init__(self) -> None:
        from torsionbeat.display.terminal import eighty_columns

        self._console = eighty_columns()
        self._live: Any = None
        self._told: tuple[int, str] | None = None

    def show(self, state: BeatState) -> None:
        """Show a state; a line is printed only if it differs from the last."""
        waiting = AWAY if state.away else LEARNING if state.learning else "Ctrl-C ends."
        words = setting_words(state)
        if self._live is not None:
            self._live.update(
                beat_view(
                    state.setting, words, waiting, state.in_beat, self._console.height, state.side_names
                ),
                refresh=True,
            )
        elif (state.beats, waiting) != self._told:
            self._told = state.beats, waiting
            setting = state.setting
            self._console.print(waiting if setting is None else beat_line(setting, words, state.side_names))

    def __enter__(self) -> Self:
        if self._console.is_terminal and not self._console.is_dumb_terminal:
            from rich.live import Live

            self._live = Live(console=self._console, auto_refresh=False, transient=False)
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            with contextlib.suppress(OSError):
                self._live.stop()
