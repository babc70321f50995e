"""Readings on a terminal: plain sentences first, then the figures, the timebase and the remarks.

Eighty columns at most. Texts from files and from the bench log are printed literally, never as markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from torsionbeat.display.words import (
    figure_rows,
    plain,
    plus_minus,
    reading_sentences,
    timebase_words,
)
from torsionbeat.reading.figures import Reading

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Table
    from rich.text import Text

    from torsionbeat.sound.devices import Device

__all__ = [
    "WIDEST",
    "Fitted",
    "as_it_stands",
    "device_table",
    "eighty_columns",
    "print_bullets",
    "print_reading",
    "print_readings",
    "say",
    "simple_table",
]

WIDEST = 80
"""Columns of a terminal by default: every line fits."""

COLUMNS = (("Heard", 9), ("Rate, s/day", 13), ("Beat error, ms", 15), ("Arc, deg", 11))
"""Columns of a recording's line after its name, with their widths."""


def eighty_columns() -> Console:
    """Give a console on standard output, at most 80 columns wide, which prints text literally.

    Raises
    ------
    BrokenPipeError
        From printing to that console, after the reader has gone away.
    """
    from rich.console import Console

    class Screen(Console):
        """rich ends the program when the reader has gone away; here the command line decides how it ends."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    return Screen(width=min(Console().width, WIDEST), highlight=False, markup=False, emoji=False)


class Fitted:
    """Parts of a view, each with its rank. If they do not all fit, those of the highest rank are left out.

    Parameters
    ----------
    parts : sequence of (int, renderable)
        In the order in which they are shown; rank 0 is never left out.
    height : int or None
        Lines of the terminal; None: all parts are shown.
    """

    def __init__(self, parts: Sequence[tuple[int, RenderableType]], height: int | None) -> None:
        self._parts, self._height = list(parts), height

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        from rich.segment import Segment

        drawn = [console.render_lines(part, options, pad=False) for _, part in self._parts]
        shown = set(range(len(drawn)))
        for place in sorted(shown, key=lambda one: (-self._parts[one][0], -one)):
            full = self._height is None or sum(len(drawn[one]) for one in shown) <= self._height - 1
            if full or not self._parts[place][0]:
                break
            shown.discard(place)
        for place in sorted(shown):
            for line in drawn[place]:
                yield from line
                yield Segment.line()


def say(*sentences: str, console: Console | None = None) -> None:
    """Print sentences, each on lines of its own, wrapped."""
    screen = console or eighty_columns()
    for sentence in sentences:
        screen.print(plain(sentence), overflow="fold")


def print_reading(reading: Reading, console: Console | None = None) -> None:
    """Print one reading.

    Parameters
    ----------
    reading : Reading
    console : rich.console.Console, optional
        Where to; left out, standard output at 80 columns or less.
    """
    screen = console or eighty_columns()
    say(reading.recording.name, *reading_sentences(reading), console=screen)
    if rows := figure_rows(reading):
        table = simple_table("Figure", "Value", "95 % interval", "Unit")
        for column in (1, 2):
            table.columns[column].justify = "right"
        for row in rows:
            table.add_row(row.label, row.value, f"{row.low} to {row.high}", row.unit)
        screen.print(table)
    say(timebase_words(reading.timebase), console=screen)
    if reading.remarks:
        screen.print()
        say("Remarks", console=screen)
        print_bullets(reading.remarks, console=screen)


def print_readings(
    results: Sequence[tuple[str, Reading | Exception | str]], console: Console | None = None
) -> None:
    """Print several readings, one line for each recording; a failed one has its error instead.

    Parameters
    ----------
    results : sequence of (name, reading or error)
    console : rich.console.Console, optional
        Where to; left out, standard output at 80 columns or less.
    """
    screen = console or eighty_columns()
    titles = [name for name, _ in COLUMNS]
    table = simple_table("Recording", _cells(titles))
    table.columns[0].max_width = 24
    table.columns[1].min_width = sum(width + 1 for _, width in COLUMNS) - 1
    for name, result in results:
        if isinstance(result, Reading):
            body: RenderableType = _cells(
                [
                    f"{result.beats_heard}/{result.beats_expected}",
                    plus_minus(result.rate_s_per_day, sign=True),
                    plus_minus(result.beat_error_ms, sign=True),
                    plus_minus(result.arc_deg),
                ]
            )
        else:
            body = as_it_stands(str(result))
        table.add_row(as_it_stands(name), body)
    screen.print(table)
    readings = [(name, result) for name, result in results if isinstance(result, Reading)]
    if readings:
        say("± is the half-width of the 95 % interval; arc is the amplitude end to end.", console=screen)
    said: dict[str, list[str]] = {}
    for name, reading in readings:
        for remark in (timebase_words(reading.timebase), *reading.remarks):
            said.setdefault(remark, []).append(name)
    for remark, names in said.items():
        of = "" if len(names) == len(results) else f"{', '.join(names)}: "
        print_bullets([of + remark], console=screen)


def print_bullets(texts: Sequence[str], console: Console | None = None) -> None:
    """Print texts, each behind a dash and wrapped beside it."""
    from rich.table import Table

    screen = console or eighty_columns()
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column()
    grid.add_column(overflow="fold")
    for text in texts:
        grid.add_row("-", as_it_stands(text))
    if texts:
        screen.print(grid)


def simple_table(*titles: RenderableType) -> Table:
    """Give an empty table with a rule under its head and no other lines."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for title in titles:
        table.add_column(title, overflow="fold")
    return table


def device_table(devices: Sequence[Device]) -> Table:
    """Give the microphones, one a row."""
    table = simple_table("No.", "Microphone", "Sound system", "Channels", "Rate, Hz", "")
    for device in devices:
        usual = "taken unless you say otherwise" if device.is_default else ""
        table.add_row(
            str(device.number),
            as_it_stands(device.name),
            as_it_stands(device.system),
            str(device.channels),
            f"{device.sample_rate_hz:g}",
            usual,
        )
    return table


def _cells(texts: Sequence[str]) -> Table:
    from rich.table import Table

    grid = Table.grid(padding=(0, 1, 0, 0), pad_edge=False)
    for _, width in COLUMNS:
        grid.add_column(width=width, justify="right", overflow="fold")
    grid.add_row(*map(as_it_stands, texts))
    return grid


def as_it_stands(text: str) -> Text:
    """Give a text that a table prints literally, never as markup."""
    from rich.text import Text

    return Text(plain(text))
