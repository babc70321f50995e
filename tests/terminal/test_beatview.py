"""The view while the beat is set: what must be acted on and the way to turn are never left out."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console
from uncertainties import ufloat

from torsionbeat.live.beat_trace import BeatSetting
from torsionbeat.sound.remarks import Remark
from torsionbeat.terminal.beatview import beat_line, beat_view, large
from torsionbeat.terminal.live import live_view


def drawn(view, width=80):
    console = Console(width=width, file=io.StringIO(), highlight=False, markup=False)
    console.print(view)
    return console.file.getvalue()


def test_beat_view():
    setting = BeatSetting("a", ufloat(38.5, 0.5), ufloat(2.01, 0.05), ufloat(400, 2), 7, True)
    text = drawn(beat_view(setting, "Turn the fork.", "Ctrl-C ends."))
    assert all(row in text for row in large("+2.0"))
    assert "Offset 2.01 deg, between 1.91 and 2.11; beat error 38.5 ms, between 37.5 and 39.5" in " ".join(
        text.split()
    )
    assert "The balance just went by at side a." in text
    assert beat_line(setting, "Turn.") == "side a: +2.0 deg. Turn."
    names = ("towards the window", "towards the wall")
    assert beat_line(setting, "Turn.", names) == "towards the window: +2.0 deg. Turn."
    assert "just went by towards the window." in drawn(beat_view(setting, "", "", side_names=names))
    unsure = replace(setting, settled=False, offset_deg=None)
    assert beat_line(unsure, "Wait.") == "side a: +38.5 ms (just changed). Wait."
    assert "one more swing to be sure" in " ".join(drawn(beat_view(unsure, "", "")).split())
    assert "three beats" in drawn(beat_view(None, "", "three beats"))


DISK_FULL = Remark(
    "keeping-failed",
    "Writing to night stopped at 5400.0 s: the disk is full. What was kept until then is intact; make room on the disk, "
    "then begin a new recording. Listening went on without keeping.",
)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 10), (40, 6)])
def test_what_must_be_acted_on_is_never_left_out(state, width, height):
    gaps = [
        Remark("gap", f"Nothing was heard for 1.00 s at {s} s: the microphone was away.") for s in range(9)
    ]
    full = replace(state, remarks=(*gaps[:4], DISK_FULL, *gaps[4:]))
    lines = drawn(live_view(full, "Listening to Alder with bench microphone", height), width).splitlines()
    said = " ".join(" ".join(lines).split())
    assert "the disk is full" in said
    assert "Listening went on without keeping." in said
    assert "The tick is heard clearly" in said
    if height >= 10:
        assert len(lines) < height
    gone = replace(full, away=True)
    assert "The microphone is gone" in drawn(live_view(gone, "Listening", height), width)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 10)])
def test_the_way_to_turn_is_never_left_out(width, height):
    setting = BeatSetting("a", ufloat(64.2, 0.4), ufloat(6.2, 0.1), ufloat(401, 2), 12, True)
    advice = (
        "Out of beat by 6.2 deg of the balance. Turn the fork 6.2 deg (give or take 0.2) the way the balance goes at a beat "
        "of side a; or, if the suspension is what turns, the way it goes at side b."
    )
    lines = drawn(beat_view(setting, advice, "Ctrl-C ends.", height=height), width).splitlines()
    assert advice in " ".join(" ".join(lines).split())
    assert len(lines) < height
