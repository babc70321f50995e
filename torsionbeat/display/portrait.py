"""Pictures of the mean sound of a beat: level and spectrogram of each side, also for two clocks or nights compared."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.beat_sounds.portrait import FLOOR_DB, BeatPortrait, SidePortrait
from torsionbeat.display.style import ACCENT, DARK, LIGHT, drawable, foot, head, new_figure, styled
from torsionbeat.display.words import duration_words
from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray
from torsionbeat.reading.movement import flutter_words
from torsionbeat.tracks.bands import EDGES_HZ

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile
    from torsionbeat.history.comparison import Comparison
    from torsionbeat.jobs.beat_sounds import DigestResult

__all__ = ["beats_words", "digest_sentences", "has_mean_sounds", "mean_sounds_figure", "portrait_figure"]

LOWEST_HZ = 150.0
"""Lowest tone shown: hum and footsteps lie below it, and one window of the spectrogram holds at most one wave of it."""

TONES_HZ = (200, 500, 1000, 2000, 5000, 10_000, 20_000)
"""Tones named at the axis: 1, 2 and 5, as on any logarithmic scale."""

LOUDEST_DB = 40.0
"""Level above the room that is drawn black: a clear drop."""

DARKER = f"Darker is louder above the room, 0 to {LOUDEST_DB:.0f} dB; each band of tones for itself."

OTHER_SOUNDS = "Triangles: other sounds that every beat has, such as an unlocking, a banking or an echo."


def portrait_figure(*portraits: BeatPortrait, title: str = "") -> Any:
    """Draw the mean sound of each side: level over time, and under it the spectrogram.

    Parameters
    ----------
    portraits : BeatPortrait
        One, or two to be compared, before and after. All share one scale.
    title : str
        Title of the picture, beside the name of the first.

    Returns
    -------
    matplotlib.figure.Figure
    """
    shown = [(portrait.name, side) for portrait in portraits for side in portrait.sides]
    with styled():
        figure = new_figure(5.6)
        said = title or "mean sound of a beat"
        head(figure, *([portraits[0].name, said] if len(portraits) == 1 else [said, "before and after"]))
        axes = figure.subplots(2, len(shown), squeeze=False, sharex="col", sharey="row", height_ratios=(1, 2))
        for column, (name, side) in enumerate(shown):
            whose = f"{drawable(name, 20)}\n" if len(portraits) > 1 else ""
            axes[0, column].set_title(f"{whose}side {side.side}, {side.beats} beats", fontsize="small")
            _level(axes[0, column], side, first=column == 0)
            _spectrogram(axes[1, column], side, first=column == 0)
        axes[0, 0].set_ylim(_lowest_db([side for _, side in shown]), 24)
        axes[1, 0].set_ylim(LOWEST_HZ, max(float(side.hz[-1]) for _, side in shown))
        others = any(side.other_s for _, side in shown)
        foot(figure, DARKER, *[OTHER_SOUNDS] * others)
    return figure


def _lowest_db(sides: Sequence[SidePortrait]) -> float:
    """Where the level's axis begins: 6 dB below the background of the quietest side, never below `FLOOR_DB`."""
    return max(FLOOR_DB, min(float(np.quantile(side.level_db, 0.05)) for side in sides) - 6.0)


def _marks(side: SidePortrait) -> Sequence[tuple[float, str]]:
    found = [(0.0, "drop")]
    if np.isfinite(side.contact_s):
        found.append((side.contact_s, "contact"))
    return found


def _level(axes: Any, side: SidePortrait, *, first: bool) -> None:
    axes.plot(1e3 * side.time_s, side.level_db, color=ACCENT if side.side == "a" else DARK, linewidth=1.2)
    for when_s, word in _marks(side):
        axes.axvline(1e3 * when_s, color=LIGHT, linewidth=0.8)
        above = 3 if word == "drop" else 12  # a short passage has no room for both words on one line
        axes.annotate(
            word, (1e3 * when_s, 3), xytext=(3, above), textcoords="offset points", fontsize="small"
        )
    for when_s in side.other_s:
        axes.plot([1e3 * when_s], [20.0], marker="v", color=LIGHT, linestyle="none")
    if first:
        axes.set_ylabel("dB from the loudest")


def _spectrogram(axes: Any, side: SidePortrait, *, first: bool) -> None:
    import librosa.display
    from matplotlib.ticker import FixedLocator, MaxNLocator, NullLocator, ScalarFormatter

    shown = librosa.display.specshow(
        side.over_room_db(),
        x_coords=1e3 * side.time_s,
        y_coords=side.hz,
        x_axis=None,
        y_axis="log",
        ax=axes,
        cmap="Greys",
        vmin=0.0,
        vmax=LOUDEST_DB,
    )
    shown.set_rasterized(True)
    for when_s, _word in _marks(side):
        axes.axvline(1e3 * when_s, color=ACCENT, linewidth=0.8)
    axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.xaxis.set_major_formatter(ScalarFormatter())
    axes.yaxis.set_major_locator(FixedLocator(TONES_HZ))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(ScalarFormatter())
    axes.set_xlabel("ms from the drop")
    axes.set_ylabel("Hz" if first else "")


