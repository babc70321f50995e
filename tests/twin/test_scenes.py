"""Ready-made scenes, and loudness stated in sigmas of the noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.twin import SCENES, CaseKnock

NO_CLOCK = {"quiet_room", "rain", "fire", "drip", "speech", "quartz_alone", "ordinary_clocks"}


@pytest.mark.parametrize("name", sorted(SCENES))
def test_every_scene_can_be_heard(name):
    scene = SCENES[name](seed=3, duration_s=200.0)
    assert scene.name == name
    rendering = replace(scene, recorder=replace(scene.recorder, sample_rate_hz=8000)).render()
    sound = rendering.samples()
    assert len(sound) == rendering.frames
    assert np.abs(sound).max() > 1e-4
    if name in NO_CLOCK:
        assert scene.clock is scene.nominal_period_s is scene.lift_deg is None
        assert not len(rendering.truth.events)
    else:
        assert len(rendering.truth.events) >= 3
        knocks_s = [change.at_s for change in scene.clock.changes if isinstance(change, CaseKnock)]
        calm = rendering.truth.between(0.0, min(knocks_s, default=200.0))
        assert calm.mean_period_s() == pytest.approx(scene.nominal_period_s, rel=2e-3)
        assert (scene.lift_deg is None) == ("four_hundred_day" in name)


def test_a_seed_makes_a_clock():
    first, same, other = (SCENES["clear"](seed, 60.0).clock for seed in (1, 1, 2))
    assert first == same
    assert first != other


def test_the_changing_arc_changes_and_the_lost_drive_runs_down():
    gathering = SCENES["changing_arc"](seed=2).render().truth.column("arc_deg")
    assert gathering[-1] - gathering[0] > 40
    running_down = SCENES["drive_lost"](seed=2).render().truth
    before, after = running_down.between(0, 1750), running_down.between(1850, 3600)
    assert before.column("arc_deg").std() < 5
    assert math.log(after.beats[0].arc_deg / after.beats[-1].arc_deg) > 0.15
