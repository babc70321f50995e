"""A clock's life put down and put right through its forms, and two nights compared."""

from __future__ import annotations

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.page_handlers.life import WORDS_OF_WORK, _changes, _details


def works(page):
    with open_log(page.log) as log:
        return log.works("Lamp")


def test_a_note_and_a_work_are_kept_with_their_words_and_amounts(page):
    assert (
        page.post("/clocks/1/notes", kind="note", text=" Hangs straight ").headers["location"]
        == "/clocks/1?said=noted"
    )
    assert page.post("/clocks/1/notes", kind="weights", added_g="1,5", when="2026-03-01T09:30").status == 303
    with open_log(page.log) as log:
        assert [note.text for note in log.notes("Lamp")] == ["Hangs straight"]
    (work,) = works(page)
    assert (work.kind, work.what, work.details["added_g"]) == ("weights", "weights changed", 1.5)
    assert work.done_at.astimezone().replace(tzinfo=None).isoformat() == "2026-03-01T09:30:00"


@pytest.mark.parametrize("kind", sorted(WORDS_OF_WORK))
def test_a_work_without_words_has_those_of_its_kind(page, kind):
    page.post("/clocks/1/notes", kind=kind)
    assert [work.what for work in works(page)] == [WORDS_OF_WORK[kind]]


def test_only_the_amounts_of_its_kind_are_taken():
    form = {"added_g": "2", "moved": "-0,5", "setting": "1"}
    assert _details("weights", form) == {"added_g": 2.0}
    assert _details("regulator", form) == {"moved": -0.5, "setting": 1.0}
    assert _details("regulator", {"moved": "0"}) == {"moved": 0.0}
    assert _details("spring", form) == _details("weights", {}) == {}


def test_what_a_form_puts_right_is_by_the_kind_of_entry():
    form = {"text": "two discs", "when": "2026-03-01T09:30", "added_g": "3"}
    note, work, reading = (_changes(kind, form) for kind in ("note", "work", "reading"))
    assert set(note) == {"text", "written_at"}
    assert work["what"] == note["text"] == "two discs"
    assert work["details"] == {"added_g": 3.0}
    assert work["done_at"] == note["written_at"]
    assert reading == _changes("note", {}) == {}


def test_an_entry_is_taken_back_brought_back_and_put_right(page):
    page.post("/clocks/1/notes", kind="weights", text="two discs", added_g="3")
    turn = {"kind": "work", "entry": "1", "reason": "not this clock"}
    assert page.post("/clocks/1/entries", act="undo", **turn).headers["location"] == "/clocks/1?said=undone"
    assert works(page) == []
    assert (
        page.post("/clocks/1/entries", act="restore", **turn).headers["location"] == "/clocks/1?said=restored"
    )
    changed = page.post("/clocks/1/entries", act="amend", added_g="2", **turn)
    assert changed.headers["location"] == "/clocks/1?said=amended"
    assert works(page)[0].details["added_g"] == 2.0
    refused = page.post("/clocks/1/entries", act="burn", **turn)
    assert refused.status == 422
    assert "what to do is" in refused.words.lower()


def test_two_nights_are_compared_by_what_the_restorer_knows_of_them(page, read):
    first, second = read(-900.0), read(3.0, day=4)
    with open_log(page.log) as log:
        log.add_work("Lamp", "weights", "3 g", {"added_g": 6.0})
    plain = page.get(f"/clocks/1/compare?before={first}&after={second}")
    assert plain.status == 200
    assert "903" in plain.words  # the rate's change
    assert "same recorder" in page.get(f"/clocks/1/compare?before={first}&after={second}&recorder=on").words
    assert page.get("/clocks/1/compare?before=77&after=78").status == 200  # nothing chosen yet


def test_the_report_may_run_nothing_and_can_be_taken_away(page, read):
    read(3.0)
    opened = page.get("/clocks/1/report.html")
    assert opened.headers["content-security-policy"].startswith("default-src 'none'")
    assert "sandbox" in opened.headers["content-security-policy"]
    assert "content-disposition" not in opened.headers
    kept = page.get("/clocks/1/report.html?download=")
    assert kept.headers["content-disposition"] == 'attachment; filename="report-1.html"'
