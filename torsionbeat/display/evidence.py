"""The evidence behind a reading in one figure: its rate by stretches, every beat, every arc, the sound of a beat."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.display import style
from torsionbeat.display.fold import plot_fold
from torsionbeat.display.words import COVERAGE, figure_words, interval, rate_words
from torsionbeat.errors import InputError
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import Clock, Reading, Swings
from torsionbeat.theory.rate import DAY_S, BeatFit, fit_beats

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile

__all__ = ["evidence_figure", "plot_arcs", "plot_rate_course", "plot_what_remains", "save_figure"]

save_figure = style.save_figure

LEAST_ROOM_DEG = 10.0
"""Least height of the arc's panel: otherwise the scatter of a quiet clock would fill it."""
MOST_ROOMS = 5.0
"""Greatest height of the arc's panel, in heights of the arcs: limits are drawn if the arcs still fill a fifth of it."""

LEAST_BEATS, MOST_STRETCHES = 12, 24
"""Fewest beats that a stretch's rate rests on, and most stretches that can be distinguished at eight inches."""

LEAST_RATE_ROOM = 0.2
"""Least height of the rate's panel, s/day: below it a restorer has nothing to do."""
LONGEST_NOTE = 50
"""Characters of the rate's sentence up to which the whole note fits on one line with the panel's title, as drawn."""
GAP_SHARE = 0.75
"""Space between the two sounds for the lift passage, as a share of the contact's length."""


def evidence_figure(
    reading: Reading,
    voices: Sequence[VoiceProfile] = (),
    *,
    sound: bool = True,
    taken_at: datetime | None = None,
) -> Any:
    """Draw a reading's evidence.

    Parameters
    ----------
    reading : Reading
    voices : sequence of VoiceProfile
        Mean sounds of contact and drop; may be empty.
    sound : bool
        False leaves out the panels of the sound, for a reading whose sound no longer exists.
    taken_at : datetime, optional
        When the recording began, for the head of the figure.

    Returns
    -------
    matplotlib.figure.Figure
        Rate through the recording, each beat's time residual, arc, the mean sound of a beat on each side, and anything that
        repeats with a wheel. A panel without data is left out and named at the foot.
    """
    fit = _fit(reading)
    heard = (
        [side for side in "ab" if any((v.side, v.kind) == (side, "drop") for v in voices)] if sound else []
    )
    with_arc = bool(np.any(np.isfinite(reading.swings.arc_deg)))
    rows = [
        (["rate"], 2.2),
        (["rest"] if fit is not None else [], 1.8),
        (["arc"] if with_arc else [], 2.3),
        ([f"sound {side}" for side in heard], 2.1),
        (["fold"] if reading.wheels else [], 2.1),
    ]
    missing = [
        name
        for name, drawn in (("arc", with_arc), ("sound of a beat", bool(heard) or not sound))
        if not drawn
    ]
    with style.styled():
        figure = style.new_figure(height_in=9.0)
        panels = style.panels(figure, rows)
        style.head(figure, reading.clock.name, _day(taken_at), Path(reading.recording.name).name)
        plot_rate_course(panels["rate"], reading)
        if fit is not None:
            plot_what_remains(panels["rest"], reading, fit)
        if with_arc:
            plot_arcs(panels["arc"], reading)
        top = max(
            (plot_beat_sound(panels[f"sound {side}"], reading, voices, side) for side in heard), default=0
        )
        for side in heard if top else "":
            panels[f"sound {side}"].set_ylim(0, 1.18 * top)
        if reading.wheels:
            plot_fold(panels["fold"], reading, reading.wheels[0])
        if missing:
            style.foot(figure, f"Not measured: {', '.join(missing)}; the remarks of the reading say why.")
        return figure


