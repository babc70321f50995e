"""Readings straight from the twin's beats, without any sound: what an ideal listener would hand on.

Loaded by path (there are no packages among the tests)::

    spec = importlib.util.spec_from_file_location("twin_readings", path)
"""

from __future__ import annotations

import numpy as np
from uncertainties import ufloat

from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.reading.figures import Clock, Events, Reading, RecordingInfo, Swings, Timebase
from torsionbeat.theory.rate import fit_beats, student_factor
from torsionbeat.theory.stability import deviation_at, phase_on_grid, stability
from torsionbeat.theory.swing import arc_deg, offset_deg

EXACT = Timebase("stated", 0.0, 0.1)


def reading_of_beats(
    beats,
    clock=None,
    *,
    duration_s,
    seed=0,
    timebase=EXACT,
    jitter_ms=0.5,
    missed=0.0,
    contact=True,
    level_db=None,
    level_scatter_db=1.5,
    longer_b=1.0,
    name="night.flac",
    remarks=(),
):
    """Give the reading of beats heard with jitter.

    ``level_db`` maps (side, kind) to a mean level, 20 dB where left out; ``longer_b`` stretches the lift
    passage of side b about its middle; ``missed`` is the share of beats not heard.
    """
    rng = np.random.default_rng([seed, 77])
    clock = clock or Clock(nominal_period_s=60.0, lift_deg=20.0)
    beats = [beat for beat in beats if np.isfinite(beat.drop_s)]
    expected = beats[-1].number - beats[0].number + 1
    kept = [beat for beat in beats if rng.random() >= missed] if missed else beats
    side = np.array([beat.side for beat in kept])
    number = np.array([beat.number for beat in kept])
    begin, end = (np.array([getattr(beat, mark) for beat in kept]) for mark in ("contact_s", "drop_s"))
    stretch = np.where(side == "b", longer_b - 1, 0.0) * (end - begin) / 2
    begin = begin - stretch + 1e-3 * jitter_ms * rng.standard_normal(len(kept))
    end = end + stretch + 1e-3 * jitter_ms * rng.standard_normal(len(kept))
    time = (begin + end) / 2 if contact else end
    fit = fit_beats(time, number, side)
    period, error = fit.period_s.nominal_value, fit.beat_error_s.nominal_value
    passage = end - begin if contact else np.full(len(kept), np.nan)
    arc = np.full(len(kept), np.nan)
    offset = 0.0
    if contact and clock.lift_deg is not None:
        arc = arc_deg(passage, period, clock.lift_deg)
        offset = offset_deg(1e3 * error, float(np.mean(arc)), period)
        arc = arc_deg(passage, period, clock.lift_deg, offset)
    before = dict(zip(number, time, strict=True))
    own_period = np.array([t - before.get(n - 2, np.nan) for n, t in zip(number, time, strict=True)])
    swings = Swings(number, time, side, own_period, passage, arc)

    levels = level_db or {}
    rows = []
    for kind, times in (("contact", begin), ("drop", end)) if contact else (("drop", end),):
        noise = level_scatter_db * rng.standard_normal(len(kept))
        rows += [
            (t, s, kind, levels.get((s, kind), 20.0) + n) for t, s, n in zip(times, side, noise, strict=True)
        ]
    rows.sort()
    events = Events(*[np.array(column) for column in zip(*rows, strict=True)])

    wander = 0.0
    if len(kept) > 20:
        curve = stability(phase_on_grid(number, fit.residual_s), period / 2)
        wander = deviation_at(curve, float(np.ptp(time)))
    own = np.hypot(fit.period_s.std_dev / period, wander)
    relative = np.hypot(own, 1e-6 * timebase.standard_uncertainty_ppm)
    rate = None
    if clock.nominal_period_s is not None:
        rate = ufloat(86_400 * (clock.nominal_period_s / period - 1), 86_400 * relative)
    has_arc = bool(np.any(np.isfinite(arc)))
    trend = mean_arc = None
    if has_arc:
        hours = time / 3600
        slope = np.polyfit(hours, arc, 1)[0]
        blocks = np.array([np.mean(block) for block in np.array_split(arc, min(10, len(arc) // 2))])
        factor = student_factor(len(blocks) - 1)
        middles = np.array([np.mean(block) for block in np.array_split(hours, len(blocks))])
        (_, _), covariance = np.polyfit(middles, blocks, 1, cov=True)
        trend = ufloat(slope, student_factor(len(blocks) - 2) * np.sqrt(covariance[0, 0]))
        tolerance = clock.lift_tolerance_deg / np.sqrt(3) / clock.lift_deg * np.mean(arc)
        mean_arc = ufloat(
            np.mean(arc), np.hypot(factor * blocks.std(ddof=1) / np.sqrt(len(blocks)), tolerance)
        )
    return Reading(
        recording=RecordingInfo(name, duration_s, 48_000.0, 1),
        timebase=timebase,
        clock=clock,
        period_s=ufloat(period, period * relative),
        rate_s_per_day=rate,
        beat_error_ms=ufloat(1e3 * error, 1e3 * fit.beat_error_s.std_dev),
        offset_deg=ufloat(offset, 0.02) if has_arc else None,
        arc_deg=mean_arc,
        arc_trend_deg_per_hour=trend,
        beats_expected=expected,
        beats_heard=len(kept),
        swings=swings,
        events=events,
        remarks=tuple(remarks),
    )


def voices(contact=True, frames=64, bands=12, frame_s=1.5e-3, lead_s=9e-3):
    """Give mean sounds of contact and drop on both sides: decays, quicker in the upper bands."""
    found = []
    for side, loud in (("a", 1.0), ("b", 0.6)):
        for kind, power, decay_s in (("contact", 12.0, 0.012), ("drop", 400.0, 0.030)):
            if kind == "contact" and not contact:
                continue
            t = np.arange(frames) * frame_s - lead_s
            speed = np.linspace(1, 3, bands) / decay_s
            ring = np.exp(-np.outer(np.maximum(t, 0), speed)) * (t >= 0)[:, None]
            found.append(
                VoiceProfile(side, kind, frame_s, -lead_s, (loud * power * ring).astype(np.float32), 480)
            )
    return tuple(found)
