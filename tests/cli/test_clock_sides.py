"""The sides of a clock through the commands: learnt once, known again, and named only where that is sure."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

import torsionbeat as tb
from torsionbeat import twin
from torsionbeat.twin.balance import Balance

RATE_HZ = 16_000


def made(folder, name, *, offset_deg, seed, alike=False, cut_s=0.0):
    """Write a recording of a 15 s clock, its first seconds cut off; give its path and its true beats."""
    voices = twin.VoiceSet(drop_b="clear_ring", contact_b="soft_pin") if alike else twin.VoiceSet()
    clock = tb.TwinClock(
        balance=Balance(15.0),
        voices=voices,
        escapement=twin.Escapement(offset_deg=offset_deg),
        drive=twin.Drive(arc_deg=300.0),
    )
    rendering = tb.simulate(clock, twin.Room(), twin.Recorder(RATE_HZ), 300.0, seed)
    path = folder / name
    rendering.write(path, with_truth=False)
    samples, rate = soundfile.read(path, dtype="int16")
    soundfile.write(path, samples[int(cut_s * rate) :], rate)
    return path, [(beat.middle_s - cut_s, beat.side) for beat in rendering.truth.beats]


@pytest.fixture(scope="module")
def recordings(tmp_path_factory):
    """Give recordings of one clock: two nights of one setting, the second cut so that it begins with the other side."""
    folder = tmp_path_factory.mktemp("sides")
    return {
        "first": made(folder, "first.flac", offset_deg=4.0, seed=1),
        "cut": made(folder, "cut.flac", offset_deg=4.0, seed=2, cut_s=10.0),
        "moved": made(folder, "moved.flac", offset_deg=-3.0, seed=3, cut_s=10.0),
    }


@pytest.fixture
def shelf(run, tmp_path, monkeypatch):
    """Give a command line whose bench log holds the clock Shelf."""
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.sqlite"))
    run("clock", "add", "Shelf", "--period", "15", "--lift", "20")
    return run


def analysed(run, path, day):
    result = run("analyse", str(path), "--clock", "Shelf", "--began", f"2026-03-0{day} 20:00", "--json", "-")
    return json.loads(result.out)


def fork_words(run):
    said = " ".join(run("correct", "--clock", "Shelf").out.split())
    return said[said.index("Turn the fork") :].partition(";")[0]


def test_the_recordings_begin_with_unlike_sides(recordings):
    assert recordings["first"][1][0][1] != next(side for at, side in recordings["cut"][1] if at > 0)


def test_one_setting_keeps_its_sign_however_the_recording_was_cut(shelf, recordings):
    errors = [
        analysed(shelf, recordings[name][0], day)["beat_error_ms"]["value"]
        for day, name in enumerate(("first", "cut"), start=1)
    ]
    assert errors[0] == pytest.approx(errors[1], abs=2)  # ms: both are known to half a millisecond


def test_taught_once_the_way_to_turn_is_named_and_stays(shelf, recordings):
    first, cut = recordings["first"], recordings["cut"]
    analysed(shelf, first[0], 1)
    assert "the way the balance goes at a beat of side" in fork_words(shelf)
    seen_at, _ = next((at, side) for at, side in cut[1] if at > 0 and side == "b")
    taught = shelf(
        "clock", "sides", "Shelf", str(cut[0]), "--at", f"{seen_at + 0.4:.1f}s", "--towards", "the window"
    )
    assert "the balance went towards the window" in " ".join(taught.out.split())
    # the lift's middle lies towards b, so the fork goes towards a: away from the window
    assert "away from the window" in fork_words(shelf)
    assert analysed(shelf, cut[0], 2)["sides"]["probability"] >= 0.99
    assert "away from the window" in fork_words(shelf)
    shelf("note", "Shelf", "turned the fork", "--work", "beat", "--when", "2026-03-03 12:00")
    moved = analysed(shelf, recordings["moved"][0], 4)
    assert moved["sides"]["probability"] >= 0.99
    assert "towards the window" in fork_words(shelf)


def test_sides_that_sound_alike_are_not_named_once_the_setting_was_moved(shelf, tmp_path):
    before, beats = made(tmp_path, "before.flac", offset_deg=4.0, seed=4, alike=True)
    after, _ = made(tmp_path, "after.flac", offset_deg=-2.0, seed=5, alike=True, cut_s=10.0)
    analysed(shelf, before, 1)
    shelf("clock", "sides", "Shelf", str(before), "--at", f"{beats[2][0]:.1f}", "--towards", "the wall")
    assert "the wall" in fork_words(shelf)
    shelf("note", "Shelf", "turned the fork", "--work", "beat", "--when", "2026-03-02 12:00")
    reading = analysed(shelf, after, 3)
    assert reading["sides"]["probability"] < 0.99
    assert any("Which side is side a" in remark for remark in reading["remarks"])
    assert "the wall" not in fork_words(shelf)
    assert "the beat after which the next is longer in coming" in fork_words(shelf)


def test_a_moment_near_the_turning_point_teaches_nothing(shelf, recordings):
    path, beats = recordings["first"]
    between = np.mean([beats[3][0], beats[4][0]])
    result = shelf("clock", "sides", "Shelf", str(path), "--at", f"{between:.1f}", "--towards", "x")
    assert result.status == 2
    assert "near where it turns round" in " ".join(result.err.split())


def test_voice_rows_between_two_dates_are_judged_by_what_the_log_keeps(shelf, recordings):
    for day, name in ((1, "first"), (2, "cut")):
        analysed(shelf, recordings[name][0], day)
    found = json.loads(
        shelf("compare", "2026-03-01", "2026-03-02", "--clock", "Shelf", "--same-place", "--json").out
    )
    notes = {row["name"]: row["note"] for row in found["rows"]}
    falls = [name for name in notes if "falls by 10 dB" in name]
    assert len(falls) == 4
    likenesses = [float(notes[name].split("likeness of the sounds ")[1].split()[0]) for name in falls]
    assert min(likenesses) > 0.85  # the same voices in rooms with other echoes


def test_while_the_beat_is_set_the_sides_are_the_clocks_own(shelf, recordings):
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.bench.source import Playback
    from torsionbeat.jobs.set_beat import SetBeatRequest, set_beat

    first, cut = recordings["first"], recordings["cut"]
    analysed(shelf, first[0], 1)
    shelf(
        "clock", "sides", "Shelf", str(first[0]), "--at", f"{first[1][0][0]:.1f}", "--towards", "the window"
    )
    states = [
        set_beat(SetBeatRequest(Playback(path, pace=None), KnownClock("Shelf"))).state
        for path in (first[0], cut[0])
    ]
    assert {state.side_names for state in states} == {("towards the window", "away from the window")}
    errors = [state.setting.beat_error_ms.nominal_value for state in states]
    assert errors[0] == pytest.approx(errors[1], abs=5)  # ms: of the last swings, a few times their scatter
    assert all("towards the window" in state.advice.sentence for state in states)


def test_taught_at_the_bench_from_the_folder_of_a_night_that_still_runs(shelf, recordings, tmp_path):
    path, beats = recordings["first"]
    folder = tmp_path / "night"
    listened = shelf(
        *("listen", "--from", str(path), "--pace", "0", "--clock", "Shelf", "--keep", "sound"),
        *("--folder", str(folder), "--quiet"),
    )
    assert listened.status == 0, listened.err
    # In the middle of a night there is half of its sound, and neither its last lines nor a reading.
    (folder / "reading.json").unlink()
    sound = next(folder.glob("sound-*.flac"))
    sound.write_bytes(sound.read_bytes()[: sound.stat().st_size * 2 // 3])
    journal = (folder / "journal.jsonl").read_text().splitlines()
    (folder / "journal.jsonl").write_text("\n".join(journal[: len(journal) * 2 // 3]) + "\n")
    moment, _ = beats[4]
    taught = shelf(
        "clock", "sides", "Shelf", str(folder), "--at", f"{moment:.1f}s", "--towards", "the window", "--json"
    )
    assert taught.status == 0, taught.err
    said = json.loads(taught.out)
    assert abs(said["beat_s"] - moment) < 1.0
    # By the whole recording, a period later, it is the same.
    later = f"{beats[6][0]:.1f}s"
    again = shelf("clock", "sides", "Shelf", str(path), "--at", later, "--towards", "the window", "--json")
    assert json.loads(again.out)["names"] == said["names"]
