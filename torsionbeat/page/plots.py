"""Contents of the page's plots, computed here so that the browser only draws.

Input: readings, mean sounds, a clock's history. Output: a plot as plain JSON: one axis ``x`` with its label, the rows
of ``series`` over it (null where there is no value), straight ``limits``, dated ``marks``, the range of the vertical
axis, and a sentence for readers who cannot see it. Kinds of series: ``points``, ``line``, ``value`` (a stroke with its
95 % interval ``low`` to ``high``).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.display.words import figure_words, interval, number, rate_words
from torsionbeat.errors import InputError
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import Clock, Reading, UFloat
from torsionbeat.theory.rate import fit_beats

__all__ = [
    "Plot",
    "arc_plot",
    "decay_plot",
    "history_plot",
    "offset_plot",
    "reading_plots",
    "remainder_plot",
    "sound_plot",
]

Plot = dict[str, Any]

MOST_POINTS = 600
"""More points than fit on a screen are thinned to every k-th, which keeps the scatter."""

HEADROOM = 0.08
"""Free height above and below the values, as a share of their span."""

DECAY_POINTS = 60
"""Enough for a smooth curve at any screen width."""

LEAST_ARC_SPAN_DEG = 4.0
"""Least span of the arc's axis: the scatter of a steady arc, a tenth of a degree, must look like a line."""

BENT_HEADROOM = 1.4
"""Free height on the bent scale, as a factor."""

WIDE_RANGE = 30.0
"""A bent scale is used if the largest rate is at least this many times the last one's interval."""


def reading_plots(
    reading: Reading, voices: Sequence[VoiceProfile] = (), names: tuple[str, str] = ("", "")
) -> dict[str, Plot]:
    """Give the plots of one reading by name; plots without data are left out.

    Parameters
    ----------
    reading : Reading
    voices : sequence of VoiceProfile
        Mean sounds of contact and drop; may be empty.
    names : (str, str)
        The restorer's names for side a and side b.
    """
    said = side_words(names)
    found = {
        "remainder": remainder_plot(reading, said),
        "arc": arc_plot(reading, said),
        "sound": sound_plot(voices, said),
    }
    return {name: plot for name, plot in found.items() if plot is not None}


def side_words(names: tuple[str, str]) -> dict[str, str]:
    """Give the restorer's names for the sides."""
    return {side: name or f"side {side}" for side, name in zip("ab", names, strict=True)}


def remainder_plot(reading: Reading, sides: dict[str, str]) -> Plot | None:
    """Time error of every beat (ms) after mean rate and beat error are removed, with a line for each side."""
    swings = reading.swings
    try:
        fit = fit_beats(middles_s(swings), swings.number, swings.side)
    except InputError:
        return None
    rest_ms = 1e3 * fit.residual_s
    unit_s, label = _time_unit(reading.recording.duration_s)
    series: list[dict[str, Any]] = []
    x = np.round(swings.time_s / unit_s, 4)
    for side in "ab":
        mine = swings.side == side
        if not np.any(mine):
            continue
        series.append(_series(sides[side], "points", side, np.where(mine, np.round(rest_ms, 3), np.nan)))
        if np.count_nonzero(mine) >= 3:
            slope, start = np.polyfit(x[mine], rest_ms[mine], 1)
            ends = np.full(len(x), np.nan)
            first, last = np.flatnonzero(mine)[[0, -1]]
            ends[[first, last]] = start + slope * x[[first, last]]
            line = _series(f"{sides[side]}, its line", "line", side, np.round(ends, 3))
            series.append(line | {"dashed": side == "b", "fitted": True})
    spread = number(1e3 * fit.sigma_s, 1)
    return _plot(
        x,
        series,
        x_label=label,
        y_label="ms left over",
        y_range=_range(rest_ms, least=2.0),
        said=f"Time error of {len(swings)} beats once mean rate and beat error are taken off: they scatter by {spread} ms.",
    )


