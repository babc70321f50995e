"""The evidence behind a reading in one figure: every beat, its line, every arc, and the sound of a beat."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.words import figure_words, interval, rate_words
from torsionbeat.errors import InputError
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import Clock, Reading

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile
    from torsionbeat.theory.rate import BeatFit

__all__ = ["evidence_figure", "plot_arcs", "plot_time_errors", "plot_what_remains", "save_figure"]

save_figure = style.save_figure

LEAST_ROOM_DEG = 10.0
MOST_ROOMS = 5.0
"""Height of the arc's panel: ten degrees at least; limits are drawn where the arcs then still fill a fifth of it."""

GAP_SHARE = 0.75
"""Room between the two sounds for the lift passage, as a share of the contact's length."""


def evidence_figure(reading: Reading, voices: Sequence[VoiceProfile] = (), *, sound: bool = True) -> Any:
    """Draw a reading's evidence.

    Parameters
    ----------
    reading : Reading
    voices : sequence of VoiceProfile
        Mean sounds of contact and drop; may be empty.
    sound : bool
        False leaves out the panels of the sound, for a reading whose sound is long gone.

    Returns
    -------
    matplotlib.figure.Figure
        Time error and what remains of it after the line, arc, and the mean sound of a beat on each side. A
        panel without data says why it has none.
    """
    rows = [["error", "error"], ["rest", "rest"], ["arc", "arc"]]
    heights = [1.15, 0.8, 1.0]
    if sound:
        rows, heights = [*rows, ["sound a", "sound b"]], [*heights, 0.9]
    with style.styled():
        figure = style.new_figure(height_in=9.0 if sound else 6.8)
        panels = figure.subplot_mosaic(rows, height_ratios=heights)
        figure.suptitle(_short(reading.recording.name), x=0.01, ha="left", fontsize=11, fontweight="bold")
        fit = _fit(reading)
        plot_time_errors(panels["error"], reading, fit)
        plot_what_remains(panels["rest"], reading, fit)
        plot_arcs(panels["arc"], reading)
        if sound:
            top = max(plot_beat_sound(panels[f"sound {side}"], reading, voices, side) for side in "ab")
            for side in "ab" if top else "":
                panels[f"sound {side}"].set_ylim(0, 1.18 * top)
        return figure


def plot_time_errors(axes: Any, reading: Reading, fit: BeatFit | None = None) -> None:
    """Draw observed minus calculated time (ms) against the beat's number, with the fitted line of each side.

    Calculated from the nominal period, so that the slope is the rate; from the measured one where the nominal
    period is not known. A clock that gains is early: its line falls.
    """
    swings, fit = reading.swings, fit or _fit(reading)
    axes.set_title("Time error of every beat")
    axes.set_xlabel("beat number (two a period)")
    axes.set_ylabel("observed - calculated (ms)")
    period, said = _calculated_period(reading)
    middles = middles_s(swings)
    if period is None or len(swings) == 0:
        style.empty_panel(axes, f"{len(swings)} beats: too few for a period.")
        return
    start = (
        middles[0]
        if fit is None
        else fit.start_s.nominal_value + fit.period_s.nominal_value / 2 * swings.number[0]
    )
    counted = swings.number - swings.number[0]
    error_ms = 1e3 * (middles - start - counted * period / 2)
    for side in "ab":
        mine = swings.side == side
        if not np.any(mine):
            continue
        look = style.marks(side, len(swings))
        axes.plot(counted[mine], error_ms[mine], label=f"side {side}", **look)
        if fit is not None:
            line = error_ms[mine] - 1e3 * fit.residual_s[mine]
            axes.plot(counted[mine], line, color=look["color"], linestyle="-" if side == "a" else "--")
    style.legend(axes, ncols=2, loc="best")
    rate = reading.rate_s_per_day
    style.note(axes, said if rate is None else f"{said}; the clock {rate_words(rate)}")


