"""Three figures against pictures kept in baseline/.

To draw the pictures anew after a change that was looked at, set TORSIONBEAT_DRAW=1 and run this file. The
style is pinned by the package itself. Other versions of matplotlib and of its letters (FreeType) give words
another width, and the layout moves by some pixels: root mean squares of 25 to 45 grey steps, more than any
fault. So pictures are held only against those drawn by the same versions; the artists' data are tested
elsewhere.
"""

from __future__ import annotations

import os
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib import ft2font
from PIL import Image

from torsionbeat.display.clockplots import decay_figure
from torsionbeat.display.evidence import evidence_figure
from torsionbeat.display.nightplots import stability_figure
from torsionbeat.display.style import styled
from torsionbeat.history.arc_findings import Decay

BASELINE = Path(__file__).parent / "baseline"

RMS_TOLERANCE = 2.0
"""Grey steps of 255. Measured: drawn again 0; a panel's marks gone 12 to 19; a mean sound's line gone 3.7;
the band of the limits gone 3.5. What remains is rounding where another processor draws.
"""

VERSIONS = f"matplotlib {matplotlib.__version__}, FreeType {ft2font.__freetype_version__}"


def free_swing():
    time = np.arange(0, 5400.0, 30)
    noise = np.random.default_rng(1).normal(0, 0.4, time.size)
    return Decay(time, 430 * np.exp(-np.pi * time / (300 * 60)) + noise, 60.0)


def keep(figure, path):
    with styled():
        figure.savefig(path, dpi=100, metadata={"Software": None, "Comment": VERSIONS})


def pixels(path):
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB"), float)


def rms(one, other):
    return float(np.sqrt(np.mean((one - other) ** 2)))


@pytest.fixture(scope="module")
def figures(night, twin_readings):
    """Give what makes each figure."""
    return {
        "evidence": lambda: evidence_figure(night, twin_readings.voices()),
        "stability": lambda: stability_figure([night]),
        "decay": lambda: decay_figure(free_swing()),
    }


@pytest.fixture(params=["evidence", "stability", "decay"])
def kept(request, figures):
    """Give a figure's name and its kept picture, where the same versions drew it."""
    path = BASELINE / f"{request.param}.png"
    if os.environ.get("TORSIONBEAT_DRAW"):
        keep(figures[request.param](), path)
    with Image.open(path) as image:
        drawn_by = image.info["Comment"]
    if drawn_by != VERSIONS:
        pytest.skip(f"the picture was drawn by {drawn_by}; here is {VERSIONS}")
    return request.param, pixels(path)


def test_the_figure_looks_as_it_did_when_it_was_looked_at(kept, figures, tmp_path):
    name, before = kept
    keep(figures[name](), tmp_path / f"{name}.png")
    now = pixels(tmp_path / f"{name}.png")
    assert now.shape == before.shape
    assert rms(now, before) <= RMS_TOLERANCE, f"see {tmp_path / name}.png"


def test_the_tolerance_notices_one_line_or_band_gone(kept, figures, tmp_path):
    name, before = kept
    figure = figures[name]()
    axes = figure.axes[-1]
    (axes.collections or axes.lines)[0].remove()
    axes.lines[0].remove()
    keep(figure, tmp_path / "less.png")
    assert rms(pixels(tmp_path / "less.png"), before) > RMS_TOLERANCE