def plot_rate_course(axes: Any, reading: Reading) -> None:
    """Draw the rate (s/day) over stretches of the recording with 95 % intervals, and the mean as a band.

    The rate is relative to the nominal period or, where that is not known, to the recording's own mean. The timebase's
    uncertainty is left out: it moves all stretches alike.
    """
    period = reading.clock.nominal_period_s
    known = period is not None
    if period is None and reading.period_s is not None:
        period = reading.period_s.nominal_value
    unit_s, label = style.time_axis(reading.recording.duration_s)
    axes.set_title("Rate (+ gains)" if known else "Rate against its mean")
    axes.set_xlabel(label)
    axes.set_ylabel("rate (s/day)")
    stretches = [] if period is None else list(_stretches(reading.swings, period))
    if not stretches:
        style.empty_panel(axes, f"{len(reading.swings)} beats: too few for a rate in stretches.")
        return
    begin, end, rate, half = np.array(stretches).T
    middle, width = (begin + end) / 2 / unit_s, (end - begin) / 2 / unit_s
    look = style.SIDE_MARKS["a"] | {"markersize": 3.0}
    axes.errorbar(middle, rate, half, width, linestyle="none", elinewidth=1.0, **look)
    least, most = float(np.min(rate - half)), float(np.max(rate + half))
    if reading.rate_s_per_day is not None:
        mean, own = reading.rate_s_per_day.nominal_value, _own_half(reading)
        axes.axhspan(mean - own, mean + own, color=style.ACCENT, alpha=0.2, linewidth=0)
        said, drawn = f"the clock {rate_words(reading.rate_s_per_day)};", "drawn without the timebase's share"
        style.note(axes, f"{said} {drawn}" if len(said) <= LONGEST_NOTE else f"{said}\n{drawn}")
    room = 0.15 * max(most - least, LEAST_RATE_ROOM)
    axes.set_ylim(least - room, most + room)
    if least - room < 0 < most + room:  # zero is shown unless it would flatten the rates
        axes.axhline(0, color=style.LIGHT, linewidth=0.8)
    axes.set_xlim(0, reading.recording.duration_s / unit_s)


def _stretches(swings: Swings, period_s: float) -> Iterator[tuple[float, float, float, float]]:
    """Begin and end (s) of stretches of equally many beats, the rate in each and half its 95 % interval (s/day)."""
    count = min(len(swings) // LEAST_BEATS, MOST_STRETCHES)
    times = middles_s(swings)
    for rows in np.array_split(np.arange(len(swings)), count) if count else []:
        try:
            fit = fit_beats(times[rows], swings.number[rows], swings.side[rows])
        except InputError:
            continue
        rate = DAY_S * (period_s / fit.period_s - 1)
        half = COVERAGE * rate.std_dev
        yield float(times[rows[0]]), float(times[rows[-1]]), rate.nominal_value, half


def _own_half(reading: Reading) -> float:
    """Half the rate's 95 % interval without the timebase's share of it."""
    crystal = reading.timebase.standard_uncertainty_ppm * 1e-6 * DAY_S
    own = max(reading.rate_s_per_day.std_dev**2 - crystal**2, 0.0)
    return float(COVERAGE * np.sqrt(own))


def plot_what_remains(axes: Any, reading: Reading, fit: BeatFit | None = None) -> None:
    """Draw how early or late each beat came (ms) after rate and beat error are removed.

    Parameters
    ----------
    axes : object
        Where to draw.
    reading : Reading
    fit : BeatFit, optional
        Left out, made from the beats.
    """
    swings, fit = reading.swings, fit or _fit(reading)
    axes.set_title("What remains of each beat's time")
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
        style.empty_panel(axes, "No arc was measured; the remarks of the reading say why.")
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

    The lift passage between them is much longer than the sounds, so it is drawn short and labelled with its length.
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
    swings = reading.swings
    try:
        return fit_beats(middles_s(swings), swings.number, swings.side)
    except InputError:
        return None


def _draw_limits(axes: Any, arcs: Sequence[float], clock: Clock) -> None:
    """Draw the healthy arc as a band and the knock arc as a line, unless that would flatten the arcs.

    If the arcs would shrink to a line, the panel shows only them, and the legend names the limits.
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


def _day(when: datetime | None) -> str:
    return "" if when is None else f"{when.astimezone():%Y-%m-%d %H:%M}"
