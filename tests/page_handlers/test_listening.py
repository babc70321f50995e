"""What the form of listening asks for: the clock's record goes before what is typed, and a period must be known."""

from __future__ import annotations

import pytest

from torsionbeat.errors import InputError
from torsionbeat.page_handlers.listening import _wanted


def test_a_night_has_its_length_and_what_is_kept(page):
    wanted = _wanted(
        page.log,
        {
            "kind": "night",
            "clock": "Lamp",
            "length": "7200",
            "keep": "beats",
            "device": " usb ",
            "lift": "14",
        },
    )
    assert (wanted.kind, wanted.clock, wanted.device) == ("night", "Lamp", "usb")
    assert (wanted.duration_s, wanted.keep) == (7200.0, "beats")
    assert wanted.lift_deg is None  # the record's goes before it


def test_setting_in_beat_keeps_the_sound_and_has_no_length(page):
    wanted = _wanted(
        page.log,
        {"kind": "beat", "period": "15", "lift": "14,5", "length": "7200", "keep": "figures", "share": "0,6"},
    )
    assert (wanted.period_s, wanted.lift_deg, wanted.duration_s, wanted.keep) == (15.0, 14.5, None, "sound")
    assert wanted.share_above_fork == 0.6
    assert _wanted(page.log, {"kind": "beat", "period": "15"}).share_above_fork == 1.0


def test_only_a_check_needs_no_period(page):
    assert _wanted(page.log, {"kind": "check"}).period_s is None
    for kind in ("beat", "night"):
        with pytest.raises(InputError, match="the period of this clock is not known"):
            _wanted(page.log, {"kind": kind, "keep": "sound"})
    with pytest.raises(InputError, match="what to do is 'sleep'"):
        _wanted(page.log, {"kind": "sleep"})
    with pytest.raises(InputError, match="what to keep is"):
        _wanted(page.log, {"kind": "night", "clock": "Lamp", "keep": "all"})


def test_what_cannot_begin_is_a_sentence_and_nothing_runs(page):
    refused = page.post("/listen", kind="night", keep="sound")
    assert refused.status == 422
    assert page.bench.listening.activity is None
    assert page.post("/listen/end").headers["location"] == "/listen"
    assert page.get("/listen/night/nobody").status == 422
