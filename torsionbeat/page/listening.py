"""Listening from the page: a check of the microphone, setting in beat, or a night. One at a time.

Input: the request from a form. Output: the job runs in its own thread and reports to every open page. It goes on
when the page is closed, and ends after its length, by a button, or with the server.
"""

from __future__ import annotations

import contextlib
import os
import threading
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.source import Microphone, Playback
from torsionbeat.display.words import reading_sentences
from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.jobs.listen import ListenRequest, ListenResult, listen
from torsionbeat.jobs.microphone import CheckMicrophoneRequest, CheckState, check_microphone
from torsionbeat.jobs.set_beat import BeatState, SetBeatRequest, set_beat
from torsionbeat.page.feed import Feed
from torsionbeat.page.pictures import beat_bar, beat_figure, beat_shift
from torsionbeat.page.plots import offset_plot, reading_plots
from torsionbeat.reading.document import reading_document

if TYPE_CHECKING:
    from torsionbeat.live.session import LiveState
    from torsionbeat.page.recordings import Recordings

__all__ = ["Activity", "Listening", "Wanted"]

TOPIC = "live"
KINDS = {"check": "checking the microphone at", "beat": "setting the beat of", "night": "listening to"}

TONE_HZ, TONE_OCTAVES = 880.0, 2.0
"""The tone when in beat, and how far it sinks when far out of beat."""

ENDS_WITHIN_S = 600.0
"""Longest wait at the end: reading a recording of a month takes minutes."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to listen to, and how: the request from the form.

    The letters of the sides are the clock's own if its sounds are recognised; else side a is the one heard first.
    ``kind`` is ``check``, ``beat`` or ``night``; ``clock`` is its name in the log or empty. ``arc_deg`` and
    ``share_above_fork`` matter only for setting in beat.
    """

    kind: str
    clock: str = ""
    period_s: float | None = None
    lift_deg: float | None = None
    device: str | None = None
    duration_s: float | None = None
    keep: str = "sound"
    arc_deg: float | None = None
    share_above_fork: float = 1.0
    recording: Path | None = None


@dataclass(slots=True)
class Activity:
    """One listening, running or ended: its last state and its result."""

    wanted: Wanted
    began: datetime
    state: Any = None
    ended: bool = False
    said: tuple[str, ...] = ()
    trouble: str = ""
    recording: str = ""
    result: Any = None
    settings: list[tuple[float, Any, bool]] = field(default_factory=list)
    cancel: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None

    @property
    def what(self) -> str:
        """The activity in words."""
        return f"{KINDS[self.wanted.kind]} {self.wanted.clock or 'a clock'}"


