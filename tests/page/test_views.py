"""Fragments of pages, made without a server."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from uncertainties import ufloat

pytest.importorskip("starlette", reason="the extra `page` is not installed")


@pytest.mark.parametrize(
    ("names", "turn", "went"),
    [
        (("", ""), "the way the balance goes at side a.", "at side b"),
        (("towards the window", "towards the wall"), "the way the balance goes towards the window.", "towards the wall"),
    ],
)  # fmt: skip
def test_the_way_to_turn_is_told_in_the_restorers_words_where_the_sides_are_known(names, turn, went):
    from torsionbeat.jobs.set_beat import BeatState
    from torsionbeat.live.beat_trace import BeatSetting
    from torsionbeat.page.listening import Activity, Wanted
    from torsionbeat.page.views import fragment
    from torsionbeat.regulation.beatsetting import beat_advice

    offset = ufloat(2.4, 0.3)
    setting = BeatSetting("b", ufloat(48.0, 4.0), offset, ufloat(412.0, 3.0), 9, True)
    advice = beat_advice(
        setting.beat_error_ms, setting.arc_deg, 6.0, lift_deg=20.0, offset_deg=offset, side_names=names, sides_shown=True
    )  # fmt: skip
    activity = Activity(Wanted("beat", "Lamp"), datetime.now(UTC))
    activity.state = BeatState("desk", 30.0, False, setting, advice, 6.0, 9, side_names=names)
    said = fragment("live_beat.html", "offset", activity)
    assert f"Turn the fork 2.4° {turn}" in said
    assert f"It just went by <b>{went}</b>" in said
    assert went in fragment("live_beat.html", "tick", activity)
