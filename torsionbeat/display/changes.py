"""A comparison on a terminal and as a figure: what changed, what did not, and every row with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.terminal import eighty_columns, print_bullets, say, simple_table
from torsionbeat.display.words import amount, decimals, number, plain
from torsionbeat.history.comparison import Comparison, Group, Row
from torsionbeat.history.wander import pooled_deviations
from torsionbeat.reading.figures import Reading
from torsionbeat.reading.intervals import Estimate
from torsionbeat.theory.robust import COVERAGE

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "change_words",
    "comparison_figure",
    "comparison_sentences",
    "estimate_words",
    "leading_rows",
    "print_comparison",
    "row_cells",
    "row_notes",
    "value_words",
]

NIGHTLY = (
    ("rate_s_per_day", "Rate (+ gains)", "rate (s/day)"),
    ("arc_deg", "Arc (end to end)", "arc (deg)"),
    ("beat_error_ms", "Beat error", "beat error (ms)"),
)
"""Figures of every night that the picture of a comparison shows: field, title, label of the axis."""

VERDICTS = ("changed", "no change to be seen", "not judged")


def comparison_sentences(comparison: Comparison) -> list[str]:
    """Say what is compared, each change, and what did not change."""
    said = [f"Before: {_group_words(comparison.before)}.", f"After: {_group_words(comparison.after)}."]
    changed = [row for row in comparison.rows if row.verdict == "changed"]
    said += [f"Changed: {row.name} {change_words(row)}." for row in changed]
    if not any(row.change for row in comparison.rows):
        said.append("Nothing could be compared.")
    elif not changed:
        said.append("Nothing changed by more than its uncertainty.")
    same = [row.name for row in comparison.rows if row.leading and row.verdict == "no change to be seen"]
    if same:
        said.append(f"No change to be seen: {'; '.join(same)}.")
    return said


def leading_rows(comparison: Comparison) -> list[Row]:
    """Give the rows to show first: all that changed, and those that a restorer always wants to see."""
    return [
        row
        for row in comparison.rows
        if row.verdict == "changed" or (row.leading and (row.before is not None or row.after is not None))
    ]


def change_words(row: Row) -> str:
    """Say a change with its interval: by how much, or to how many times as much.

    Examples
    --------
    >>> from torsionbeat.reading.intervals import Estimate
    >>> change_words(Row("arc", "deg", None, None, Estimate(29.47, 28.24, 30.7)))
    'by +29.5 deg, between +28.2 and +30.7'
    >>> change_words(Row("spread", "deg", None, None, Estimate(0.47, 0.31, 0.7), ratio=True))
    'to 0.47 times as much, between 0.31 and 0.70'
    """
    change = row.change
    if change is None:
        return "was not judged"
    digits = _digits(change)
    value, low, high = (
        number(x, digits, sign=not row.ratio) for x in (change.value, change.low, change.high)
    )
    unit = f" {row.unit}" if row.unit else ""
    if row.ratio:
        return f"to {value} times as much, between {low} and {high}"
    return f"by {value}{unit}, between {low} and {high}"


def value_words(estimate: Estimate | None, *, sign: bool = False) -> str:
    """Write the value of an estimate alone, with the digits that its interval justifies; a dash for none."""
    return "-" if estimate is None else number(estimate.value, _digits(estimate), sign=sign)


def estimate_words(estimate: Estimate | None, *, sign: bool = False) -> str:
    """Write an estimate: value ± half-width, or value and both ends where the interval is asymmetric; a dash for none.

    Examples
    --------
    >>> from torsionbeat.reading.intervals import Estimate
    >>> estimate_words(Estimate(2.4, 1.9, 2.9)), estimate_words(Estimate(0.83, 0.55, 1.75))
    ('2.4 ± 0.5', '0.83 (0.55 to 1.75)')
    """
    if estimate is None:
        return "-"
    digits = _digits(estimate)
    value, low, high = (number(x, digits, sign=sign) for x in (estimate.value, estimate.low, estimate.high))
    below, above = estimate.value - estimate.low, estimate.high - estimate.value
    if abs(above - below) <= 0.05 * (above + below):
        return f"{value} ± {number((above + below) / 2, digits)}"
    return f"{value} ({low} to {high})"


def print_comparison(
    comparison: Comparison, console: Console | None = None, *, every_row: bool = False
) -> None:
    """Print a comparison: sentences, then rows under their verdict, then the remarks.

    Parameters
    ----------
    comparison : Comparison
    console : rich.console.Console, optional
        Where to; left out, standard output at 80 columns or less.
    every_row : bool
        Print all rows, even those not judged; else those that changed and those a restorer always wants to see.
    """
    screen = console or eighty_columns()
    say(*comparison_sentences(comparison), console=screen)
    shown = list(comparison.rows) if every_row else leading_rows(comparison)
    for verdict in VERDICTS:
        rows = [row for row in shown if row.verdict == verdict]
        if not rows:
            continue
        table = simple_table(plain(verdict.capitalize()), "Before", "After", "Change")
        for name, unit, before, after, change, _ in row_cells(rows):
            table.add_row(f"{name}, {unit}" if unit else name, before, after, change)
        screen.print(table)
        print_bullets(row_notes(rows), console=screen)
    say(
        "± is the half-width of the 95 % interval; intervals that lean are given by both ends.",
        console=screen,
    )
    rest = len(comparison.rows) - len(shown)
    if rest:
        say(
            f"{amount(rest, 'row')} more did not change or could not be judged: --all shows them.",
            console=screen,
        )
    screen.print()
    print_bullets(comparison.remarks, console=screen)


def comparison_figure(comparison: Comparison) -> Any:
    """Draw a comparison: every arc, rate and beat error by night, and stability before and after on log axes.

    A panel without data is left out, and the others use its space.

    Returns
    -------
    matplotlib.figure.Figure
    """
    measured = [
        one
        for one in NIGHTLY
        if any(getattr(reading, one[0]) is not None for reading in _readings(comparison))
    ]
    stable = any(pooled_deviations(group.readings) for group in (comparison.before, comparison.after))
    rows = [([name for name, *_ in measured], 2.8), (["stability"] if stable else [], 3.2)]
    with style.styled():
        figure = style.new_figure(height_in=6.0)
        panels = style.panels(figure, rows if measured or stable else [(["none"], 2.0)])
        style.head(figure, _readings(comparison)[-1].clock.name, _days(comparison))
        for name, title, label in measured:
            _plot_nights(panels[name], comparison, name, title, label)
        if stable:
            _plot_stability(panels["stability"], comparison)
        style.foot(figure, "Bars are 95 % intervals.")
        if not measured and not stable:
            style.empty_panel(panels["none"], "Nothing was measured on both sides; the remarks say why.")
        return figure


def _readings(comparison: Comparison) -> list[Reading]:
    return comparison.before.readings + comparison.after.readings


def _days(comparison: Comparison) -> str:
    """First and last day of both sides, where they are known."""
    dates = [night.taken_at for group in (comparison.before, comparison.after) for night in group.nights]
    days = sorted(f"{when.astimezone():%Y-%m-%d}" for when in dates if when is not None)
    return "" if not days else f"{days[0]} to {days[-1]}" if days[0] != days[-1] else days[0]


def _plot_nights(axes: Any, comparison: Comparison, name: str, title: str, label: str) -> None:
    axes.set_title(title)
    axes.set_ylabel(label)
    place, ticks = 0, []
    for word, group, look in _sides(comparison):
        first = place
        for reading in group.readings:
            figure = getattr(reading, name)
            if figure is not None:
                axes.errorbar(place, figure.nominal_value, COVERAGE * figure.std_dev, capsize=3, **look)
            place += 1
        ticks.append(((first + place - 1) / 2, word))
        place += 1
    axes.set_xticks([where for where, _ in ticks], [word for _, word in ticks])
    axes.set_xlim(-1.0, place - 1.0)
    axes.grid(False, axis="x")
    axes.margins(y=0.15)


def _plot_stability(axes: Any, comparison: Comparison) -> None:
    axes.set_title("Wander of the rate (Allan deviation)")
    axes.set_xlabel("averaging time (min)")
    axes.set_ylabel("deviation (s/day)")
    for shift, (word, group, look) in zip((0.97, 1.03), _sides(comparison), strict=True):
        found = pooled_deviations(group.readings)
        if not found:
            continue
        minutes = np.array(sorted(found)) / 60 * shift
        estimates = [found[tau] for tau in sorted(found)]
        values = np.array([e.value for e in estimates])
        ends = np.array([[e.value - e.low for e in estimates], [e.high - e.value for e in estimates]])
        axes.errorbar(minutes, values, ends, capsize=3, linestyle=":", label=word, **look)
    style.log_axes(axes)
    axes.legend(ncols=2, loc="best")
    style.note(axes, "95 % limits")


def _sides(comparison: Comparison) -> list[tuple[str, Group, dict[str, Any]]]:
    looks = (style.SIDE_MARKS["b"], style.SIDE_MARKS["a"])
    return [
        ("before", comparison.before, looks[0] | {"markersize": 5.0}),
        ("after", comparison.after, looks[1] | {"markersize": 5.0}),
    ]


def _group_words(group: Group) -> str:
    names = [night.reading.recording.name or "a reading" for night in group.nights]
    shown = list(dict.fromkeys(names))
    listed = ", ".join(shown[:3]) + (" and others" if len(shown) > 3 else "")
    counted = f"{len(names)} recordings, " if len(names) > 1 else ""
    return f"{group.label}: {counted}{listed}" if group.label else f"{counted}{listed}"


def _digits(estimate: Estimate) -> int:
    sides = (estimate.value - estimate.low, estimate.high - estimate.value)
    nearer = min((side for side in sides if side > 0), default=0.0)
    return decimals(nearer)


def row_notes(rows: Sequence[Row]) -> list[str]:
    """Give the rows' notes, each once with the names of its rows."""
    said: dict[str, list[str]] = {}
    for row in rows:
        for note in filter(None, row.note.split("; ")):
            said.setdefault(note, []).append(row.name)
    return [f"{note[0].upper()}{note[1:]}: {'; '.join(names)}." for note, names in said.items()]


def row_cells(rows: Sequence[Row]) -> list[tuple[str, str, str, str, str, str]]:
    """Give rows as texts for a report: name, unit, before, after, change, verdict."""
    cells: list[tuple[str, str, str, str, str, str]] = []
    for row in rows:
        change = estimate_words(row.change, sign=not row.ratio)
        if row.ratio and row.change is not None:
            change = f"times {change}"
        before, after = (estimate_words(side, sign=row.signed) for side in (row.before, row.after))
        cells.append((row.name, row.unit, before, after, change, row.verdict))
    return cells
