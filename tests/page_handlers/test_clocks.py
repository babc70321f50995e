"""The clocks' pages: added, changed and listed through their forms, the first task in a few words."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.page_handlers.clocks import SHORT, _short, clock_path


def test_a_path_names_the_clock_and_what_is_said():
    assert clock_path(3) == "/clocks/3"
    assert clock_path(3, "readings", "7") == "/clocks/3/readings/7"
    assert clock_path(3, "next", said="done") == "/clocks/3/next?said=done"


def test_a_clock_is_added_with_what_was_filled_in(page):
    form = {
        "name": " Shelf ",
        "kind": "400-day",
        "nominal_period_s": "15",
        "lift_deg": "14,5",
        "lift_tolerance_deg": "",
        "maker": "",
    }
    assert page.post("/clocks/new", **form).headers["location"] == "/clocks/2?said=added"
    with open_log(page.log) as log:
        clock = log.clock("Shelf")
    assert (clock.kind, clock.nominal_period_s, clock.lift_deg, clock.lift_tolerance_deg) == (
        "400-day",
        15.0,
        14.5,
        0.0,
    )
    again = page.post("/clocks/new", **form)
    assert again.status == 422
    assert "a clock is named" in again.words.lower()


def test_only_what_differs_is_changed_and_what_stood_there_stays_as_a_note(page):
    same = page.post("/clocks/1/record", name="Lamp", kind="other", nominal_period_s="60", lift_deg="20")
    assert same.headers["location"] == "/clocks/1?said=changed"
    with open_log(page.log) as log:
        notes = len(log.notes("Lamp"))
    page.post("/clocks/1/record", name="Hall lamp", kind="other", nominal_period_s="60", lift_deg="21")
    with open_log(page.log) as log:
        clock = log.clock("Hall lamp")
        assert len(log.notes("Hall lamp")) > notes
    assert (clock.lift_deg, clock.nominal_period_s) == (21.0, 60.0)


def test_a_name_in_the_address_leads_to_its_clock(page):
    assert page.get("/clocks?named=Lamp&said=kept").headers["location"] == "/clocks/1?said=kept"
    assert page.get("/clocks?named=Lamp&said=evil").headers["location"] == "/clocks/1"
    assert page.get("/clocks?named=Nobody").status == 200


def judged(kind, weights=None):
    return SimpleNamespace(tasks=[SimpleNamespace(kind=kind)], correction=SimpleNamespace(weights=weights))


@pytest.mark.parametrize(
    ("total_g", "words"),
    [(6.8, "Put 3.4 g on each of the 2 sides"), (-0.5, "Take 0.25 g off each of the 2 sides")],
)
def test_weights_are_said_for_one_side(total_g, words):
    weights = SimpleNamespace(total_g=total_g, a_side_g=total_g / 2, sides=2)
    assert _short(judged("change-weights", weights), None) == words


def test_the_first_task_has_its_words_and_a_work_since_goes_before_it():
    for kind, words in SHORT.items():
        assert _short(judged(kind), None) == words
    assert _short(judged("unheard-of"), None) == "See its page"
    assert _short(None, SimpleNamespace(code="worked-on-since")) == "Let it settle, and listen"
    assert _short(None, None) == _short(SimpleNamespace(tasks=[]), None) == ""


def test_a_clock_s_page_says_its_rate_and_what_is_next(page, read):
    read(12.0)
    shown = page.get("/clocks/1?said=noted").words
    assert "gains 12.0 s a day" in shown
    assert "Kept." in shown
    assert "on each of the 2 sides gains 12" in page.get("/clocks/1/next-line").words
