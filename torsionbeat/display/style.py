"""The look of all figures: plain plots, one accent colour, readable in grey, units on every axis.

Matplotlib is imported inside the functions, so that other uses start fast. Figures need no window system. Side a
is always a filled disc in the accent colour, side b an open square in dark grey: shape and darkness distinguish
them where colour does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.whole_files import written_whole

__all__ = [
    "ACCENT",
    "BAND",
    "DARK",
    "LIGHT",
    "SIDE_MARKS",
    "drawable",
    "empty_panel",
    "foot",
    "head",
    "headroom",
    "legend",
    "log_axes",
    "marks",
    "new_figure",
    "note",
    "panels",
    "save_figure",
    "styled",
    "time_axis",
]

ACCENT = "#0f6a8b"
DARK = "#333333"
LIGHT = "#8c8c8c"
BAND = "#e4e4e4"

SIDE_MARKS: dict[str, dict[str, Any]] = {
    "a": {"color": ACCENT, "marker": "o", "markerfacecolor": ACCENT},
    "b": {"color": DARK, "marker": "s", "markerfacecolor": "none"},
}

FONT = "DejaVu Sans"
"""Supplied with matplotlib, so that figures look the same everywhere; Latin, Greek and Cyrillic."""

OTHER_FONTS = (
    "Noto Sans CJK JP",
    "Noto Sans CJK SC",
    "Source Han Sans",
    "Hiragino Sans",
    "PingFang SC",
    "Apple SD Gothic Neo",
    "Yu Gothic",
    "Microsoft YaHei",
    "Microsoft JhengHei",
    "Malgun Gothic",
    "MS Gothic",
    "WenQuanYi Zen Hei",
    "WenQuanYi Micro Hei",
    "Droid Sans Fallback",
    "IPAGothic",
    "Arial Unicode MS",
    "Noto Sans",
    "Noto Sans Arabic",
    "Noto Sans Hebrew",
    "Noto Sans Devanagari",
    "Noto Sans Thai",
)
"""System fonts for other scripts: those that are installed draw the letters that the first font lacks."""

NO_GLYPH = "\N{WHITE SQUARE}"
"""Replaces a letter that no installed font can draw."""

STYLE: dict[str, Any] = {
    "figure.facecolor": "white",
    "figure.dpi": 100.0,
    "font.family": FONT,
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.labelsize": 9.0,
    "axes.edgecolor": "#555555",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.6,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "lines.linewidth": 1.2,
    "lines.markersize": 3.5,
    "lines.markeredgewidth": 0.8,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "legend.handlelength": 1.6,
    "axes.formatter.useoffset": False,
    "svg.hashsalt": "torsionbeat",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "savefig.facecolor": "white",
}

PIXELS_PER_INCH = 200
"""A figure 8 inches wide becomes 1600 pixels."""

SUFFIXES = (".png", ".svg", ".pdf")

WIDTH_IN = 8.0
"""Width of a picture: an A4 page without its margins is a little narrower, so the picture shrinks but stays readable."""

PAD_IN = 0.07
"""Margin around a drawing, so that no letter touches the edge."""

HEAD_IN = 0.35
"""Height of the line at the top of a figure."""

LEAST_DECADE = 10.0
"""Least ratio between the ends of a logarithmic axis: a single point then stands in the middle of a decade."""


@contextmanager
def styled() -> Iterator[None]:
    """Draw in the house style, whatever a user's own settings say."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)  # type: ignore[arg-type,unused-ignore]
        matplotlib.rcParams["font.family"] = [FONT, *_fonts()]
        yield


@lru_cache(maxsize=1)
def _fonts() -> dict[str, frozenset[int]]:
    """Installed fonts of other scripts, with the letters each one has."""
    from matplotlib.font_manager import fontManager
    from matplotlib.ft2font import FT2Font

    found: dict[str, frozenset[int]] = {}
    paths = {entry.name: entry.fname for entry in fontManager.ttflist if entry.name in OTHER_FONTS}
    for name in OTHER_FONTS:
        if name in paths:
            found[name] = frozenset(FT2Font(paths[name]).get_charmap())
    return found


@lru_cache(maxsize=1)
def _own_letters() -> frozenset[int]:
    from matplotlib.font_manager import findfont
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(findfont(FONT)).get_charmap())


def drawable(text: str, longest: int = 70) -> str:
    """Give a text as a figure can draw it: one line, no markup, a square for each letter that no installed font has.

    Examples
    --------
    >>> drawable("Gate house $1")
    'Gate house \\\\$1'
    """
    letters = _own_letters().union(*_fonts().values())
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    line = line if len(line) <= longest else f"{line[: longest - 3]}..."
    return "".join(sign if ord(sign) in letters else NO_GLYPH for sign in line).replace("$", r"\$")


def head(figure: Any, *parts: str) -> None:
    """Write at the top of a figure what it shows, such as the clock's name, the recording and the date.

    Letters that no installed font has are named beside it.
    """
    said = [drawable(part) for part in parts if part]
    if not said:
        return
    lost = any(
        NO_GLYPH in new and NO_GLYPH not in old for new, old in zip(said, filter(None, parts), strict=True)
    )
    note_ = [f"({NO_GLYPH}: no font here has the letter)"] if lost else []
    figure.suptitle("   ".join([*said, *note_]), x=0.01, ha="left", fontsize=11, fontweight="bold")