def plot_what_remains(axes: Any, reading: Reading, fit: BeatFit | None = None) -> None:
    """Draw what is left of the time errors (ms) when the fitted lines are taken off."""
    swings, fit = reading.swings, fit or _fit(reading)
    axes.set_title("The same without the lines")
    axes.set_xlabel("beat number (two a period)")
    axes.set_ylabel("left over (ms)")
    if fit is None:
        style.empty_panel(axes, f"{len(swings)} beats: too few for a line.")
        return
    counted = swings.number - swings.number[0]
    axes.axhline(0, color=style.LIGHT, linewidth=0.8)
    for side in "ab":
        mine = swings.side == side
        axes.plot(
            counted[mine],
            1e3 * fit.residual_s[mine],
            **style.marks(side, len(swings)),
        )
    spread = 1e3 * fit.sigma_s
    style.note(axes, f"standard deviation {spread:.2g} ms")


def plot_arcs(axes: Any, reading: Reading) -> None:
    """Draw the arc of every swing (deg, end to end) against time, with mean, limits and knock arc."""
    swings, clock = reading.swings, reading.clock
    unit_s, label = style.time_axis(reading.recording.duration_s)
    axes.set_title("Arc (amplitude end to end)")
    axes.set_xlabel(label)
    axes.set_ylabel("arc (deg)")
    known = np.isfinite(swings.arc_deg)
    if not np.any(known):
        style.empty_panel(axes, _why_no_arc(reading))
        return
    for side in "ab":
        mine = known & (swings.side == side)
        axes.plot(
            swings.time_s[mine] / unit_s,
            swings.arc_deg[mine],
            label=f"side {side}",
            **style.marks(side, len(swings)),
        )
    shown: tuple[float, ...] = ()
    if reading.arc_deg is not None:
        low, high = shown = interval(reading.arc_deg)
        axes.axhspan(low, high, color=style.ACCENT, alpha=0.2, linewidth=0, label="mean, 95 %")
        style.note(axes, f"mean {figure_words(reading.arc_deg, 'deg')}")
    _draw_limits(axes, (*swings.arc_deg[known], *shown), clock)
    axes.set_xlim(0, reading.recording.duration_s / unit_s)
    style.headroom(axes)


def plot_beat_sound(axes: Any, reading: Reading, voices: Sequence[VoiceProfile], side: str) -> float:
    """Draw the mean sound of a beat of one side, contact and drop marked; return the highest level, dB.

    The lift passage between the two is long against the sounds, so it is drawn short and says how long it is.
    """
    axes.set_title(f"Sound of a beat, side {side}")
    axes.set_ylabel("above the room (dB)")
    mine = {voice.kind: voice for voice in voices if voice.side == side}
    if "drop" not in mine:
        style.empty_panel(axes, "The mean sound of a beat is not kept with this reading.")
        return 0.0
    passages = reading.swings.lift_passage_s[reading.swings.side == side]
    passages = passages[np.isfinite(passages)]
    passage_ms = 1e3 * float(np.median(passages)) if passages.size else None
    drawn = {"drop": (0.0, mine["drop"])}
    if passage_ms is not None and "contact" in mine:
        length_ms = 1e3 * mine["contact"].frame_s * len(mine["contact"].profile)
        drawn["contact"] = (-min(passage_ms, (1 + GAP_SHARE) * length_ms), mine["contact"])
    top = 0.0
    ticks: dict[float, str] = {}
    for kind, (at_ms, voice) in drawn.items():
        level = 10 * np.log10(1 + np.maximum(np.mean(voice.profile, axis=1, dtype=float), 0))
        since_ms = 1e3 * (voice.start_s + voice.frame_s * np.arange(len(level)))
        axes.fill_between(at_ms + since_ms, level, color=style.ACCENT, alpha=0.35, linewidth=0)
        axes.plot(at_ms + since_ms, level, color=style.ACCENT)
        axes.axvline(at_ms, color=style.DARK, linewidth=0.8, linestyle=":")
        axes.annotate(
            kind,
            (at_ms, 1),
            xycoords=("data", "axes fraction"),
            xytext=(3, -3),
            textcoords="offset points",
            va="top",
        )
        step_ms = 10.0 if since_ms[-1] < 50 else 20.0 if since_ms[-1] < 100 else 50.0
        ticks |= {at_ms + t: f"{t:g}" for t in np.arange(0, since_ms[-1] + 1e-9, step_ms)}
        top = max(top, float(level.max()))
    axes.set_xticks(list(ticks), list(ticks.values()))
    beats = mine["drop"].beats
    if passage_ms is not None and "contact" in drawn:
        contact = mine["contact"]
        ends_ms = drawn["contact"][0] + 1e3 * (contact.start_s + contact.frame_s * (len(contact.profile) - 1))
        begins_ms = 1e3 * mine["drop"].start_s
        axes.axvspan(ends_ms, begins_ms, color=style.BAND, alpha=0.8, linewidth=0, zorder=0)
        axes.text(
            (ends_ms + begins_ms) / 2,
            0.5,
            f"lift passage\n{passage_ms:.0f} ms,\nshortened"
            if drawn["contact"][0] > -passage_ms
            else f"lift passage\n{passage_ms:.0f} ms",
            ha="center",
            va="center",
            transform=axes.get_xaxis_transform(),
        )
        axes.set_xlabel("time from contact, and from drop (ms)")
        style.note(axes, f"{beats} beats")
    else:
        axes.set_xlabel("time from drop (ms)")
        style.note(axes, f"{beats} beats, no contact")
    axes.margins(x=0.02)
    return top