def arc_plot(reading: Reading, sides: dict[str, str]) -> Plot | None:
    """Arc of every swing (degrees, end to end) against time, with the clock's limits."""
    swings = reading.swings
    known = np.isfinite(swings.arc_deg)
    if not np.any(known):
        return None
    unit_s, label = _time_unit(reading.recording.duration_s)
    series = [
        _series(
            sides[side],
            "points",
            side,
            np.where(known & (swings.side == side), np.round(swings.arc_deg, 2), np.nan),
        )
        for side in "ab"
        if np.any(known & (swings.side == side))
    ]
    shown = [swings.arc_deg[known]]
    bands = []
    said = "Arc of every swing."
    if reading.arc_deg is not None:
        low, high = interval(reading.arc_deg)
        bands.append({"low": round(low, 2), "high": round(high, 2), "label": "mean, 95 %"})
        said = f"Arc of every swing; the mean is {figure_words(reading.arc_deg, 'degrees')}."
        shown.append(np.array([low, high]))
    low_edge, high_edge = _range(np.concatenate(shown), least=LEAST_ARC_SPAN_DEG)
    limits = _arc_limits(reading.clock)
    near = [limit for limit in limits if low_edge - 60 <= limit["y"] <= high_edge + 60]
    if near:  # limits are drawn if the arcs stay visible beside them, else named
        low_edge = min(low_edge, *(limit["y"] - 3 for limit in near))
        high_edge = max(high_edge, *(limit["y"] + 3 for limit in near))
    far = [limit["label"] for limit in limits if limit not in near]
    if far:
        said += f" Beyond this plot: {', '.join(far)}."
    return _plot(
        np.round(swings.time_s / unit_s, 4),
        series,
        x_label=label,
        y_label="degrees, end to end",
        y_range=(low_edge, high_edge),
        said=said,
        limits=near,
        bands=bands,
    )


def sound_plot(voices: Sequence[VoiceProfile], sides: dict[str, str]) -> Plot | None:
    """Mean sound of contact and drop of each side (dB above the room) against time from its beginning (ms)."""
    curves = []
    for voice in voices:
        if voice.kind not in ("contact", "drop"):
            continue
        level = 10 * np.log10(1 + np.maximum(np.mean(voice.profile, axis=1, dtype=float), 0))
        since_ms = 1e3 * (voice.start_s + voice.frame_s * np.arange(len(level)))
        curves.append((voice, np.round(since_ms, 2), np.round(level, 1)))
    if not curves:
        return None
    x = np.unique(np.concatenate([since for _, since, _ in curves]))
    series = []
    for voice, since, level in curves:
        row = np.full(len(x), np.nan)
        row[np.searchsorted(x, since)] = level
        line = _series(f"{voice.kind}, {sides[voice.side]}", "line", voice.side, row)
        series.append(line | {"dashed": voice.kind == "contact"})
    top = max(float(level.max()) for *_, level in curves)
    loudest = ", ".join(
        f"{voice.kind} {sides[voice.side]} {level.max():.0f} dB" for voice, _, level in curves
    )
    return _plot(
        x,
        series,
        x_label="ms from where the sound begins",
        y_label="dB above the room",
        y_range=(0.0, 1.1 * top + 1),
        said=f"Mean sound of a beat, drop drawn through, contact dashed. Peaks above the room: {loudest}.",
    )


def offset_plot(settings: Sequence[tuple[float, UFloat, bool]], unit: str) -> Plot | None:
    """How far out of beat after each swing, with its 95 % interval, and where the setting was touched.

    Parameters
    ----------
    settings : sequence of (seconds, figure, just touched)
    unit : str
        ``degrees`` or ``ms``.
    """
    if not settings:
        return None
    x = np.array([round(at_s / 60, 3) for at_s, _, _ in settings])
    figures = [figure for _, figure, _ in settings]
    touched = [
        {"x": at, "label": "touched"}
        for at, (*_, now), before in zip(x.tolist(), settings, [(0, 0, False), *settings], strict=False)
        if now and not before[2]
    ]
    ends = np.array([interval(figure) for figure in figures])
    low, high = _range(np.concatenate([ends.ravel(), [0.0]]), least=1.0)
    return _plot(
        x,
        [_value_series("out of beat", "a", figures)],
        x_label="min from the start",
        y_label="degrees" if unit == "\N{DEGREE SIGN}" else unit.strip(),
        y_range=(low, high),
        said=f"Out of beat after each swing, last {figure_words(figures[-1], unit.strip())}.",
        limits=[{"y": 0.0, "label": "in beat", "aim": True}],
        marks=touched,
    )