def foot(figure: Any, *lines: str) -> None:
    """Write small lines of text under all panels of a figure, from its left edge."""
    figure.supxlabel("\n".join(lines), x=0.02, ha="left", fontsize=8.5, linespacing=1.5)


def panels(figure: Any, rows: Sequence[tuple[Sequence[str], float]]) -> dict[str, Any]:
    """Lay out only the panels that have something to show; each row's panels share its whole width.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Empty; its height is set to that of the rows.
    rows : sequence of (names, height in inches)
        A row without any name is left out.

    Returns
    -------
    dict of str to matplotlib.axes.Axes
    """
    kept = [(list(names), height) for names, height in rows if names]
    figure.set_figheight(sum(height for _, height in kept) + HEAD_IN)
    grid = figure.add_gridspec(len(kept), 1, height_ratios=[height for _, height in kept])
    made = {}
    for row, (names, _) in enumerate(kept):
        parts = grid[row].subgridspec(1, len(names))
        for column, name in enumerate(names):
            made[name] = figure.add_subplot(parts[column])
    return made


def new_figure(height_in: float) -> Any:
    """Give an empty figure, 8 inches wide; call it inside ``styled``."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    layout = ConstrainedLayoutEngine(w_pad=PAD_IN, h_pad=PAD_IN)
    figure = Figure(figsize=(WIDTH_IN, height_in), layout=layout)
    FigureCanvasAgg(figure)
    return figure


def save_figure(figure: Any, path: str | Path) -> None:
    """Write a figure as PNG, SVG or PDF, by the suffix of the path: whole, or not at all.

    Raises
    ------
    InputError
        Another suffix, or a folder that is not there.
    DeviceError
        Writing to the disk failed.
    """
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        raise InputError(f"the plot cannot be written to {target}: its name must end in .png, .svg or .pdf")
    if not target.parent.is_dir():
        raise InputError(f"the plot cannot be written to {target}: there is no folder {target.parent}")
    dated = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {}}[target.suffix.lower()]
    try:
        with styled(), written_whole(target.resolve()) as part:
            kind = target.suffix[1:].lower()
            figure.savefig(part, format=kind, dpi=PIXELS_PER_INCH, metadata=dated)
    except OSError as error:
        raise DeviceError(
            f"the plot was not written to {target}: {error.strerror or error}; free the disk or take another"
        ) from error


def empty_panel(axes: Any, why: str) -> None:
    """Say in an empty panel why it is empty."""
    import textwrap

    axes.tick_params(bottom=False, left=False, labelbottom=False, labelleft=False)
    axes.set(xlabel="", ylabel="")
    axes.grid(False)
    text = textwrap.fill(why, 80 if axes.get_subplotspec().get_gridspec().ncols == 1 else 42)
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", color="#555555")


def legend(axes: Any, **place: Any) -> None:
    """Draw a legend with marks large enough to distinguish, even where those in the panel are tiny."""
    sizes = [line.get_markersize() for line in axes.lines if line.get_marker() in ("o", "s")]
    axes.legend(markerscale=3.5 / min(3.5, *sizes) if sizes else 1.0, **place)


def headroom(axes: Any, share: float = 0.2) -> None:
    """Leave room for a legend above what is drawn."""
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + share * (high - low))
    legend(axes, ncols=5, loc="upper right")


def log_axes(axes: Any) -> None:
    """Make both axes logarithmic, a decade long at least, with plain numbers at 1, 2 and 5 where few are shown."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.set_xscale("log")
    axes.set_yscale("log")
    for limits, set_limits in ((axes.get_xlim(), axes.set_xlim), (axes.get_ylim(), axes.set_ylim)):
        low, high = limits
        wider = max((LEAST_DECADE / (high / low)) ** 0.5, 1.0)
        set_limits(low / wider, high * wider)
    for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
        few = high / low < 100
        axis.set_major_locator(LogLocator(base=10, subs=(1.0, 2.0, 5.0) if few else (1.0,)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())


def marks(side: str, count: int) -> dict[str, Any]:
    """Give the style of a side's marks where ``count`` of them share a panel.

    Many marks are drawn as one bitmap inside an SVG or PDF, which otherwise grows by megabytes.
    """
    size = 3.5 if count <= 200 else 2.6 if count <= 1000 else 1.8 if count <= 3000 else 1.2
    look = SIDE_MARKS[side] | {"linestyle": "none", "markersize": size, "rasterized": count > 1200}
    return look | ({"markeredgewidth": 0.3} if count > 3000 else {})


def note(axes: Any, text: str) -> None:
    """Write a line of small text above a panel, at its right end."""
    axes.set_title(text, loc="right", fontsize=8.5, fontweight="normal", color="#555555")


def time_axis(span_s: float) -> tuple[float, str]:
    """Choose the unit of a time axis: seconds in one unit, and the axis label.

    Examples
    --------
    >>> time_axis(1200), time_axis(30_000)
    ((60.0, 'time from the start (min)'), (3600.0, 'time from the start (h)'))
    """
    if span_s < 2 * 3600:
        return 60.0, "time from the start (min)"
    if span_s < 3 * 86_400:
        return 3600.0, "time from the start (h)"
    return 86_400.0, "time from the start (days)"
