"""Entries taken back, brought back and put right from the command line."""

from __future__ import annotations

import json

import pytest
import typer

from torsionbeat.cli import by_hand, clock, note
from torsionbeat.errors import InputError

app = typer.Typer()


app.add_typer(clock.app, name="clock")


app.command("note", cls=note.NOTE_CLASS)(note.note_command)


app.command("handcheck", cls=by_hand.HANDCHECK_CLASS)(by_hand.handcheck_command)


@pytest.fixture
def bench(output_of):
    """Give what runs a command on an empty log and gives its output, or raises its error."""
    return output_of(app)


def words(text):
    return " ".join(text.split())


def test_what_is_taken_back_is_shown_struck_through_with_its_reason(bench):
    bench("clock", "add", "Lamp", "--weight-total", "20")
    bench("note", "Lamp", "3 g a side", "--work", "weights", "--detail", "added_g=6", "--when", "2026-03-01")
    again = words(bench("note", "Lamp", "3 g a side", "--work", "weights", "--detail", "added_g=6"))
    assert (
        "Work 1 of 2026-03-01 says much the same, and nothing was heard between the two: both count." in again
    )
    shown = words(bench("clock", "show", "Lamp"))
    assert "weight total 32 g" in shown
    assert "work 1, weights 3 g a side (added_g 6)" in shown
    said = words(bench("clock", "undo", "Lamp", "work", "2", "--because", "kept twice"))
    assert "Taken back: work 2 of Lamp. It stays in the log and counts nowhere." in said
    assert "In the record now: weight total 26 g." in said
    assert "work 2, weights [taken back: kept twice] 3 g a side (added_g 6)" in words(
        bench("clock", "show", "Lamp")
    )
    said = words(bench("clock", "restore", "Lamp", "work 2"))
    assert "Brought back: work 2 of Lamp." in said
    assert "weight total 32 g" in said
    said = words(
        bench("clock", "amend", "Lamp", "work", "2", "--detail", "added_g=2", "--text", "1 g a side")
    )
    assert "1 g a side (added_g 2)" in said
    assert "weight total 28 g" in said
    kept = json.loads(bench("clock", "show", "Lamp", "--json"))
    assert [row["action"] for row in kept["changes"]] == ["undo", "restore", "amend"]
    assert kept["changes"][2]["before"] == {"what": "3 g a side", "details": {"added_g": 6.0}}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["undo", "Lamp", "note"], "the entry 'note' cannot be read; write it as clock show does: note 3"),
        (["undo", "Lamp", "3"], "the entry '3' cannot be read"),
        (["undo", "Lamp", "note", "9" * 20], "cannot be read"),
        (["undo", "Lamp", "song", "1"], "an entry is called 'song'; use one of note, work"),
        (["undo", "Lamp", "note", "7"], "has no note 7; it has none yet"),
        (
            ["amend", "Lamp", "hand", "check", "1", "--text", "x"],
            "of a hand check can be changed: checked_at",
        ),
        (["amend", "Lamp", "hand check 1"], "nothing was to be changed in hand check 1"),
        (["amend", "Lamp", "handcheck", "1", "--detail", "a=1"], "details was to be changed in hand check 1"),
    ],
)
def test_entries_that_are_not_there_or_cannot_be_put_right(bench, arguments, message):
    bench("clock", "add", "Lamp")
    bench("handcheck", "0h 0", "168h 18", "--clock", "Lamp")
    before = bench("clock", "show", "Lamp", "--json")
    with pytest.raises(InputError, match=message):
        bench("clock", *arguments)
    assert bench("clock", "show", "Lamp", "--json") == before
