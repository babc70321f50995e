"""``torsionbeat listen --check``: two minutes at the movement, and what they say of the microphone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from torsionbeat.cli.history import say
from torsionbeat.cli.telling import tell
from torsionbeat.errors import NothingHeardError

if TYPE_CHECKING:
    from torsionbeat.cli.onenight import NightPlan

__all__ = ["check_placing"]

TOLD_EVERY_S = 30


def check_placing(plan: NightPlan) -> None:
    """Listen for as long as planned, on two channels where there are two, and say what is heard.

    Raises
    ------
    NothingHeardError
        No tick is heard; the sentences that say why are printed before.
    """
    from dataclasses import replace

    from torsionbeat.cli.listen import open_source
    from torsionbeat.cli.onenight import ended_by_signals
    from torsionbeat.live.microphone_check import PlacingEar

    with open_source(replace(plan, channels=max(plan.channels, 2))) as source, ended_by_signals(source.stop):
        ear = PlacingEar(source.sample_rate_hz, source.channels, plan.clock)
        frames = (plan.planned_s or 120.0) * source.sample_rate_hz
        if not plan.quiet:
            tell(
                f"listening with {source.name} for {frames / source.sample_rate_hz:.0f} s; Ctrl-C ends sooner"
            )
        told = 0
        for block in source.blocks():
            ear.feed(block)
            heard_s = int(block.stop_frame / source.sample_rate_hz)
            if heard_s >= told + TOLD_EVERY_S and not plan.quiet and block.stop_frame < frames:
                told = heard_s
                tell(f"{heard_s} s")
            if block.stop_frame >= frames:
                break
        lost = [remark for remark in source.remarks if "were wanted" not in remark]
    found = ear.finish()
    say(*found.sentences, *lost)
    if found.best is None:
        raise NothingHeardError("no tick is heard where the microphone is now")
