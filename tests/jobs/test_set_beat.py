"""The job of setting the beat, from a file and without any sound."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.source import Playback
from torsionbeat.errors import NothingHeardError
from torsionbeat.jobs.microphone import CheckMicrophoneRequest, check_microphone
from torsionbeat.jobs.set_beat import SetBeatRequest, set_beat

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")


live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)


KNOWN = KnownClock(nominal_period_s=6.0, lift_deg=20.0)


def test_the_beat_is_set_by_the_same_job_from_a_file(tmp_path):
    import soundfile

    sound, truth = live_parts.rendered(6.0, 110.0)
    soundfile.write(tmp_path / "clock.flac", sound, 16_000)
    states = []
    result = set_beat(SetBeatRequest(Playback(tmp_path / "clock.flac"), KNOWN), on_state=states.append)
    assert result.state.setting.offset_deg.nominal_value == pytest.approx(
        truth.figures()["offset_deg"], abs=0.3
    )
    assert result.state.advice.needed
    assert not result.state.in_beat
    assert states[0].learning
    assert result.state.beats == states[-1].beats >= 30


class Dead(live_parts.Playback):
    """A device that delivers a second of sound and then nothing."""

    silent_s = 0.0

    def moments(self, for_s):
        yield from self.blocks()
        for tenths in range(10 * 60):
            self.silent_s = tenths / 10
            if self.stopped or self.silent_s >= for_s:
                return
            yield None


def test_no_sound_for_a_while_is_told_and_it_ends_all_the_same(monkeypatch):
    monkeypatch.setattr("torsionbeat.bench.source.STATE_S", 0.0)
    sound = live_parts.rendered(6.0, 110.0)[0][:16_000]
    told = []
    check = CheckMicrophoneRequest(clock=KNOWN, duration_s=10.0)
    result = check_microphone(check, on_state=told.append, source=Dead(sound))
    assert result.heard_s == pytest.approx(1.0)
    assert told[-1].away
    with pytest.raises(NothingHeardError, match="no clock was heard"):
        set_beat(SetBeatRequest(clock=KNOWN, duration_s=10.0), on_state=told.append, source=Dead(sound))
    assert told[-1].away
    assert told[-1].setting is None