def has_mean_sounds(comparison: Comparison) -> bool:
    """Whether both sides of a comparison have a mean sound of one kind and side."""
    return bool(_pairs(comparison))


def mean_sounds_figure(comparison: Comparison) -> Any:
    """Draw the mean sounds of contact and drop before and after, separately for each side: level, and its tones below.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    InputError
        No mean sound was kept on one of the two.
    """
    from matplotlib.ticker import FixedLocator, NullLocator, ScalarFormatter

    pairs = _pairs(comparison)
    if not pairs:
        raise InputError(
            "no mean sound was kept with these readings, so none can be drawn: give the recordings, or read them again "
            "with --clock"
        )
    with styled():
        figure = new_figure(6.0)
        head(figure, comparison.after.readings[-1].clock.name, "mean sounds before and after")
        axes = figure.subplots(
            3, len(pairs), squeeze=False, sharex="col", sharey="row", height_ratios=(1.4, 1, 1)
        )
        for column, voices in enumerate(pairs):
            kind, side = voices[0].kind, voices[0].side
            axes[0, column].set_title(f"{kind}, side {side}", fontsize="small")
            for voice, word, color in zip(voices, ("before", "after"), (LIGHT, ACCENT), strict=True):
                time_ms, level_db = _over_room(voice)
                axes[0, column].plot(time_ms, level_db.max(axis=1), color=color, linewidth=1.4, label=word)
            for row, (voice, word) in enumerate(zip(voices, ("before", "after"), strict=True), start=1):
                _tones(axes[row, column], voice)
                for axis in (axes[row, column].yaxis,):
                    axis.set_major_locator(FixedLocator(TONES_HZ))
                    axis.set_minor_locator(NullLocator())
                    axis.set_major_formatter(ScalarFormatter())
                if column == 0:
                    axes[row, column].set_ylabel(f"{word}, Hz")
            axes[2, column].set_xlabel("ms from its beginning")
        axes[0, 0].set_ylabel("dB above the room")
        axes[0, -1].legend(fontsize="small", loc="upper right")
        foot(figure, DARKER)
    return figure


def _pairs(comparison: Comparison) -> list[tuple[VoiceProfile, VoiceProfile]]:
    """Mean sounds that both sides of a comparison have, from the last night of each."""
    found = []
    for kind, side in product(("contact", "drop"), "ab"):
        both = [
            [
                voice
                for night in group.nights
                for voice in night.voices
                if (voice.kind, voice.side) == (kind, side)
            ]
            for group in (comparison.before, comparison.after)
        ]
        if all(both):
            found.append((both[0][-1], both[1][-1]))
    return found


def _over_room(voice: VoiceProfile) -> tuple[FloatArray, FloatArray]:
    """Times (ms) from the beginning of a mean sound, and its level above the room by band (dB)."""
    time_ms: FloatArray = 1e3 * (
        voice.start_s + voice.frame_s * np.arange(len(voice.profile), dtype=np.float64)
    )
    level_db: FloatArray = 10 * np.log10(1 + np.maximum(voice.profile.astype(np.float64), 0))
    return time_ms, level_db


def _tones(axes: Any, voice: VoiceProfile) -> None:
    """Level above the room by band, on the bands' own edges."""
    time_ms, level_db = _over_room(voice)
    bands = voice.profile.shape[1]
    edges_hz = (
        np.array(EDGES_HZ[: bands + 1]) if bands < len(EDGES_HZ) else np.geomspace(900, 15_500, bands + 1)
    )
    sides_ms = np.append(time_ms, time_ms[-1] + 1e3 * voice.frame_s)
    shown = axes.pcolormesh(sides_ms, edges_hz, level_db.T, cmap="Greys", vmin=0.0, vmax=LOUDEST_DB)
    shown.set_rasterized(True)
    axes.set_yscale("log")
    axes.set_ylim(edges_hz[0], edges_hz[-1])


def beats_words(portraits: Sequence[BeatPortrait]) -> str:
    """Say how many beats were averaged on each side."""
    return "; ".join(f"side {one.side}: {one.beats} beats" for part in portraits for one in part.sides)


def digest_sentences(made: DigestResult) -> list[str]:
    """Say what a digest holds, where it is, and whether there are repeated drops."""
    return [
        f"{made.beats} beats in {duration_words(made.duration_s)}: {made.output}, labels in {made.labels.name}.",
        flutter_words(made.reading.flutter, made.reading.period_s.nominal_value),
    ]
