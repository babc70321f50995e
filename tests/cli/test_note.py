"""The command of notes and works: amounts, words, moments."""

from __future__ import annotations

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


def test_notes_and_works(bench):
    bench("clock", "add", "Lamp")
    assert words(bench("note", "Lamp", "Bellows hold", "--when", "2026-03-01")) == (
        "Noted on Lamp, 2026-03-01 00:00: Bellows hold"
    )
    assert words(bench("note", "Lamp", "Trued it", "--work", "spring", "--when", "2026-03-02T08:15")) == (
        "Work kept on Lamp, 2026-03-02 08:15, spring: Trued it"
    )


@pytest.mark.parametrize(
    ("work", "detail", "message"),
    [
        ("weights", None, "How much was not said, so nothing can be learnt from it"),
        ("regulator", "tool=key", "keep it again with --detail moved=-0.5"),
    ],
)
def test_work_from_which_nothing_can_be_learnt_says_so(bench, work, detail, message):
    bench("clock", "add", "Lamp")
    asked = ["note", "Lamp", "x", "--work", work, *([] if detail is None else ["--detail", detail])]
    assert message in words(bench(*asked))
    assert message not in words(bench(*asked, "--detail", "added_g=1", "--detail", "moved=1"))


@pytest.mark.parametrize("value", ["x", "6800", "nan"])
def test_grams_of_a_work_are_grams(bench, value):
    bench("clock", "add", "Lamp")
    with pytest.raises(InputError, match=r"added_g is .*; it must be a number from -500 to 500 g"):
        bench("note", "Lamp", "x", "--work", "weights", "--detail", f"added_g={value}")


def test_the_amount_is_added_as_the_program_advises(bench):
    bench("clock", "add", "Lamp", "--regulator-setting", "5")
    said = words(bench("note", "Lamp", "turned it", "--work", "regulator"))
    assert 'torsionbeat clock amend "Lamp" work 1 --detail' in said
    said = words(bench("clock", "amend", "Lamp", "work", "1", "--detail", "moved=-0.5"))
    assert "moved -0.5; setting 4.5, worked out" in said
    assert "regulator setting 4.5" in said
    said = words(bench("note", "Lamp", "once more", "--work", "regulator", "--detail", "moved=-1"))
    assert "regulator setting 3.5" in words(bench("clock", "show", "Lamp"))


def test_a_note_may_begin_with_a_minus_sign(bench):
    bench("clock", "add", "Lamp")
    assert "Noted on Lamp" in bench("note", "Lamp", "-0.5 turn, then left")
    assert bench("note", "Lamp", "- wound", "--when", "2026-03-01").strip().endswith(": - wound")
    assert "-0.5" in bench("note", "Lamp", "-0.5")
    assert "-3 g" in words(bench("note", "Lamp", "--work", "weights", "--detail", "added_g=-3", "-3 g off"))
