"""Wheels through the commands: the train typed or on record, the faults in the JSON."""

from __future__ import annotations

import json

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.cli import main
from torsionbeat.errors import InputError
from torsionbeat.jobs.keep import ClockRequest, add_clock
from torsionbeat.theory.train import Train
from torsionbeat.twin import (
    BadTooth,
    Balance,
    Drive,
    Escapement,
    Recorder,
    Room,
    TwinClock,
    VoiceSet,
    simulate,
)


@pytest.fixture(scope="module")
def worn(tmp_path_factory):
    """Give a recording of 150 beats of a 6 s clock whose escape wheel of 10 has a tooth that drops 8 dB softer."""
    clock = TwinClock(
        Balance(6.0),
        Escapement(lift_deg=20.0),
        Drive(arc_deg=300.0),
        voices=VoiceSet(scatter_db=1.0),
        train_faults=(BadTooth(20, (4, 13), drop_db=-8.0),),
    ).with_period(6.0)
    path = tmp_path_factory.mktemp("worn") / "night.flac"
    simulate(clock, Room(), Recorder(16_000), 450.0, 3).write(path)
    return path


@pytest.mark.parametrize("more", [[], ["--train", "10,48/8"]])
def test_a_bad_tooth_is_heard_in_a_recording(worn, more, capsys):
    assert main(["analyse", str(worn), "--period", "6", "--lift", "20", "--json", "-", *more]) == 0
    document = json.loads(capsys.readouterr().out)
    (fault,) = document["wheels"]
    assert (fault["every_beats"], fault["teeth"], fault["shape"]) == (20.0, 10, "tooth")
    assert {(one["beat"] % 2, one["side"]) for one in fault["where"]} == {(0, "a"), (1, "b")}
    assert fault["quantity"] == "drop_level_db"
    assert fault["size"]["value"] == pytest.approx(-8.0, abs=4 * fault["size"]["standard_uncertainty"] + 0.5)
    assert "wheel-tooth" in document["remark_codes"]


def test_a_train_that_is_none_is_refused_before_anything_is_read(tmp_path, capsys):
    assert main(["analyse", str(tmp_path / "missing.flac"), "--train", "15-60"]) == 2
    assert "write the escape wheel's teeth first" in capsys.readouterr().err


def test_the_train_on_record_is_used(tmp_path):
    log = str(tmp_path / "log.sqlite")
    add_clock(ClockRequest("Gate house", {"nominal_period_s": 60.0, "train": "15, 60/8"}, log))
    assert KnownClock("Gate house", log=log).clock().train == Train(15, ((60, 8),))
    assert KnownClock("Gate house", log=log, train=Train(13)).clock().train == Train(13)
    with pytest.raises(InputError, match="write the escape wheel's teeth first"):
        add_clock(ClockRequest("Other", {"train": "many"}, log))