def decay_plot(time_s: Sequence[float], arc_deg: Sequence[float]) -> Plot | None:
    """Arcs of a free swing (degrees) against time (min), with the laws fitted: drag of air alone, rubbing alone."""
    from torsionbeat.theory.decay import arc_at_deg, fit_free_swing

    time, arc = np.asarray(time_s, float), np.asarray(arc_deg, float)
    known = np.isfinite(arc)
    time, arc = time[known] - time[known][0], arc[known]
    x = np.unique(np.concatenate([np.linspace(0, time[-1], DECAY_POINTS), time]))
    row = np.full(len(x), np.nan)
    row[np.searchsorted(x, time)] = arc
    series = [_series("seen", "points", "a", row)]
    for label, law, side in (("drag of air alone", "air", "a"), ("rubbing alone", "dry", "b")):
        try:
            fit = fit_free_swing(time, arc, law)  # type: ignore[arg-type]
        except InputError:
            continue
        values = (
            getattr(one, "nominal_value", one)
            for one in (fit.arc_start_deg, fit.air_per_s, fit.dry_deg_per_s)
        )
        line = _series(label, "line", side, np.round(np.asarray(arc_at_deg(x, *values), float), 2))
        series.append(line | {"dashed": side == "b"})
    return _plot(
        np.round(x / 60, 3),
        series,
        x_label="min from the first look",
        y_label="degrees, end to end",
        y_range=_range(arc, least=10.0),
        said="Arcs as seen; drawn through: drag of air alone; dashed: rubbing alone.",
    )


def history_plot(
    rows: Sequence[tuple[datetime, UFloat]],
    works: Iterable[tuple[datetime, str]],
    *,
    what: str,
    limits: Sequence[dict[str, Any]] = (),
) -> Plot | None:
    """Rate or arc of every reading with its 95 % interval against the date, and the works done between.

    Parameters
    ----------
    rows : sequence of (moment, figure)
        A figure that was not measured is None.
    works : iterable of (moment, label)
    what : ``rate`` or ``arc``
    limits : sequence of limits, drawn if the values leave room for them
    """
    known = [(when, figure) for when, figure in rows if figure is not None]
    if len(known) < 2:  # one reading makes no course
        return None
    figures = [figure for _, figure in known]
    ends = np.array([interval(figure) for figure in figures])
    is_rate = what == "rate"
    largest, last_width = float(np.max(np.abs(ends))), float(ends[-1, 1] - ends[-1, 0])
    bent = is_rate and largest > WIDE_RANGE * max(last_width, 1.0)
    low, high = _range(
        np.concatenate([ends.ravel(), [0.0] if is_rate else []]), least=2.0 if is_rate else 10.0
    )
    last = figures[-1]
    said = (
        f"Last of {len(known)}: the clock {rate_words(last)}."
        if is_rate
        else f"Last of {len(known)}: {figure_words(last, 'degrees')}."
    )
    plot = _plot(
        np.array([when.timestamp() for when, _ in known]),
        [_value_series(what, "a" if is_rate else "b", figures)],
        x_label="",
        y_label="s a day, + gains" if is_rate else "degrees, end to end",
        y_range=(low, high),
        said=said,
        limits=[
            *([{"y": 0.0, "label": "on time", "aim": True}] if is_rate else []),
            *(limit for limit in limits if low <= limit["y"] <= high),
        ],
        marks=[{"x": when.timestamp(), "label": label} for when, label in works],
    )
    if bent:
        unit = max(last_width, 1.0)
        low, high = (
            min(float(ends.min()) * BENT_HEADROOM, -unit),
            max(float(ends.max()) * BENT_HEADROOM, unit),
        )
        plot |= {"yRange": [low, high], "bent": unit, "yTicks": _bent_ticks(low, high, unit)}
    return plot | {"dates": True}


