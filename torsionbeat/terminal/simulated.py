"""Output of ``simulate`` about the recording that it made."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from torsionbeat.twin.demonstration import Demonstration
    from torsionbeat.twin.rendering import Rendering

__all__ = ["simulated_words"]


def simulated_words(rendering: Rendering, out: Path, what: Demonstration) -> str:
    """Say what was made, in plain words, figures first.

    Parameters
    ----------
    rendering : Rendering
        What was written.
    out : Path
        File with the sound.
    what : Demonstration
        The request.
    """
    from torsionbeat.display.words import number
    from torsionbeat.theory.rate import rate_s_per_day

    recorder, truth = rendering.recorder, rendering.truth
    length = rendering.duration_s / 60
    lasts = f"{length / 60:.4g} hours" if length >= 120 else f"{length:.4g} minutes"
    file = f"{recorder.sample_rate_hz / 1000:g} kHz, {recorder.bits} bit, seed {rendering.seed}"
    figures = truth.figures()
    period_s = figures["period_s"]
    if rendering.clock is None:
        first = f"No clock is in this recording: {lasts} of {what.room_words}."
    elif period_s is None:
        beats = f"{len(truth.beats)} beats of a {what.nominal_period_s:g} s clock"
        first = f"{beats}, too few for a rate: {lasts} of {what.room_words}."
    else:
        rate = float(rate_s_per_day(period_s, what.nominal_period_s))
        goes = (
            f"{'gains' if rate > 0 else 'loses'} {abs(rate):.2f} s a day" if round(rate, 2) else "keeps time"
        )
        first = (
            f"The clock {goes} "
            f"against its nominal period of {what.nominal_period_s:g} s.\n"
            f"Period {period_s:.6f} s, arc (amplitude end to end) {figures['arc_deg']:.1f} deg.\n"
            f"Offset {number(figures['offset_deg'] or 0.0, 2)} deg, beat error {number(figures['beat_error_ms'] or 0.0, 1)} ms.\n"
            f"{len(truth.beats)} beats in {lasts} of {what.room_words}."
        )
    return f"{first}\nSound  {out} ({file})\nTruth  {out.with_suffix('.truth.json')} and .csv"