class Listening:
    """Runs one listening at a time for the page.

    Parameters
    ----------
    folder : Path
        Where nights are kept.
    log : str or None
    feed : Feed
    recordings : Recordings
        Receives the nights of clocks that are not in the log.
    """

    def __init__(self, folder: Path, log: str | None, feed: Feed, recordings: Recordings) -> None:
        self._folder, self._log, self._feed, self._recordings = folder, log, feed, recordings
        self._lock = threading.Lock()
        self.activity: Activity | None = None
        self.on_end: Callable[[Activity], None] = lambda _: None

    @property
    def running(self) -> Activity | None:
        """The running listening."""
        activity = self.activity
        return None if activity is None or activity.ended else activity

    def begin(self, wanted: Wanted) -> Activity:
        """Begin to listen.

        Raises
        ------
        InputError
            A listening is running already.
        """
        with self._lock:
            running = self.running
            if running is not None:
                raise InputError(f"this page is {running.what} already; end that first")
            activity = Activity(wanted, datetime.now(UTC))
            self._feed.forget(TOPIC)
            activity.thread = threading.Thread(
                target=self._run, args=(activity,), name=wanted.kind, daemon=True
            )
            self.activity = activity
            activity.thread.start()
        return activity

    def end(self) -> None:
        """Ask the running listening to end; its sound is kept and read."""
        running = self.running
        if running is not None:
            running.cancel.set()

    def end_all(self) -> str:
        """End the running listening, wait for it, and say its result."""
        running = self.running
        if running is None:
            return ""
        running.cancel.set()
        if running.thread is not None:
            running.thread.join(ENDS_WITHIN_S)
        if running.wanted.kind != "night":
            return f"Ended {running.what}."
        kept = " ".join((*running.said, running.trouble)).strip()
        return f"Ended {running.what}; it was kept to its last sample. {kept}"

    def _run(self, activity: Activity) -> None:
        jobs = {"check": self._check, "beat": self._beat, "night": self._night}
        try:
            jobs[activity.wanted.kind](activity)
        except TorsionbeatError as error:
            activity.trouble = str(error)
        except Exception as error:
            activity.trouble = f"listening ended by a fault that nobody foresaw ({type(error).__name__}); what was kept stays"
        finally:
            activity.ended = True
            with contextlib.suppress(Exception):
                self.on_end(activity)
            self._show(activity, "whole")

    def _told(self, show: Callable[[Any], None]) -> Callable[[Any], None]:
        """Wrap the function that shows the states: a fault in showing one never ends a listening."""

        def told(state: Any) -> None:
            try:
                show(state)
            except Exception:
                if os.environ.get("TORSIONBEAT_DEBUG") == "1":
                    traceback.print_exc()

        return told

    def _sound(self, wanted: Wanted) -> Microphone | Playback:
        if wanted.recording is not None:
            return Playback(wanted.recording, pace=1.0)
        return Microphone(device=wanted.device)

    def _known(self, wanted: Wanted) -> KnownClock:
        return KnownClock(wanted.clock or None, wanted.period_s, wanted.lift_deg, log=self._log)

    def _show(self, activity: Activity, *parts: str) -> None:
        from torsionbeat.page.views import fragment

        for part in parts:
            place = "live" if part == "whole" else f"live-{part}"
            self._feed.show(TOPIC, place, fragment(f"live_{activity.wanted.kind}.html", part, activity))

    # the three jobs

    def _check(self, activity: Activity) -> None:
        wanted = activity.wanted

        def on_state(state: CheckState) -> None:
            activity.state = state
            self._show(activity, "level", "progress")

        request = CheckMicrophoneRequest(
            self._sound(wanted),
            self._known(wanted),
            **({} if wanted.duration_s is None else {"duration_s": wanted.duration_s}),
        )
        result = check_microphone(request, on_state=self._told(on_state), cancel=activity.cancel)
        activity.result = result
        activity.said = (*result.placing.sentences, *map(str, result.remarks))

    def _beat(self, activity: Activity) -> None:
        wanted = activity.wanted
        request = SetBeatRequest(
            self._sound(wanted),
            self._known(wanted),
            arc_deg=wanted.arc_deg,
            share_above_fork=wanted.share_above_fork,
        )
        beats = [0]

        def on_state(state: BeatState) -> None:
            activity.state = state
            fresh = state.beats != beats[0]
            beats[0] = state.beats
            self._show(activity, "tick", "level")
            if fresh or state.setting is None:
                self._show(activity, "offset", "scale", "figures")
            if fresh and state.setting is not None:
                self._tell_beat(activity, state)

        set_beat(request, on_state=self._told(on_state), cancel=activity.cancel)
        activity.said = (
            "Setting in beat has ended. Nothing of it is kept; listen for some minutes to have a reading.",
        )

    def _tell_beat(self, activity: Activity, state: BeatState) -> None:
        setting = state.setting
        assert setting is not None
        figure, unit, least = beat_figure(setting)
        activity.settings.append((state.heard_s, figure, not setting.settled))
        plot = offset_plot(activity.settings[-400:], unit)
        if plot is not None:
            self._feed.plot(TOPIC, "plot-offset", plot)
        bar = beat_bar(figure, unit, ("", ""), least)
        assert bar is not None
        shift, share = beat_shift(bar)
        # the beat's number is sent too, so that two equal beats are two events and two tones
        self._feed.beat(
            TOPIC,
            {
                "shift": shift,
                "hz": round(TONE_HZ * 2 ** (-TONE_OCTAVES * share)),
                "fresh": True,
                "beat": state.beats,
            },
        )

    def _night(self, activity: Activity) -> None:
        wanted = activity.wanted
        drawn = [-1.0]

        def on_state(state: LiveState) -> None:
            activity.state = state
            self._show(activity, "tick", "level", "say", "figures", "remarks")
            if state.reading is not None and state.reading_at_s != drawn[0]:
                drawn[0] = state.reading_at_s
                self.tell_plots(state)

        request = ListenRequest(
            self._known(wanted), self._sound(wanted), wanted.duration_s, keep=wanted.keep, parent=self._folder
        )
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        result = listen(request, on_state=self._told(on_state), cancel=activity.cancel)
        activity.result = result
        activity.said = tuple(reading_sentences(result.reading))
        activity.trouble = " ".join(str(failure) for failure in result.failures)
        if result.kept_for is None:
            activity.recording = self._as_recording(result)

    def tell_plots(self, state: LiveState) -> None:
        """Draw the plots of a night so far on every page that shows it."""
        if state.reading is None:
            return
        for name, plot in reading_plots(state.reading, state.voices).items():
            self._feed.plot(TOPIC, f"plot-{name}", plot)

    def _as_recording(self, result: ListenResult) -> str:
        """Turn a night without a clock of the log into a recording that can be kept with one later."""
        began = result.began.astimezone()
        kept = self._recordings.add_read(
            f"Listened to on {began.day} {began:%B, %H:%M}",
            result.folder,
            reading_document(result.reading),
            list(activity_sentences(result)),
            reading_plots(result.reading),
        )
        return kept.id


def activity_sentences(result: ListenResult) -> tuple[str, ...]:
    """Say the result of a night."""
    return tuple(reading_sentences(result.reading))
