"""Cuts of beats: each once, whole, and with contact and drop where the truth has them."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.beat_sounds.cuts import beat_cuts, chosen_beats
from torsionbeat.errors import InputError
from torsionbeat.reading.analysis import analyse
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.recording import open_recording
from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, simulate


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Give a short clear recording of a 6 s clock, its truth and its reading; the recorder runs 300 ppm fast."""
    clock = TwinClock(Balance(6.0), Escapement(lift_deg=20.0), Drive(arc_deg=300.0)).with_period(6.0)
    made = simulate(clock, Room(), Recorder(16_000, 300.0), 90.0, 3)
    path = tmp_path_factory.mktemp("cuts") / "night.flac"
    made.write(path)
    reading = analyse(path, Clock(nominal_period_s=6.0, lift_deg=20.0), sample_clock_ppm=300.0)
    return path, made.truth, reading


def cuts_of(night, **more):
    path, _, reading = night
    with open_recording(path) as recording:
        return list(beat_cuts(recording, reading, **more))


def test_every_beat_is_cut_once_and_in_order(night):
    _, truth, reading = night
    cuts = cuts_of(night)
    assert [cut.number for cut in cuts] == reading.swings.number.tolist()
    assert len(cuts) == len(truth.beats)
    assert [cut.side for cut in cuts] == reading.swings.side.tolist()


def test_contact_and_drop_lie_where_the_truth_has_them(night):
    path, truth, _ = night
    with open_recording(path) as recording:
        rate_hz = recording.sample_rate_hz * (1 + 300e-6)
    for cut in cuts_of(night):
        drop = min(truth.events.where(kind="drop").time_s, key=lambda at: abs(at - cut.time_s))
        start_s = drop - cut.drop_s
        contact = min(
            truth.events.where(kind="contact").time_s, key=lambda at: abs(at - start_s - cut.contact_s)
        )
        assert abs(contact - start_s - cut.contact_s) < 2e-3  # event times are good to 0.7 ms rms
        # The loudest sample of the cut is the drop's own: the voice peaks within 4 ms of its beginning.
        loudest_s = np.argmax(np.abs(cut.samples)) / rate_hz
        assert -1e-3 < loudest_s - cut.drop_s < 4e-3


def test_cuts_hold_the_recording_bit_by_bit(night):
    import soundfile

    path, _, reading = night
    sound, rate_hz = soundfile.read(path, dtype="float32")
    cut = cuts_of(night)[3]
    at = round((cut.time_s - reading.swings.lift_passage_s[3] / 2 - 0.08) * rate_hz * (1 + 300e-6))
    assert np.array_equal(cut.samples, sound[at : at + len(cut.samples)])


def test_small_blocks_give_the_same_cuts(night, monkeypatch):
    whole = cuts_of(night)
    monkeypatch.setattr("torsionbeat.beat_sounds.cuts.BLOCK_FRAMES", 1000)
    for one, other in zip(whole, cuts_of(night), strict=True):
        assert np.array_equal(one.samples, other.samples)


def test_beyond_the_end_there_is_silence(night):
    cuts = cuts_of(night, after_s=30.0)
    lengths = [len(cut.samples) for cut in cuts]
    assert max(lengths) - min(lengths) < 100  # whole windows: only the passages differ, by some milliseconds
    assert not cuts[-1].samples[-1000:].any()


@pytest.mark.parametrize(("count", "wanted"), [(10, 4), (10, None), (3, 10), (1, 1), (7, 3), (1000, 60)])
def test_beats_are_chosen_in_pairs_over_the_whole_night(count, wanted):
    rows = chosen_beats(count, wanted)
    assert len(rows) == len(set(rows)) <= (wanted or count)
    assert rows.min() == 0
    assert rows.max() <= count - 1
    if wanted == 60:
        assert {int(row) % 2 for row in rows} == {0, 1}
        assert rows.max() == count - 1


def test_what_is_not_there_is_refused(night):
    with pytest.raises(InputError, match=r"channel 2 was asked for; night.flac has 1 channel"):
        cuts_of(night, channel=1)
    with pytest.raises(InputError, match="give at least 1"):
        cuts_of(night, beats=0)
