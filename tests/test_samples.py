"""The sample recordings are the ones their list and README describe."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

SAMPLES = Path(__file__).parents[1] / "samples"
ROWS = [line.split() for line in (SAMPLES / "registry.txt").read_text().splitlines()]
SOUNDS = [name for name, _, _ in ROWS if name.endswith(".flac")]


@pytest.mark.parametrize(("name", "sha256", "size"), ROWS)
def test_checksum_and_size(name, sha256, size):
    content = (SAMPLES / name).read_bytes()
    assert len(content) == int(size)
    assert hashlib.sha256(content).hexdigest() == sha256


def test_every_file_is_listed_and_they_stay_small():
    listed = {name for name, _, _ in ROWS}
    assert listed == {p.name for p in SAMPLES.iterdir()} - {"README.md", "registry.txt"}
    assert sum(int(size) for _, _, size in ROWS) < 12e6
    assert len(SOUNDS) == 2


@pytest.mark.parametrize("name", SOUNDS)
def test_the_readme_states_the_truth(name):
    readme = (SAMPLES / "README.md").read_text()
    truth = json.loads((SAMPLES / name).with_suffix(".truth.json").read_text())
    figures = truth["figures"]
    for words in (
        name,
        f"{figures['period_s']:.6f} s",
        f"{figures['arc_deg']:.1f} deg",
        f"{figures['offset_deg']:.2f} deg",
        f"{figures['beat_error_ms']:.1f} ms",
        f"| {len(truth['beats'])} |",
        f"torsionbeat simulate {name}",
        f"--seed {truth['made_with']['seed']}",
    ):
        assert words in readme


@pytest.mark.parametrize("name", SOUNDS)
def test_every_stated_sound_is_there(name):
    sound, rate_hz = soundfile.read(SAMPLES / name)
    truth = json.loads((SAMPLES / name).with_suffix(".truth.json").read_text())
    assert len(sound) == round(truth["duration_s"] * rate_hz)
    rows = (SAMPLES / name).with_suffix(".truth.csv").read_text().splitlines()[1:]
    times_s = [float(row.split(",")[0]) for row in rows]
    quiet = np.sqrt(np.median(np.convolve(np.diff(sound) ** 2, np.ones(48) / 48, "valid")[::48]))
    heard = [
        np.abs(np.diff(sound[int(t * rate_hz) : int((t + 0.003) * rate_hz)])).max() / quiet for t in times_s
    ]
    # 50 samples of Gaussian noise reach 4 times their rms one time in 300; every tick stands above that
    assert min(heard) > 4.0
