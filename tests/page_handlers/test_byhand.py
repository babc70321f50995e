"""By hand through the page: what is typed reaches the job, and what it gives is the job's own."""

from __future__ import annotations

from urllib.parse import urlencode

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.page_handlers.byhand import _looks, _sightings, _strip

SEEN = {"when0": "2026-03-01T08:00", "ahead0": "0", "when1": "2026-03-08T08:00", "ahead1": "18"}
LOOKS = "0 400\n10 352\n\n20, 310\n30; 273"


def test_sightings_are_seconds_ahead_at_their_moments():
    request = _sightings(SEEN | {"within": "3"}, "Lamp", "log")
    assert [(one.ahead_s, one.within_s) for one in request.sightings] == [(0.0, 3.0), (18.0, 3.0)]
    assert (request.sightings[1].when - request.sightings[0].when).days == 7
    assert _sightings(SEEN, None, None).sightings[0].within_s == 5.0
    with pytest.raises(
        InputError, match="sighting 2 needs both its moment and the seconds the hand was ahead"
    ):
        _sightings(SEEN | {"ahead1": ""}, None, None)


def test_the_hand_gains_eighteen_seconds_in_a_week(page):
    """18 s in seven days are 2.57 s a day."""
    said = page.get("/byhand/handcheck?" + urlencode(SEEN)).words
    assert "2.6 s a day" in said
    assert (
        page.post("/byhand/handcheck", clock="Lamp", **SEEN).headers["location"]
        == "/clocks?named=Lamp&said=checked"
    )
    with open_log(page.log) as log:
        (kept,) = log.handchecks("Lamp")
    assert kept.rate_s_per_day == pytest.approx(18 / 7)
    without = page.post("/byhand/handcheck", **SEEN)
    assert (without.status, "choose the clock to keep it with" in without.words.lower()) == (422, True)


def test_looks_are_minutes_and_degrees():
    given = {"looks": "0 400\n10 352,5", "period": "60"}
    seen = _looks(given, None, None)
    assert (seen.source.time_s, seen.source.arc_deg) == ((0.0, 600.0), (400.0, 352.5))
    assert seen.period_s == 60.0
    with pytest.raises(InputError, match="the period is not filled in"):
        _looks({"looks": "0 400"}, None, None)
    assert _looks({"looks": "0 400"}, "Lamp", None).period_s is None
    # Ornaments 30 degrees apart: ten of them are 300 degrees.
    assert _looks({"looks": "0 10", "spacing": "30", "period": "60"}, None, None).source.arc_deg == (300.0,)
    for line in ("10", "10 352 3", "ten"):
        with pytest.raises(InputError, match="cannot be read; write minutes and arc"):
            _looks({"looks": f"0 400\n{line}", "period": "60"}, None, None)


def test_a_free_swing_gives_its_q_and_is_kept(page):
    """Arcs that fall by exp(-pi t / (Q T)): 400 to 352 in ten minutes of 60 s periods is Q = 10 pi / ln(400 / 352) = 246."""
    looks = "\n".join(
        f"{minutes} {400 * (352 / 400) ** (minutes / 10):.2f}" for minutes in (0, 10, 20, 30, 40, 50)
    )
    answer = page.get("/byhand/freeswing?" + urlencode({"looks": looks, "period": "60", "within": "1"}))
    assert "24" in answer.words
    page.post("/byhand/freeswing", clock="Lamp", looks=looks, period="60", within="1")
    with open_log(page.log) as log:
        (kept,) = log.freeswings("Lamp")
    assert kept.q == pytest.approx(246, rel=0.02)


def test_a_strip_is_worked_out_by_what_is_measured():
    given = dict.fromkeys(("period", "arc", "rate", "thicker"), "") | {
        "thickness": "100", "width": "0,6", "length": "105", "load": "300", "material": "A228",
    }  # fmt: skip
    found, stiffer = _strip(given), _strip(given | {"thickness": "110"})
    # A flat strip's stiffness goes with the cube of its thickness, less what the load's own pull adds to both.
    grown = (stiffer.stiffness_un_m_per_deg / found.stiffness_un_m_per_deg).nominal_value
    assert 1.15 < grown < 1.1**3
    assert _strip(given | {"thicker": "10"}).new is not None
    assert found.new is None
    with pytest.raises(InputError, match=r"width \(mm\) is not filled in"):
        _strip(given | {"width": ""})
