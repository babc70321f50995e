"""The job of a free swing: Q and what damps it, from arcs and from ornaments counted."""

from __future__ import annotations

import math

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.free_swing import ArcsSeen, FreeSwingRequest, SoundsHeard, SwingsHeard, free_swing


def test_a_free_swing_of_pure_air_drag_gives_its_q(tmp_path):
    """A = A0 exp(-pi t / (Q T)), every ten minutes; kept for its clock."""
    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
    times = tuple(600.0 * step for step in range(8))
    arcs = tuple(400 * math.exp(-math.pi * time_s / (250 * 60)) for time_s in times)
    result = free_swing(FreeSwingRequest(ArcsSeen(times, arcs), clock="Lamp", log=log))
    assert result.law.law == "air"
    assert result.law.q.nominal_value == pytest.approx(250, rel=1e-6)
    assert result.kept_for == "Lamp"
    with open_log(log) as opened:
        (kept,) = opened.freeswings("Lamp")
    assert kept.document["q"]["value"] == pytest.approx(250, rel=1e-6)
    assert kept.document["remark_codes"] == []


def test_ornaments_counted_are_arcs_known_to_half_of_their_spacing():
    seen = ArcsSeen.counted([0.0, 1800.0], [20, 18], 30.0)
    assert seen.arc_deg == (600.0, 540.0)
    assert seen.within_deg == 15.0


def test_free_swings_that_cannot_be(tmp_path):
    sounds = tmp_path / "sounds.csv"
    sounds.write_text("time_s,side,kind,level_db\n")
    for source, says in [
        (ArcsSeen((0.0, 60.0), (400.0, 390.0)), "the period is not known"),
        (SwingsHeard({"schema": 1}), "holds no swings"),
        (SoundsHeard(sounds, lift_deg=20.0), "holds no sound"),
    ]:
        with pytest.raises(InputError, match=says):
            free_swing(FreeSwingRequest(source, None if "period" in says else 60.0))