def _fit(reading: Reading) -> BeatFit | None:
    from torsionbeat.theory.rate import fit_beats

    swings = reading.swings
    try:
        return fit_beats(middles_s(swings), swings.number, swings.side)
    except InputError:
        return None


def _calculated_period(reading: Reading) -> tuple[float | None, str]:
    nominal = reading.clock.nominal_period_s
    if nominal is not None:
        return nominal, f"calculated from {nominal:g} s"
    if reading.period_s is None:
        return None, ""
    return reading.period_s.nominal_value, "calculated from the measured period"


def _why_no_arc(reading: Reading) -> str:
    for word in ("arc", "contact", "lift"):
        for remark in reading.remarks:
            if word in remark.lower():
                return remark
    return "No arc was measured."


def _draw_limits(axes: Any, arcs: Sequence[float], clock: Clock) -> None:
    """Draw the healthy arc as a band and the knock arc as a line, where they leave the arcs to be seen.

    Where the arcs would shrink to a line, the panel stays with them, and the limits are only told.
    """
    limits = (clock.arc_low_deg, clock.arc_high_deg, clock.knock_arc_deg)
    low, high, knock = limits
    known = [limit for limit in limits if limit is not None]
    least, most = float(np.min(arcs)), float(np.max(arcs))
    room = max(most - least, LEAST_ROOM_DEG)
    whole = max([most, *known]) - min([least, *known])
    if known and whole > MOST_ROOMS * room:
        axes.set_ylim(least - room / 2, most + room / 2)
    else:
        axes.set_ylim(min([least, *known]) - 0.05 * whole - 0.5, max([most, *known]) + 0.05 * whole + 0.5)
    seen = axes.get_ylim()
    if low is not None and high is not None:
        label = f"healthy, {low:.0f} to {high:.0f}"
        axes.axhspan(low, high, color=style.BAND, alpha=0.6, linewidth=0, zorder=0, label=label)
    else:
        for word, limit in (("from", low), ("up to", high)):
            if limit is not None:
                _draw_limit(axes, limit, f"healthy {word} {limit:.0f}", color=style.LIGHT, linestyle="--")
    if knock is not None:
        _draw_limit(axes, knock, f"knock at {knock:.0f}", color=style.DARK, linestyle="-.", linewidth=1.0)
    axes.set_ylim(seen)


def _draw_limit(axes: Any, limit: float, label: str, **look: Any) -> None:
    low, high = axes.get_ylim()
    if low <= limit <= high:
        axes.axhline(limit, label=label, **look)
    else:
        axes.plot([], [], " ", label=f"{label}, {'above' if limit > high else 'below'}")


def _short(name: str) -> str:
    stem = "".join(sign if sign.isprintable() else "?" for sign in Path(name).name).replace("$", r"\$")
    return stem if len(stem) <= 70 else f"{stem[:67]}..."
