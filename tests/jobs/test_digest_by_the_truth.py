"""The digest against the twin's truth: of every kind of recording each beat once, whole, at its place, sample by sample."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import soundfile

from torsionbeat.beat_sounds.cuts import beat_cuts
from torsionbeat.bench.known import KnownClock
from torsionbeat.jobs.beat_sounds import DigestRequest, digest
from torsionbeat.sound.recording import open_recording
from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, simulate

RATE_HZ = 16_000
CLOCK = TwinClock(Balance(6.1), Escapement(lift_deg=20.0), Drive(arc_deg=300.0)).with_period(6.1)
KINDS = {
    "clear": (CLOCK, Recorder(RATE_HZ), 1),
    "two channels": (CLOCK, Recorder(RATE_HZ, channels=2), 1),
    "with a gap": (CLOCK, Recorder(RATE_HZ, silences=((40.0, 51.0),)), 1),
    "400-day, drop alone": (dataclasses.replace(CLOCK, sounds=("drop",)), Recorder(RATE_HZ), 1),
    "slowed": (CLOCK, Recorder(RATE_HZ), 4),
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_beat_that_was_heard_is_there_once_and_whole(kind, tmp_path):
    clock, recorder, slower = KINDS[kind]
    made = simulate(clock, Room(), recorder, 100.0, 5)
    made.write(tmp_path / "night.flac")
    request = DigestRequest(
        tmp_path / "night.flac", tmp_path / "d.wav", KnownClock(None, 6.1, 20.0), slower=slower
    )
    found = digest(request)
    labels = [line.split("\t") for line in found.labels.read_text(encoding="utf-8").splitlines()]
    beats = [(float(row[0]), float(row[1]), row[2].split()) for row in labels if row[2].startswith("beat")]
    numbers = [int(words[1]) for *_, words in beats]
    assert numbers == sorted(set(numbers)) == found.reading.swings.number.tolist()
    silent = recorder.silences[0] if recorder.silences else (0.0, 0.0)
    true = [one for one in made.truth.beats if not silent[0] - 0.5 < one.drop_s < silent[1] + 0.5]
    whole = [one for one in true if one.drop_s < 99.5]
    assert len(whole) <= len(beats) <= len(true)
    night, _ = soundfile.read(tmp_path / "night.flac", dtype="float32", always_2d=True)
    sound, _ = soundfile.read(found.output, dtype="float32")
    drops = [float(row[0]) for row in labels if row[2].startswith("drop")]
    for (start_s, end_s, _), label_s, row in zip(beats, drops, range(len(beats)), strict=True):
        swing_s = found.reading.swings.time_s[row]
        beat = min(true, key=lambda one: abs(one.drop_s - swing_s))
        # The label of the drop is where the drop truly is, and the cut reaches from before the contact to after it.
        into_s = (label_s - start_s) / slower
        first_s = beat.contact_s if "contact" in clock.sounds else beat.drop_s
        assert into_s - (beat.drop_s - first_s) == pytest.approx(0.08, abs=3e-3)  # what is taken before it
        assert (end_s - start_s) / slower - into_s == pytest.approx(0.30, abs=3e-3)  # and after the drop
        if slower > 1:
            continue
        at, into = round(beat.drop_s * RATE_HZ), round(start_s * RATE_HZ)
        piece = sound[into : round(end_s * RATE_HZ)].sum(axis=1)
        low = at - round(into_s * RATE_HZ) + 200  # the fades of 5 ms at both ends left out
        spans = [night[low + shift : low + shift + len(piece) - 500].mean(axis=1) for shift in range(-50, 51)]
        nearest = min(np.abs(span - piece[200 : 200 + len(span)]).max() for span in spans if len(span))
        assert nearest < 2 / 2**15  # 16 bits written, at most one step off; the place to 3 ms


@pytest.mark.parametrize(("beats", "least"), [(1, 1), (2, 2), (5, 4)])
def test_a_few_beats_are_those_asked_for(beats, least, tmp_path):
    simulate(CLOCK, Room(), Recorder(RATE_HZ), 60.0, 5).write(tmp_path / "night.flac")
    request = DigestRequest(
        tmp_path / "night.flac", tmp_path / "d.wav", KnownClock(None, 6.1, 20.0), beats=beats
    )
    assert least <= digest(request).beats <= beats


def test_beats_behind_a_loss_that_the_timebase_knows_are_cut_where_they_are(tmp_path):
    """16 s were never written: true times behind them lie 16 s later than their frames."""
    simulate(CLOCK, Room(), Recorder(RATE_HZ), 60.0, 5).write(tmp_path / "night.flac")
    request = DigestRequest(tmp_path / "night.flac", tmp_path / "d.wav", KnownClock(None, 6.1, 20.0))
    reading = digest(request).reading
    later = np.where(reading.swings.time_s > 30, 16.0, 0.0)
    lost = dataclasses.replace(
        reading,
        swings=dataclasses.replace(reading.swings, time_s=reading.swings.time_s + later),
        timebase=dataclasses.replace(reading.timebase, steps=((30 * RATE_HZ, 16.0),)),
    )
    with open_recording(tmp_path / "night.flac") as recording:
        straight, moved = (list(beat_cuts(recording, one)) for one in (reading, lost))
    for one, other in zip(straight, moved, strict=True):
        assert np.array_equal(one.samples, other.samples)
        assert one.drop_s == pytest.approx(other.drop_s, abs=1e-6)
