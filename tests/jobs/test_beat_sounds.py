"""Digest and portrait as jobs and as commands: files whole or not at all, answers in words."""

from __future__ import annotations

import threading

import numpy as np
import pytest
import soundfile

from torsionbeat.bench.known import KnownClock
from torsionbeat.cli import main
from torsionbeat.errors import CancelledError, DeviceError, InputError
from torsionbeat.jobs.beat_sounds import DigestRequest, PortraitRequest, digest, portrait
from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, simulate

KNOWN = KnownClock(None, 6.0, 20.0)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Give a clear minute and a half of a 6 s clock."""
    clock = TwinClock(Balance(6.0), Escapement(lift_deg=20.0), Drive(arc_deg=300.0)).with_period(6.0)
    path = tmp_path_factory.mktemp("sounds") / "night.flac"
    simulate(clock, Room(), Recorder(16_000), 90.0, 3).write(path)
    return path


def test_every_beat_is_in_the_digest_once_with_its_labels(recording, tmp_path):
    made = digest(DigestRequest(recording, tmp_path / "digest.wav", KNOWN))
    labels = [line.split("\t") for line in made.labels.read_text(encoding="utf-8").splitlines()]
    beats = [row for row in labels if row[2].startswith("beat")]
    assert len(beats) == made.beats == len(made.reading.swings) == 30
    ends = [float(row[1]) for row in beats]
    assert all(float(after[0]) > end for end, after in zip(ends, beats[1:], strict=False))
    info = soundfile.info(made.output)
    assert (info.channels, info.samplerate) == (2, 16_000)
    assert info.duration == pytest.approx(made.duration_s)
    sound, rate_hz = soundfile.read(made.output)
    for row in labels:
        if row[2].startswith("drop"):
            at = round(float(row[0]) * rate_hz)
            side = "ab".index(row[2][-1])
            assert (
                np.abs(sound[at : at + 100, side]).max() > 5 * np.abs(sound[at - 400 : at - 60, side]).max()
            )


def test_some_beats_of_the_night_make_a_short_digest(recording, tmp_path):
    made = digest(
        DigestRequest(recording, tmp_path / "digest.flac", KNOWN, beats=6, levelled=True, slower=2.0)
    )
    assert made.beats == 6


def test_a_disk_that_fills_up_at_the_labels_leaves_those_that_were_there(recording, tmp_path, monkeypatch):
    (tmp_path / "digest.txt").write_text("labels of last year")

    def full(path, text, **_):
        path.write_bytes(text[: len(text) // 2].encode())
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("torsionbeat.jobs.beat_sounds.Path.write_text", full)
    with pytest.raises(DeviceError, match="No space left on device"):
        digest(DigestRequest(recording, tmp_path / "digest.wav", KNOWN, beats=6))
    assert [path.name for path in tmp_path.iterdir()] == ["digest.txt"]
    assert (tmp_path / "digest.txt").read_bytes() == b"labels of last year"


def test_called_off_it_leaves_nothing(recording, tmp_path):
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(CancelledError, match="called off"):
        digest(DigestRequest(recording, tmp_path / "digest.wav", KNOWN), cancel=cancel)
    with pytest.raises(CancelledError, match="called off"):
        portrait(PortraitRequest(recording, KNOWN), cancel=cancel)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(recording, tmp_path):
    with pytest.raises(DeviceError, match="could not be written"):
        digest(DigestRequest(recording, tmp_path / "none" / "digest.wav", KNOWN))


def test_another_kind_of_file_is_refused_before_anything_is_read(tmp_path):
    with pytest.raises(InputError, match=r"ends in .wav or .flac"):
        digest(DigestRequest(tmp_path / "missing.flac", tmp_path / "digest.mp3", KNOWN))


def test_the_portrait_holds_both_sides(recording):
    made = portrait(PortraitRequest(recording, KNOWN))
    assert [side.beats for side in made.sides] == [15, 15]
    assert made.name == "night.flac"


def test_the_commands_write_and_leave_what_is_there_alone(recording, tmp_path, capsys):
    known = ["--period", "6", "--lift", "20"]
    sound, picture = str(tmp_path / "digest.wav"), str(tmp_path / "portrait.png")
    assert main(["digest", str(recording), *known, "--output", sound]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "30 beats in" in said
    assert "No drop came again in any of 29 swings" in said
    assert main(["digest", str(recording), *known, "--output", sound]) == 2
    assert "a file that is there and was not written by this command" in capsys.readouterr().err
    assert main(["digest", str(recording), *known, "--output", sound, "--overwrite", "--beats", "4"]) == 0
    assert "4 beats in" in capsys.readouterr().out
    assert main(["portrait", str(recording), str(recording), *known, "--output", picture]) == 0
    assert "side a: 15 beats" in capsys.readouterr().out
    assert (tmp_path / "portrait.png").stat().st_size > 10_000
    assert (
        main(["portrait", str(recording), *known, "--output", picture]) == 0
    )  # its own picture is made anew
    (tmp_path / "portrait.png").write_bytes(b"a photo")
    assert main(["portrait", str(recording), *known, "--output", picture]) == 2
    assert "a file that is there and was not written by this command" in capsys.readouterr().err
    assert (tmp_path / "portrait.png").read_bytes() == b"a photo"
    assert main(["portrait", *[str(recording)] * 3, *known, "--output", picture]) == 2
    assert "give one, or two to be compared" in capsys.readouterr().err
    assert (
        main(["digest", str(recording), *known, "--output", str(tmp_path / "d.wav"), "--channel", "2"]) == 2
    )
    assert "channel 2 was asked for" in capsys.readouterr().err
