"""The jobs that listen: a night in this process and seen from another, stopped, broken off and finished."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.nights import broken_off_nights, night_state, running_nights
from torsionbeat.bench.source import Playback
from torsionbeat.errors import DeviceError, InputError, NothingHeardError
from torsionbeat.jobs.listen import ListenRequest, finish_night, follow_night, listen
from torsionbeat.jobs.microphone import CheckMicrophoneRequest
from torsionbeat.jobs.set_beat import SetBeatRequest, set_beat

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")
live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)

KNOWN = KnownClock(nominal_period_s=6.0, lift_deg=20.0)


@pytest.fixture
def microphone():
    """Play 100 s of a 6 s clock, as fast as it is taken."""
    return live_parts.Playback(live_parts.rendered(6.0, 110.0)[0])


@pytest.fixture
def alder(monkeypatch, tmp_path):
    """Put a clock into a log of its own."""
    from torsionbeat.benchlog import open_log

    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Alder", nominal_period_s=6.0, lift_deg=20.0)
    return KnownClock("Alder", log=log)


def test_a_night_is_seen_while_it_runs_and_is_in_the_log_when_it_is_over(microphone, alder, tmp_path):
    from torsionbeat.benchlog import open_log

    seen, states = [], []

    def look(state):
        states.append(state)
        seen.append([(night.clock, night.folder) for night in running_nights()])
        if state.reading is not None:
            (night,) = running_nights()
            assert night_state(night).reading.beats_heard == state.reading.beats_heard
            assert night_state(night).level == state.level

    result = listen(ListenRequest(alder, folder=tmp_path / "night"), on_state=look, source=microphone)
    assert result.kept_for == "Alder"
    assert result.failures == ()
    assert result.reading.beats_heard >= 30
    assert set(map(tuple, seen)) == {(("Alder", tmp_path / "night"),)}
    assert any(state.reading is not None for state in states)
    assert running_nights() == broken_off_nights() == ()
    with open_log(alder.log) as opened:
        (kept,) = opened.readings("Alder")
        assert kept.dated_by == "the journal"  # nobody said when it began
    assert kept.document["beats"]["heard"] == result.reading.beats_heard


def test_a_night_has_the_clocks_own_letters_while_it_lasts(microphone, alder, tmp_path):
    """Whichever side is heard first: what the night shows agrees with setting in beat and with the reading kept."""
    first = listen(ListenRequest(alder, folder=tmp_path / "first"), source=microphone).reading
    assert abs(first.beat_error_ms.nominal_value) > 5 * first.beat_error_ms.std_dev
    later = live_parts.rendered(6.0, 110.0)[0][3 * 16_000 :]  # half a period: the other side comes first
    states, settings = [], []
    night = listen(
        ListenRequest(alder, folder=tmp_path / "second"),
        on_state=states.append,
        source=live_parts.Playback(later),
    )
    set_beat(SetBeatRequest(clock=alder), on_state=settings.append, source=live_parts.Playback(later))
    shown = [state.reading.beat_error_ms.nominal_value for state in states if state.reading is not None]
    assert len(shown) >= 3
    told = [one.setting.beat_error_ms.nominal_value for one in settings if one.setting is not None]
    for value in (*shown, *told, night.reading.beat_error_ms.nominal_value):
        assert value * first.beat_error_ms.nominal_value > 0


def test_a_night_is_followed_from_elsewhere_to_its_end(alder, tmp_path, monkeypatch):
    monkeypatch.setattr("torsionbeat.jobs.listen.FOLLOW_EVERY_S", 0.005)
    followed, threads = [], []

    def follow(night):
        threads.append(
            threading.Thread(target=follow_night, args=(night,), kwargs={"on_state": followed.append})
        )
        threads[0].start()

    def slowly(_):
        time.sleep(0.02)

    sound = live_parts.Playback(live_parts.rendered(6.0, 110.0)[0])
    listen(ListenRequest(alder, folder=tmp_path / "night"), on_begin=follow, on_state=slowly, source=sound)
    threads[0].join(20)
    assert not threads[0].is_alive()
    heard = [state.heard_s for state in followed]
    assert len(heard) >= 5
    assert heard == sorted(heard)


def test_any_program_of_the_user_can_stop_a_night(alder, tmp_path):
    sound = live_parts.rendered(6.0, 110.0)[0]
    slow = live_parts.Playback(sound)
    over = threading.Event()
    blocks = slow.blocks

    said = []

    def elsewhere():
        script = (
            "from torsionbeat.bench.nights import running_nights, stop_night\n"
            "(night,) = running_nights()\nprint(night.clock)\nstop_night(night)"
        )
        said.append(
            subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        )

    def waiting():
        for number, block in enumerate(blocks()):
            if number == 600:  # 77 s are heard: the night is ended from elsewhere
                elsewhere()
                over.wait(60)
            if slow.stopped:
                return
            yield block

    slow.blocks = waiting
    stop = slow.stop
    slow.stop = lambda: (stop(), over.set())
    result = listen(ListenRequest(alder, folder=tmp_path / "night"), source=slow)
    assert said[0].stdout == "Alder\n"
    assert result.heard_s < 80


def test_a_clock_is_listened_to_once_at_a_time(microphone, alder, tmp_path):
    def again(night):
        with pytest.raises(InputError, match="Alder is being listened to already"):
            listen(
                ListenRequest(alder, folder=tmp_path / "two"), source=live_parts.Playback(microphone.sound)
            )

    listen(ListenRequest(alder, folder=tmp_path / "one"), on_begin=again, source=microphone)


def test_a_night_that_was_broken_off_is_told_and_finished(microphone, alder, tmp_path):
    """An error that nobody foresaw ends it as a kill would: nothing after it runs."""
    from torsionbeat.benchlog import open_log

    def fails(state):
        if state.heard_s > 100:
            raise RuntimeError("killed")

    with pytest.raises(RuntimeError, match="killed"):
        listen(ListenRequest(alder, folder=tmp_path / "night"), on_state=fails, source=microphone)
    (night,) = broken_off_nights("alder")
    assert running_nights() == ()
    assert broken_off_nights("Birch") == ()
    assert night.folder == tmp_path / "night"
    result = finish_night(night.folder, night.known)
    assert result.kept_for == "Alder"
    assert result.reading.beats_heard >= 28
    assert broken_off_nights() == ()
    with open_log(alder.log) as opened:
        assert len(opened.readings("Alder")) == 1


def test_nothing_heard_is_no_night_broken_off(tmp_path):
    import numpy as np

    room = np.random.default_rng(5).normal(0, 1e-3, 40 * 16_000).astype(np.float32)
    with pytest.raises(NothingHeardError, match="What was heard is kept in"):
        listen(ListenRequest(KNOWN, folder=tmp_path / "night"), source=live_parts.Playback(room))
    assert broken_off_nights() == ()


def test_a_log_that_fails_is_told_beside_the_reading(microphone, alder, tmp_path):
    def lose_the_log(_):
        Path(alder.log).write_text("no database")

    result = listen(ListenRequest(alder, folder=tmp_path / "night"), on_begin=lose_the_log, source=microphone)
    assert result.kept_for is None
    assert len(result.failures) == 1
    kept = json.loads((tmp_path / "night/reading.json").read_text())
    assert kept["beats"]["heard"] == result.reading.beats_heard


def test_what_cannot_be_is_refused_before_anything_is_opened(tmp_path):
    for request, said in [
        (lambda: ListenRequest(duration_s=5.0), "at least 10 s and at most 31 days"),
        (lambda: ListenRequest(keep="all"), "use sound, beats or figures"),
        (lambda: ListenRequest(reference_interval_s=60.0), "0.2 to 10 s can be used"),
        (lambda: Playback(tmp_path, 0.0), "between 0.1 and 1000"),
        (lambda: CheckMicrophoneRequest(duration_s=1e9), "at most an hour"),
    ]:
        with pytest.raises(InputError, match=said):
            request()
    with pytest.raises(InputError, match="holds no night"):
        finish_night(tmp_path)
    assert DeviceError.exit_status == 4
