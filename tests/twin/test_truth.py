"""The truth of a rendering: saved, and of a stretch."""

from __future__ import annotations

import json
import math

import pytest

from torsionbeat.errors import InputError
from torsionbeat.twin import (
    Balance,
    CaseKnock,
    Drive,
    Recorder,
    Room,
    TwinClock,
    simulate,
)

SILENT = Room(pink_rms=0.0, white_rms=0.0, wetness=0.0)


QUICK = TwinClock(Balance(6.0), changes=(CaseKnock(11.0, angle_deg=1.0),))


def test_the_saved_truth(tmp_path):
    made = simulate(QUICK, Room(), Recorder(8000), 30.0, seed=1)
    made.write(tmp_path / "bench.flac")
    truth = json.loads((tmp_path / "bench.truth.json").read_text())
    assert truth["figures"]["period_s"] == made.truth.mean_period_s()
    assert len(truth["beats"]) == len(made.truth.beats) == 10
    assert truth["sudden"] == [{"time_s": 11.0, "what": "knock against the case"}]
    assert truth["made_with"]["clock"]["balance"]["period_s"] == 6.0
    rows = (tmp_path / "bench.truth.csv").read_text().splitlines()
    assert rows[0] == "time_s,side,kind,level_db"
    assert len(rows) == 1 + len(made.truth.events)
    time_s, side, kind, _ = rows[1].split(",")
    assert (float(time_s), side, kind) == (round(made.truth.events.time_s[0], 7), "a", "contact")


def test_truth_of_a_stretch():
    made = simulate(TwinClock(Balance(6.0), drive=Drive(arc_deg=300.0)), SILENT, Recorder(8000), 60.0, seed=1)
    part = made.truth.between(20.0, 41.0)
    assert len(part.beats) == 7
    assert part.mean_period_s() == pytest.approx(made.truth.mean_period_s("drop_s"), rel=1e-9)
    assert part.mean_arc_deg() == pytest.approx(300.0)
    assert part.beat_error_ms() == pytest.approx(0.0, abs=1e-6)
    assert len(part.events.where(kind="drop", side="a")) in (3, 4)
    assert made.truth.between(0.0, 1.0).figures()["period_s"] is None
    with pytest.raises(InputError, match="hold no full period"):
        made.truth.between(0.0, 1.0).mean_period_s()
    assert math.isnan(made.truth.between(0.0, 1.0).beat_error_ms())
