"""Pictures on request: written, told where they may not be, and showing what was measured."""

from __future__ import annotations

import pytest

SWINGS = ("0 400", "10 352", "20 310", "30 273", "40 240", "50 211")


@pytest.mark.parametrize(
    "words",
    [("freeswing", *SWINGS, "--period", "60"), ("handcheck", "0h 0", "72h +8", "168h +18")],
    ids=["freeswing", "handcheck"],
)
def test_a_picture_is_drawn_and_not_written_over(run, tmp_path, words):
    place = tmp_path / "drawn.svg"
    assert run(*words, "--plot", place).status == 0
    first = place.read_bytes()
    assert first.startswith(b"<?xml")
    place.write_text("mine")
    again = run(*words, "--plot", place)
    assert again.status == 2
    assert "--overwrite" in again.err
    assert place.read_text() == "mine"
    assert run(*words, "--plot", place, "--overwrite").status == 0
    assert place.read_bytes() == first


def test_a_clocks_history_is_drawn(run, sounds, tmp_path):
    run("clock", "add", "Small", "--period", "6", "--lift", "20")
    run("analyse", sounds / "clock.flac", "--clock", "Small", "--began", "2026-03-01 20:00")
    assert run("clock", "show", "Small", "--plot", tmp_path / "history.png").status == 0
    assert (tmp_path / "history.png").read_bytes().startswith(b"\x89PNG")


def test_the_hands_picture_holds_sightings_and_line():
    import numpy as np

    from torsionbeat.display.clockplots import hand_figure
    from torsionbeat.jobs.by_hand import HandCheckRequest, Sighting, hand_check

    seen = tuple(Sighting(ahead, 5.0, elapsed_h=hours) for hours, ahead in ((0, 0), (72, 8), (168, 18)))
    (axes,) = hand_figure(hand_check(HandCheckRequest(seen))).axes
    line = next(one for one in axes.lines if one.get_linestyle() == "-" and len(one.get_xdata()) == 3)
    np.testing.assert_allclose(line.get_xdata(), [0, 3, 7])
    slope = np.polyfit(*line.get_xydata().T, 1)[0]
    assert slope == pytest.approx(18 / 7, abs=0.1)  # s a day, nearly a straight line already
