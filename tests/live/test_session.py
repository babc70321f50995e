"""The loop that joins microphone, keeper, listener and figures, played faster than time."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from torsionbeat.errors import DeviceError, NothingHeardError
from torsionbeat.live import session
from torsionbeat.live.level import Level
from torsionbeat.live.session import listen_live as listen_really
from torsionbeat.reading.analysis import analyse
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.block import Block
from torsionbeat.sound.keeper import Keeper
from torsionbeat.sound.recording import open_recording
from torsionbeat.tracks.reference import ReferenceEar
from torsionbeat.twin import Recorder, simulate
from torsionbeat.twin.room import OtherClock, Room

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")
live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)
Playback, bench_clock, rendered = live_parts.Playback, live_parts.bench_clock, live_parts.rendered

RATE_HZ = 16_000
CLOCK = Clock(nominal_period_s=15.0, lift_deg=20.0)


def listen_live(*source, **options):
    """As it is, but asking for figures counts as dear, so that the test is cheap: about once in three minutes."""
    ticks = iter(range(10**6))
    return listen_really(*source, **{"work_clock": lambda: 0.96 * next(ticks), **options})


def document(reading):
    """All that a reading says, less its name and remarks."""
    said = reading_document(reading)
    said["recording"].pop("name")
    said.pop("remarks")
    return said


def kept(folder, source, keeps="sound", **more):
    return Keeper(folder, source.sample_rate_hz, source.channels, keeps=keeps, **more)


def test_live_gives_the_figures_of_the_file(tmp_path):
    sound, truth = rendered(15.0, 300.0)
    source = Playback(sound)
    with kept(tmp_path / "night", source) as keeper:
        result = listen_live(source, CLOCK, keeper=keeper)
    again = analyse(tmp_path / "night", CLOCK)
    assert document(result.reading) == document(again)
    assert result.reading.beats_heard == result.reading.beats_expected == 40
    period = result.reading.period_s
    assert (
        abs(period.nominal_value - truth.figures()["period_s"]) < 1e-3
    )  # 50 ppm, the unknown crystal's half-width
    assert result.failure == ""


def test_state_grows_from_nothing_to_figures():
    sound, _ = rendered(15.0, 300.0)
    states = []
    listen_really(Playback(sound), CLOCK, planned_s=300.0, on_state=states.append)
    assert states[0].reading is None
    assert states[0].why.startswith("Listening; the first figures")
    first = next(state for state in states if state.reading is not None)
    assert first.heard_s < 60
    assert states[-1].reading.beats_heard > first.reading.beats_heard
    assert states[-1].standing_db > 20
    # a state a second, and one at each new figure
    assert 290 <= len(states) <= 330
    assert np.all(np.diff([state.heard_s for state in states]) >= 0)
    loud = np.array([state.level.peak_db for state in states])
    assert loud.max() > loud.min() + 6  # the drops stand out of the room


def test_asking_costs_no_more_than_its_share():
    """Each asking is made to cost 2 s: in 1200 s at most the share of (1200 + 60 ahead) s may be spent."""
    sound, _ = rendered(15.0, 300.0)
    sound = np.tile(sound, 4)
    ticks = iter(range(10**6))
    asked = []

    def on_state(state):
        if state.reading_at_s and state.reading_at_s not in asked:
            asked.append(state.reading_at_s)

    listen_live(Playback(sound), CLOCK, on_state=on_state, work_clock=lambda: 2.0 * next(ticks))
    assert 2 <= len(asked) <= 0.006 * (1200 + 60) / 2
    assert asked[0] < 60


def test_sound_taken_in_lumps_is_the_same_sound(tmp_path, monkeypatch):
    """Blocks of 128 ms by themselves and two at a time, with a hole in the midst: the same figures and the same kept sound."""
    sound, _ = rendered(15.0, 300.0)
    found = []
    for lump_s in (0.0, session.LUMP_S):
        monkeypatch.setattr(session, "LUMP_S", lump_s)
        source = Playback(sound, holes=((100 * RATE_HZ, 101 * RATE_HZ),))
        folder = tmp_path / f"night-{lump_s}"
        with kept(folder, source) as keeper:
            result = listen_live(source, CLOCK, keeper=keeper)
        with open_recording(folder) as recording:
            blocks = list(recording.blocks())
        places = np.concatenate([block.start_frame + np.arange(len(block.samples)) for block in blocks])
        found.append((document(result.reading), places, np.concatenate([block.samples for block in blocks])))
    (one, at, heard), (other, at_too, heard_too) = found
    assert one == other
    assert np.array_equal(at, at_too)
    assert np.array_equal(heard, heard_too)
    assert (
        len(heard) == len(sound) - 2048 * 9
    )  # blocks that begin before the hole's end and end behind its beginning


def test_what_waits_is_taken_in_while_nothing_arrives():
    night = session._Night(Playback(np.zeros(0, np.float32)), CLOCK, None, None, None, lambda: 0.0)
    assert not night.take(Block(0, np.zeros((2048, 1), np.float32)))
    assert night.heard_s == 0
    night.wait()
    assert night.heard_s == 2048 / RATE_HZ


def test_figures_that_are_taken_back_are_not_taken_back_in_silence(monkeypatch):
    """Figures, then two askings that are not sure, then figures: said for as long as there are none, and only then."""
    night = session._Night(Playback(np.zeros(0, np.float32)), CLOCK, None, None, None, lambda: 0.0)
    heard = night.listener.heard_so_far()
    answers = iter([None, "figures", None, None, "figures"])

    def reading_of(*_):
        if (answer := next(answers)) is None:
            raise NothingHeardError("it is not yet sure which sound is which.")
        return answer

    monkeypatch.setattr(session, "reading_of", reading_of)
    said = []
    for _ in range(5):
        night.measure(heard)
        said.append((night.reading, night.why))
    unsure = "it is not yet sure which sound is which."
    taken_back = unsure + " The figures shown before are no longer sure."
    assert said == [(None, unsure), ("figures", ""), (None, taken_back), (None, taken_back), ("figures", "")]


def test_planned_length_ends_the_night():
    sound, _ = rendered(15.0, 300.0)
    result = listen_live(Playback(sound), CLOCK, planned_s=100.0)
    assert 100.0 <= result.heard_s < 100.0 + 2048 / RATE_HZ


def test_lost_blocks_keep_later_beats_in_place():
    sound, _ = rendered(15.0, 300.0)
    whole = listen_live(Playback(sound), CLOCK).reading
    holed = listen_live(Playback(sound, holes=((100 * RATE_HZ, 131 * RATE_HZ),)), CLOCK).reading
    assert 100 - 0.2 < holed.recording.gaps[0][0] < 100 + 0.2
    assert holed.beats_heard in (35, 36)  # about 4 of 40 fell into 31 s
    late = holed.swings.time_s[holed.swings.time_s > 140]
    nearest = np.abs(late[:, None] - whole.swings.time_s[None, :]).min(axis=1)
    assert nearest.max() < 0.003  # a few frames of half a millisecond: the sound learnt from fewer beats


def test_silence_and_no_clock_are_told():
    silent = listen_live(Playback(np.zeros(60 * RATE_HZ, np.float32)), CLOCK)
    assert silent.reading is None
    assert "is silent from beginning to end" in silent.why
    noise = np.random.default_rng(5).normal(0, 1e-3, 60 * RATE_HZ).astype(np.float32)
    assert listen_live(Playback(noise), CLOCK).reading is None


def test_disk_that_fails_does_not_end_the_listening(tmp_path):
    sound, _ = rendered(15.0, 300.0)
    source = Playback(sound)
    checks = iter([10**12] * 120 + [0] * 10**6)
    states = []
    with kept(tmp_path / "night", source, free_bytes=lambda _: next(checks)) as keeper:
        result = listen_live(source, CLOCK, keeper=keeper, on_state=states.append)
    assert result.reading.beats_heard == 40
    assert "the disk is full" in result.failure
    assert result.failure.endswith("Listening went on without keeping.")
    assert result.failure in result.reading.remarks
    assert (states[10].kept, states[-1].kept) == ("night", "")
    again = analyse(tmp_path / "night", CLOCK)  # what was kept is intact: two minutes
    assert 14 <= again.beats_heard <= 17
    assert any("stopped before its time" in remark for remark in again.remarks)


def test_microphone_that_fails_for_good_ends_the_night_with_its_reading():
    sound, _ = rendered(15.0, 300.0)

    class Failing(Playback):
        def blocks(self):
            for block in super().blocks():
                if block.start_frame > 150 * RATE_HZ:
                    raise DeviceError("bench microphone went away")
                yield block

    result = listen_live(Failing(sound), CLOCK)
    assert 19 <= result.reading.beats_heard <= 20
    assert result.failure == "Bench microphone went away. The night ended there."


def test_microphone_that_never_opens_raises():
    class Shut(Playback):
        def blocks(self):
            raise DeviceError("bench microphone cannot be opened")
            yield

    with pytest.raises(DeviceError, match="cannot be opened"):
        listen_live(Shut(np.zeros(10, np.float32)), CLOCK)


def test_events_reach_the_journal_and_the_state(tmp_path):
    sound, _ = rendered(15.0, 300.0)

    class Away(Playback):
        def blocks(self):
            for block in super().blocks():
                if block.start_frame == 20 * 2048 * 10:
                    self.on_event("device lost", frame=block.start_frame)
                if block.start_frame == 40 * 2048 * 10:
                    self.on_event("device back", frame=block.start_frame)
                yield block

    source, states = Away(sound), []
    with kept(tmp_path / "night", source, "figures") as keeper:
        listen_live(source, CLOCK, keeper=keeper, on_state=states.append)
    away = [state.away for state in states]
    assert any(away)
    assert not away[0]
    assert not away[-1]
    lines = [json.loads(line)["what"] for line in (tmp_path / "night/journal.jsonl").read_text().splitlines()]
    assert lines == ["begun", "device lost", "device back", "ended"]


def test_only_the_beats_are_kept_and_read_again(tmp_path):
    sound, _ = rendered(15.0, 300.0)
    source, whole = Playback(sound), Playback(sound)
    with kept(tmp_path / "beats", source, "beats") as keeper:
        live = listen_live(source, CLOCK, keeper=keeper)
    with kept(tmp_path / "sound", whole) as keeper:
        listen_live(whole, CLOCK, keeper=keeper)
    size = {
        name: sum(f.stat().st_size for f in (tmp_path / name).glob("*.flac")) for name in ("beats", "sound")
    }
    # 1.04 s of every 7.5 s, and all of the time before the clock was known: one look in three minutes is the test's
    assert size["beats"] < 0.85 * size["sound"]
    again = analyse(tmp_path / "beats", CLOCK)
    assert again.beats_heard >= 0.95 * live.reading.beats_heard
    difference = again.period_s.nominal_value - live.reading.period_s.nominal_value
    assert abs(difference) < 15e-6 * 2  # 2 ppm
    assert abs(again.arc_deg.nominal_value - live.reading.arc_deg.nominal_value) < 1.0


def test_clock_that_is_never_heard_is_kept_whole(tmp_path):
    noise = np.random.default_rng(5).normal(0, 1e-3, 200 * RATE_HZ).astype(np.float32)
    source = Playback(noise)
    with kept(tmp_path / "beats", source, "beats") as keeper:
        listen_live(source, CLOCK, keeper=keeper)
    from torsionbeat.sound.recording import open_recording

    with open_recording(tmp_path / "beats") as recording:
        assert sum(len(block.samples) for block in recording.blocks()) == len(noise)


def test_reference_ticks_become_the_timebase_and_stay_with_the_beats_kept(tmp_path):
    clock, room = bench_clock(15.0, room=Room(others=(OtherClock(1.0, -6.0),)))
    sound = simulate(clock, room, Recorder(RATE_HZ, crystal_ppm=50.0), 200.0, 3).samples()
    sound = np.asarray(sound, np.float32).reshape(-1)
    source = Playback(sound)
    with kept(tmp_path / "beats", source, "beats") as keeper:
        result = listen_live(source, CLOCK, keeper=keeper, reference=ReferenceEar(RATE_HZ, 1.0, 5.0))
    timebase = result.reading.timebase
    assert timebase.source == "reference ticks"
    assert abs(timebase.offset_ppm - 50) < 1.96 * timebase.standard_uncertainty_ppm
    assert analyse(tmp_path / "beats", CLOCK).timebase == timebase
    # Of the ticks too few are kept; what they told while it was recorded is in the journal.
    again = analyse(tmp_path / "beats", CLOCK, reference_interval_s=1.0)
    assert again.timebase.source == "reference ticks"
    assert again.timebase.offset_ppm == pytest.approx(
        timebase.offset_ppm, abs=timebase.standard_uncertainty_ppm
    )


def test_listener_that_stumbles_does_not_end_the_night(monkeypatch):
    sound, _ = rendered(15.0, 300.0)
    states = []

    def stumble(_):
        raise IndexError("index 6001 is out of bounds")

    monkeypatch.setattr("torsionbeat.hearing.listener.Listener.heard_so_far", stumble)
    result = listen_live(Playback(sound[: 100 * RATE_HZ]), CLOCK, on_state=states.append)
    assert any("could not be worked out (IndexError" in remark for remark in states[-1].remarks)
    assert result.reading.beats_heard >= 12
    assert result.remarks == ()


def test_reference_that_is_not_heard_is_told():
    sound, _ = rendered(15.0, 300.0)
    result = listen_live(Playback(sound[: 100 * RATE_HZ]), CLOCK, reference=ReferenceEar(RATE_HZ, 1.0, 5.0))
    assert result.reading.timebase.source == "unknown"
    assert any(r.endswith("So nothing tells how true the recorder's crystal is.") for r in result.remarks)


def test_level_of_a_known_sine():
    sine = 0.5 * np.sin(2 * np.pi * 500 * np.arange(3 * RATE_HZ) / RATE_HZ)
    states = []
    listen_live(Playback(sine.astype(np.float32)), CLOCK, on_state=states.append)
    # amplitude 0.5: peak 20 log 0.5 = -6.02 dB, rms 3.01 dB below (closed form)
    assert states[0].level.peak_db == pytest.approx(-6.02, abs=0.05)
    assert states[0].level.rms_db == pytest.approx(-9.03, abs=0.05)
    assert not states[0].level.clipped
    loud = []
    listen_live(Playback(np.ones(2 * RATE_HZ, np.float32)), CLOCK, on_state=loud.append)
    assert loud[0].level == Level(0.0, 0.0, True)


def test_two_weeks_of_short_nights_keep_memory_flat_and_all_beats():
    """Fourteen nights of 8 min in virtual time, 8 kHz, a 15 s clock of which only the drop is heard."""
    psutil = pytest.importorskip("psutil")
    clock, room = bench_clock(15.0, sounds=("drop",))
    sound = np.asarray(simulate(clock, room, Recorder(8_000), 480.0, 4).samples(), np.float32).reshape(-1)
    known = Clock(nominal_period_s=15.0)
    held = []
    for _ in range(14):
        result = listen_really(Playback(sound, 8_000), known, work_clock=iter(range(0, 10**9, 1000)).__next__)
        assert result.reading.beats_heard == result.reading.beats_expected == 64
        held.append(psutil.Process().memory_info().rss)
    # a night kept in memory would be 12 MB of levels and strength: none may stay after the third
    assert max(held[3:]) - held[2] < 8e6


def test_block_of_odd_numbers_does_not_end_the_night():
    sound, _ = rendered(15.0, 300.0)
    spoilt = sound.copy()
    spoilt[50 * RATE_HZ : 50 * RATE_HZ + 2000] = np.nan
    result = listen_live(Playback(spoilt), CLOCK)
    assert result.reading.beats_heard >= 39


def test_blocks_know_their_place():
    first = next(iter(Playback(np.zeros(5000, np.float32)).blocks()))
    assert isinstance(first, Block)
    assert first.samples.shape == (2048, 1)


class Silent(Playback):
    """Plays its sound, then delivers nothing; the time goes by until the planned length is over."""

    silent_s = 0.0

    def moments(self, planned_s):
        yield from self.blocks()
        for step in range(8):
            self.silent_s = step / 2
            yield None


def test_microphone_that_delivers_no_more_is_shown(monkeypatch):
    monkeypatch.setattr("torsionbeat.live.session.STATE_S", 0.0)
    sound, _ = rendered(15.0, 300.0)
    states = []
    listen_live(Silent(sound[: 20 * RATE_HZ]), CLOCK, planned_s=300.0, on_state=states.append)
    assert [state.away for state in states][-4:] == [True] * 4  # from two seconds on
    assert not any(state.away for state in states[:-4])
    assert states[-1].silent_s == 3.5
    assert states[-1].level == Level()


def test_figures_that_fail_at_the_end_cost_no_night(tmp_path, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("torsionbeat.live.session.reading_of", broken)
    sound, _ = rendered(15.0, 300.0)
    source = Playback(sound[: 60 * RATE_HZ])
    with kept(tmp_path / "night", source) as keeper:
        result = listen_live(source, CLOCK, keeper=keeper)
    assert result.reading is None
    assert "could not be worked out (ZeroDivisionError: by zero)" in result.why
    assert result.kept == "night"
    assert len(list((tmp_path / "night").glob("sound-*.flac"))) == 1
