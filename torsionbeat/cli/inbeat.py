"""``torsionbeat inbeat``: set a clock in beat by ear, the offset large on the screen after each swing."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.history import LogOption

if TYPE_CHECKING:
    from torsionbeat.cli.onenight import NightPlan
    from torsionbeat.live.beat_trace import BeatSetting
    from torsionbeat.regulation.beatsetting import BeatAdvice

__all__ = ["inbeat_command"]

LEARNING = "Listening for the clock: three beats of each side are needed to know its sound."


def inbeat_command(
    clock: Annotated[
        str | None, typer.Option(help="Clock of the bench log: what is known of it comes from there.")
    ] = None,
    period: Annotated[float | None, typer.Option(help="Nominal full period, out and back (s).")] = None,
    lift: Annotated[
        float | None, typer.Option(help="Lift, contact to drop (deg): gives the arc, and with it degrees.")
    ] = None,
    arc: Annotated[
        float | None,
        typer.Option(
            help="Arc (amplitude end to end) as counted by eye (deg), where only the drop is heard."
        ),
    ] = None,
    share_above_fork: Annotated[
        float,
        typer.Option(help="Fork on the strip: its free length above the fork over all of it; else 1."),
    ] = 1.0,
    device: Annotated[
        str | None, typer.Option(help="Microphone: number or part of the name, as devices lists them.")
    ] = None,
    length: Annotated[
        str | None,
        typer.Option("--for", metavar="LENGTH", help="How long, e.g. 20min; left out, till Ctrl-C."),
    ] = None,
    log: LogOption = None,
) -> None:
    """Set a clock in beat: after each swing the offset, how sure it is, and the way to turn.

    Right again two swings after you have turned and let go. Side a and side b are the two ways the balance
    goes: the screen says at which it just went by. Nothing is kept.

    Exit status: 0 ended as wished, 2 an option cannot be used, 3 no clock heard, 4 the microphone failed.
    """
    from dataclasses import replace

    from torsionbeat.cli.hours import length_s
    from torsionbeat.cli.listen import open_source
    from torsionbeat.cli.onenight import ended_by_signals, night_plan
    from torsionbeat.theory.limits import arc_within

    plan = replace(
        night_plan(clock, log, period, lift, None),
        device=device,
        planned_s=None if length is None else length_s(length),
    )
    if arc is not None:
        arc_within(arc)
    with open_source(plan) as source, ended_by_signals(source.stop), _Screen() as screen:
        heard = _follow(plan, source, arc, share_above_fork, screen)
    if not heard:
        from torsionbeat.errors import NothingHeardError

        raise NothingHeardError(
            "no clock was heard; see with listen --check whether the microphone is well placed, and give --period"
        )


def _follow(plan: NightPlan, source: Any, arc: float | None, share: float, screen: _Screen) -> bool:
    """Until the source ends; whether a clock was heard."""
    from torsionbeat.live.beat_trace import BeatTrace
    from torsionbeat.live.follower import Follower

    follower = Follower(source.sample_rate_hz, plan.clock.nominal_period_s)
    trace = BeatTrace(source.sample_rate_hz, plan.clock.lift_deg, arc)
    setting, heard = None, False
    screen.show(None, None, LEARNING)
    for block in source.blocks():
        was_learning = follower.learning
        beats = follower.feed(block.samples[:, 0], block.start_frame)
        for beat in beats:
            heard = True
            assert follower.period_s is not None
            setting = trace.take(beat, follower.period_s)
        if beats or follower.learning != was_learning:
            if follower.learning:
                setting = None
            advice = _advice(setting, follower.period_s, plan, share)
            screen.show(setting, advice, LEARNING if follower.learning else "Ctrl-C ends.")
        if plan.planned_s is not None and block.stop_frame >= plan.planned_s * source.sample_rate_hz:
            break
    return heard


def _advice(
    setting: BeatSetting | None, period_s: float | None, plan: NightPlan, share: float
) -> BeatAdvice | None:
    if setting is None or setting.offset_deg is None or period_s is None:
        return None
    from torsionbeat.regulation.beatsetting import beat_advice

    return beat_advice(
        setting.beat_error_ms,
        setting.arc_deg,
        period_s,
        lift_deg=plan.clock.lift_deg or 0.0,
        offset_deg=setting.offset_deg,
        share_above_fork=share,
    )


def _words(setting: BeatSetting, advice: BeatAdvice | None) -> str:
    if advice is not None:
        return advice.sentence
    side = "b" if setting.beat_error_ms.nominal_value > 0 else "a"
    return (
        f"The swing {'a to b' if side == 'b' else 'b to a'} is the longer. With --lift, or --arc for a clock of "
        "which only the drop is heard, the angle to turn is told."
    )


class _Screen:
    """The view redrawn in place, or a line a swing where there is no terminal."""

    def __init__(self) -> None:
        from torsionbeat.display.terminal import eighty_columns

        self._console = eighty_columns()
        self._live: Any = None

    def show(self, setting: BeatSetting | None, advice: BeatAdvice | None, waiting: str) -> None:
        from torsionbeat.display.beatview import beat_line, beat_view

        words = "" if setting is None else _words(setting, advice)
        in_beat = setting is not None and setting.settled and advice is not None and not advice.needed
        if self._live is not None:
            self._live.update(beat_view(setting, words, waiting, in_beat), refresh=True)
        elif setting is not None:
            self._console.print(beat_line(setting, words))
        else:
            self._console.print(waiting)

    def __enter__(self) -> _Screen:
        if self._console.is_terminal:
            from rich.live import Live

            self._live = Live(console=self._console, auto_refresh=False, transient=False)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            with contextlib.suppress(OSError):
                self._live.stop()
