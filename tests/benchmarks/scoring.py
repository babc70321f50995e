"""Score one twin recording against its truth: used by the benchmarks beside it.

All times are compared in the recorder's own stated timebase with the true ppm given, so that what is scored is the
hearing and not the crystal.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from torsionbeat.errors import NothingHeardError
from torsionbeat.reading.analysis import Listening, analyse_fully
from torsionbeat.reading.figures import Clock, Reading

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

NEAR_S = 0.05
"""A sound found within this of a true one is that one: the window of mir_eval.onset.f_measure."""


@dataclass(frozen=True)
class Score:
    """What was found, against what was there. Errors are found less true; nan where there is nothing to compare."""

    name: str
    seed: int
    heard: bool
    beats_true: int
    beats_found: int
    beats_false: int
    time_rms_ms: float
    period_ppm: float
    period_u_ppm: float
    beat_error_ms: float
    beat_error_u_ms: float
    offset_deg: float
    arc_deg: float
    arc_u_deg: float
    arc_rms_deg: float
    remarks: tuple[str, ...]


def score_scene(scene, name: str, seed: int) -> Score:
    """Render a scene to a file, analyse it as a restorer would, and score it."""
    rendering = scene.render()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"night{scene.suffix}"
        rendering.write(path, with_truth=False)
        clock = Clock("", scene.nominal_period_s, scene.lift_deg)
        listening = Listening(sample_clock_ppm=rendering.recorder.crystal_ppm)
        try:
            reading = analyse_fully(path, clock, listening).reading
        except NothingHeardError as error:
            nan = float("nan")
            beats = len(rendering.truth.beats)
            return Score(name, seed, False, beats, 0, 0, *[nan] * 9, (str(error),))
    holes = rendering.recorder.silences
    return score_reading(name, seed, reading, rendering.truth, scene.lift_deg is not None, holes)


def score_reading(name: str, seed: int, reading: Reading, truth, with_contact: bool, holes) -> Score:
    """Score a reading against its truth; ``holes`` are the (start, end) of what was not recorded, in seconds."""
    nan = float("nan")
    if not len(truth.beats):
        return Score(name, seed, True, 0, 0, reading.beats_heard, *[nan] * 9, reading.remarks)
    drops = np.array([beat.drop_s for beat in truth.beats])
    found = reading.events.time_s[reading.events.kind == "drop"]
    nearest = np.abs(found[:, None] - drops[None, :]).argmin(axis=1)
    error = found - drops[nearest]
    good = np.abs(error) < NEAR_S
    times = [_centred(reading, truth, kind, side) for kind in ("contact", "drop") for side in "ab"]
    errors = np.concatenate([part for part in times if len(part)] or [np.array([nan])])
    index = nearest[good]
    if not len(index):
        return Score(name, seed, True, len(drops), 0, len(found), *[nan] * 9, reading.remarks)
    lost = np.zeros(len(drops), bool)
    for start, end in holes:
        # A drop inside a hole was not recorded; nor was one whose sound, 50 ms of it, the hole cuts.
        lost |= (drops > start - NEAR_S) & (drops < end)
    first, last = int(index.min()), int(index.max())
    marks = ["contact_s", "drop_s"] if with_contact else ["drop_s"]
    middles = np.mean([[getattr(beat, mark) for beat in truth.beats] for mark in marks], axis=0)
    # The mean period over the stretch heard: both sides', so that a beat error that travels is not in it.
    last -= (last - first) % 2
    whole = (middles[last] - middles[first]) / (last - first) * 2
    if last - first > 4:
        inner = (middles[last - 1] - middles[first + 1]) / (last - first - 2) * 2
        whole = (whole + inner) / 2
    side = str(reading.events.side[reading.events.kind == "drop"][good][0])
    sign = 1 if side == truth.beats[int(nearest[good][0])].side else -1
    stretch = truth.between(drops[first] - 1e-3, drops[last] + 1e-3) if hasattr(truth, "between") else truth
    beat_error = sign * float(np.mean([stretch.beat_error_ms(mark) for mark in marks]))
    arcs = np.array([beat.arc_deg for beat in truth.beats])
    arc = float(arcs[first : last + 1].mean())
    at = np.abs(middles[:, None] - reading.swings.time_s[None, :]).argmin(axis=0)
    swing = reading.swings.arc_deg - arcs[at]
    offset = sign * float(np.mean([beat.offset_deg for beat in truth.beats[first : last + 1]]))
    period, fault, mean_arc = reading.period_s, reading.beat_error_ms, reading.arc_deg
    return Score(
        name,
        seed,
        True,
        int(np.count_nonzero(~lost)),
        int(np.count_nonzero(~lost[sorted(set(index.tolist()))])),
        int(np.count_nonzero(~good)),
        float(np.sqrt(np.mean(errors**2)) * 1e3),
        float((period.nominal_value / whole - 1) * 1e6),
        float(period.std_dev / whole * 1e6),
        fault.nominal_value - beat_error if fault is not None else nan,
        fault.std_dev if fault is not None else nan,
        reading.offset_deg.nominal_value - offset if reading.offset_deg is not None else nan,
        mean_arc.nominal_value - arc if mean_arc is not None else nan,
        mean_arc.std_dev if mean_arc is not None else nan,
        float(np.sqrt(np.nanmean(swing**2))) if np.isfinite(swing).any() else nan,
        reading.remarks,
    )


def _centred(reading: Reading, truth, kind: str, side: str) -> np.ndarray:
    """Errors of event times, less the constant of their kind (all sides together share it)."""
    true = truth.events.time_s[truth.events.kind == kind]
    own = reading.events.time_s[reading.events.kind == kind]
    found = reading.events.time_s[(reading.events.kind == kind) & (reading.events.side == side)]
    if not len(true) or not len(own) or not len(found):
        return np.zeros(0)
    everything = own - true[np.abs(own[:, None] - true[None, :]).argmin(axis=1)]
    near = np.abs(everything) < NEAR_S
    constant = float(np.median(everything[near])) if near.any() else 0.0
    error = found - true[np.abs(found[:, None] - true[None, :]).argmin(axis=1)]
    return error[np.abs(error) < NEAR_S] - constant


def holds(error: float, uncertainty: float) -> bool | None:
    """Whether the 95 % interval holds the truth; None where there is no figure."""
    if not np.isfinite(error) or not np.isfinite(uncertainty):
        return None
    return abs(error) <= 1.96 * uncertainty
