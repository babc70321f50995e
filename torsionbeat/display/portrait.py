"""Pictures of the mean sound of a beat: level and spectrogram of each side, and two clocks or two nights beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.beat_sounds.portrait import FLOOR_DB, BeatPortrait, SidePortrait
from torsionbeat.display.style import ACCENT, DARK, LIGHT, drawable, head, new_figure, styled
from torsionbeat.display.words import duration_words
from torsionbeat.reading.movement import flutter_words

if TYPE_CHECKING:
    from torsionbeat.jobs.beat_sounds import DigestResult

__all__ = ["beats_words", "digest_sentences", "portrait_figure"]

LOWEST_HZ = 150.0
"""Lowest tone shown: below it lie hum and footsteps, and one window of the spectrogram holds a wave of it at most."""

TONES_HZ = (200, 500, 1000, 2000, 5000, 10_000, 20_000)
"""Tones named at the axis: 1, 2 and 5, as on any logarithmic scale."""


def portrait_figure(*portraits: BeatPortrait, title: str = "") -> Any:
    """Draw the mean sound of each side: level over time, and under it which tones it is made of.

    Parameters
    ----------
    portraits : BeatPortrait
        One, or two to be compared, before and after. All share one scale.
    title : str
        Over the picture, beside the name of the first.

    Returns
    -------
    matplotlib.figure.Figure
    """
    shown = [(portrait.name, side) for portrait in portraits for side in portrait.sides]
    loudest = max(float(side.power.max()) for _, side in shown)
    with styled():
        figure = new_figure(5.6)
        head(figure, portraits[0].name, title or "mean sound of a beat")
        axes = figure.subplots(2, len(shown), squeeze=False, sharex="col", height_ratios=(1, 2))
        for column, (name, side) in enumerate(shown):
            whose = f"{drawable(name, 20)}\n" if len(portraits) > 1 else ""
            axes[0, column].set_title(f"{whose}side {side.side}, {side.beats} beats", fontsize="small")
            _level(axes[0, column], side, first=column == 0)
            _spectrogram(axes[1, column], side, loudest, first=column == 0)
    return figure


def _marks(side: SidePortrait) -> Sequence[tuple[float, str]]:
    found = [(0.0, "drop")]
    if np.isfinite(side.contact_s):
        found.append((side.contact_s, "contact"))
    return found


def _level(axes: Any, side: SidePortrait, *, first: bool) -> None:
    axes.plot(1e3 * side.time_s, side.level_db, color=ACCENT if side.side == "a" else DARK, linewidth=1.2)
    axes.set_ylim(FLOOR_DB, 16)
    for when_s, word in _marks(side):
        axes.axvline(1e3 * when_s, color=LIGHT, linewidth=0.8)
        axes.annotate(word, (1e3 * when_s, 3), xytext=(3, 0), textcoords="offset points", fontsize="small")
    for when_s in side.other_s:
        axes.plot([1e3 * when_s], [9.0], marker="v", color=LIGHT, linestyle="none")
    if first:
        axes.set_ylabel("level, dB below the loudest")


def _spectrogram(axes: Any, side: SidePortrait, loudest: float, *, first: bool) -> None:
    import librosa.display
    from matplotlib.ticker import AutoLocator, FixedLocator, NullLocator, ScalarFormatter

    shown = librosa.display.specshow(
        side.power_db(loudest),
        x_coords=1e3 * side.time_s,
        y_coords=side.hz,
        x_axis=None,
        y_axis="log",
        ax=axes,
        cmap="Greys",
        vmin=FLOOR_DB,
        vmax=0.0,
    )
    shown.set_rasterized(True)
    axes.set_ylim(LOWEST_HZ, float(side.hz[-1]))
    for when_s, _word in _marks(side):
        axes.axvline(1e3 * when_s, color=ACCENT, linewidth=0.8)
    axes.xaxis.set_major_locator(AutoLocator())
    axes.xaxis.set_major_formatter(ScalarFormatter())
    axes.yaxis.set_major_locator(FixedLocator(TONES_HZ))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(ScalarFormatter())
    axes.set_xlabel("ms from the drop")
    axes.set_ylabel("Hz, darker is louder (60 dB from white to black)" if first else "")


def beats_words(portraits: Sequence[BeatPortrait]) -> str:
    """Say how many beats were averaged on each side."""
    return "; ".join(f"side {one.side}: {one.beats} beats" for part in portraits for one in part.sides)


def digest_sentences(made: DigestResult) -> list[str]:
    """Say what a digest holds, where it is, and whether drops came again."""
    return [
        f"{made.beats} beats in {duration_words(made.duration_s)}: {made.output}, labels in {made.labels.name}.",
        flutter_words(made.reading.flutter, made.reading.period_s.nominal_value),
    ]
