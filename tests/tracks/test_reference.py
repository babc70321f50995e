"""A quartz clock in the room measures the recorder's crystal: held against the twin's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import InputError, NothingHeardError
from torsionbeat.tracks.reference import ReferenceEar, TickFit, _line, reference_timebase
from torsionbeat.twin import Recorder
from torsionbeat.twin.scenes import clear, quartz_room

COVERAGE = 1.96
RATE_HZ = 16_000


def heard(scene, block=65536, tolerance_ppm=5.0):
    ear = ReferenceEar(scene.recorder.sample_rate_hz, 1.0, tolerance_ppm)
    for samples in scene.render().blocks(block):
        ear.feed(samples)
    return ear.timebase()


def room(seed, duration_s, level_db, crystal_ppm, rate_ppm):
    """The scene, with the quartz clock and the recorder set."""
    scene = quartz_room(seed, duration_s, level_db)
    other = replace(scene.room.others[0], rate_ppm=rate_ppm)
    return replace(
        scene,
        recorder=Recorder(RATE_HZ, crystal_ppm),
        room=replace(scene.room, others=(other,)),
    )


@pytest.mark.parametrize(
    ("seed", "level_db", "crystal_ppm", "rate_ppm"),
    [(1, -3.0, 50.0, 0.0), (2, -12.0, 50.0, 4.0), (3, 6.0, -80.0, -4.0), (4, -20.0, 50.0, 0.0)],
)
def test_crystal_comes_out_within_the_interval(seed, level_db, crystal_ppm, rate_ppm):
    found = heard(room(seed, 300, level_db, crystal_ppm, rate_ppm))
    assert found.source == "reference ticks"
    assert abs(found.offset_ppm - crystal_ppm) < COVERAGE * found.standard_uncertainty_ppm
    # 5 ppm half-width of a rectangular distribution is 2.89 ppm; the fit of 300 ticks adds next to nothing
    assert 2.88 < found.standard_uncertainty_ppm < 3.1


@pytest.mark.parametrize("seed", range(5, 11))
def test_fit_alone_holds_the_truth(seed):
    """Without a tolerance the fit's own uncertainty stands: |error| within 3.5 of it, 6 seeds."""
    found = heard(room(seed, 180, -3.0, 50.0, 0.0), tolerance_ppm=0.0)
    assert found.standard_uncertainty_ppm < 1.0
    assert abs(found.offset_ppm - 50.0) < 3.5 * found.standard_uncertainty_ppm


def test_chapters_of_a_long_recording_are_joined(monkeypatch):
    monkeypatch.setattr("torsionbeat.tracks.reference.CHAPTER_CHUNKS", 150)
    found = heard(room(1, 400, -3.0, 50.0, 0.0))
    assert abs(found.offset_ppm - 50.0) < 1.0
    assert found.standard_uncertainty_ppm < 3.0


def test_block_size_does_not_move_the_answer():
    scene = room(1, 120, -3.0, 50.0, 0.0)
    assert heard(scene, 160_000) == heard(scene, 4_801)


def test_lost_stretch_is_gone_over():
    scene = room(1, 240, -3.0, 50.0, 0.0)
    sound = scene.render().samples()
    ear = ReferenceEar(RATE_HZ, 1.0, 0.0)
    ear.feed(sound[: 100 * RATE_HZ])
    ear.feed(sound[117 * RATE_HZ :], 117 * RATE_HZ)
    found = ear.timebase()
    assert abs(found.offset_ppm - 50.0) < 3.5 * found.standard_uncertainty_ppm


def test_room_without_a_quartz_clock():
    with pytest.raises(NothingHeardError, match="no clock that ticks every 1 s is heard"):
        heard(clear(1, 100))


def test_stretches_that_disagree_widen_the_answer():
    agreeing = reference_timebase([TickFit(1.00005, 1e-7, 300)] * 4, 1.0, 0.0)
    fits = [TickFit(1.00005 + step * 1e-6, 1e-7, 300) for step in (-1, -0.3, 0.3, 1)]
    assert agreeing.standard_uncertainty_ppm == pytest.approx(0.05)
    spread = np.std([-1, -0.3, 0.3, 1], ddof=1) / 2  # standard error of four values, ppm
    assert reference_timebase(fits, 1.0, 0.0).standard_uncertainty_ppm == pytest.approx(spread, rel=0.01)


def test_options_out_of_range():
    with pytest.raises(InputError, match=r"ticks every 30 s, it is said; 0\.2 to 10 s can be used"):
        ReferenceEar(48_000.0, 30.0, 5.0)
    with pytest.raises(InputError, match="tolerance is -1 ppm; it must lie between 0 and 1000"):
        reference_timebase([TickFit(1.0, 1e-7, 300)], 1.0, -1.0)


def test_slow_wander_of_the_ticks_widens_the_interval():
    """Ticks whose lateness wanders and remembers twenty of them: the slope's interval counts the wander, not the scatter."""
    held, scatter_alone = 0, []
    x = np.arange(600.0)
    for seed in range(100):
        rng = np.random.default_rng([seed, 9])
        late = np.zeros(600)
        for tick in range(1, 600):
            late[tick] = 0.95 * late[tick - 1] + 3e-4 * rng.standard_normal()
        y = 2e-6 * x + 1e-3 * (x % 2) + late + 2e-4 * rng.standard_normal(600)
        slope, error = _line(x, y)
        held += abs(slope - 2e-6) <= 1.96 * error
        rest = y - np.polyval(np.polyfit(x, y, 1), x)
        scatter_alone.append(error / (np.std(rest) / np.sqrt(np.sum((x - 299.5) ** 2))))
    # Blocks of thirty hold most of the wander: 85 of 100, where scatter alone would hold a third.
    assert held >= 80
    assert np.median(scatter_alone) > 2.5


def test_scatter_of_ticks_alone_is_the_line_s():
    x = np.arange(600.0)
    errors = []
    for seed in range(40):
        y = 2e-6 * x + 2e-4 * np.random.default_rng([seed, 10]).standard_normal(600)
        slope, error = _line(x, y)
        errors.append((slope - 2e-6) / error)
    assert np.std(errors) == pytest.approx(1.0, abs=0.3)  # of 40 values, 11 % and three of that