def _bent_ticks(low: float, high: float, unit: float) -> list[float]:
    """Zero and the powers of ten from the bent scale's unit up, on both sides as far as the values reach."""
    first = 10.0 ** math.ceil(math.log10(unit))
    sizes = [first * 10**power for power in range(7)]
    return [
        *(-size for size in reversed(sizes) if -size >= low),
        0.0,
        *(size for size in sizes if size <= high),
    ]


def _arc_limits(clock: Clock) -> list[dict[str, Any]]:
    words = (
        (clock.arc_low_deg, "healthy from"),
        (clock.arc_high_deg, "healthy to"),
        (clock.knock_arc_deg, "knocks at"),
    )
    return [
        {"y": limit, "label": f"{word} {limit:g}\N{DEGREE SIGN}"}
        for limit, word in words
        if limit is not None
    ]


def _series(label: str, kind: str, side: str, values: npt.NDArray[np.float64]) -> dict[str, Any]:
    return {"label": label, "kind": kind, "side": side, "y": _plain(values), "dashed": False, "fitted": False}


def _value_series(label: str, side: str, figures: Sequence[UFloat]) -> dict[str, Any]:
    ends = [interval(figure) for figure in figures]
    return {
        "label": label,
        "kind": "value",
        "side": side,
        "dashed": False,
        "fitted": False,
        "y": [round(figure.nominal_value, 4) for figure in figures],
        "low": [round(low, 4) for low, _ in ends],
        "high": [round(high, 4) for _, high in ends],
    }


def _plot(
    x: npt.NDArray[np.float64],
    series: list[dict[str, Any]],
    *,
    x_label: str,
    y_label: str,
    y_range: tuple[float, float],
    said: str,
    limits: Sequence[dict[str, Any]] = (),
    bands: Sequence[dict[str, Any]] = (),
    marks: Sequence[dict[str, Any]] = (),
) -> Plot:
    keep = _thinned(len(x), series)
    for one in series:
        for name in ("y", "low", "high"):
            if name in one:
                one[name] = [one[name][row] for row in keep]
    return {
        "x": [float(x[row]) for row in keep],
        "series": series,
        "xLabel": x_label,
        "yLabel": y_label,
        "yRange": [float(y_range[0]), float(y_range[1])],
        "limits": list(limits),
        "bands": list(bands),
        "marks": list(marks),
        "said": said,
        "dates": False,
        "bent": 0.0,
        "yTicks": None,
    }


def _thinned(rows: int, series: list[dict[str, Any]]) -> list[int]:
    """Rows to keep: every k-th, with a step that includes both sides, and the ends of fitted lines."""
    if rows <= MOST_POINTS:
        return list(range(rows))
    step = math.ceil(rows / MOST_POINTS)
    step += step % 2 == 0  # an even step would keep one side and drop the other
    kept = set(range(0, rows, step)) | {rows - 1}
    for one in series:
        if one["kind"] == "line":
            kept |= {row for row, value in enumerate(one["y"]) if value is not None}
    return sorted(kept)


def _range(values: npt.NDArray[np.float64], least: float) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    middle, half = (low + high) / 2, max(high - low, least) / 2 * (1 + 2 * HEADROOM)
    return round(middle - half, 4), round(middle + half, 4)


def _time_unit(span_s: float) -> tuple[float, str]:
    if span_s < 120:
        return 1.0, "s from the start"
    return (60.0, "min from the start") if span_s < 2 * 3600 else (3600.0, "hours from the start")


def _plain(values: npt.NDArray[np.float64]) -> list[float | None]:
    return [float(value) if math.isfinite(value) else None for value in values]
