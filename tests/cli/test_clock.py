"""The command of clocks: added, shown, changed, taken back."""

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


def test_a_clock_is_added_shown_changed_and_listed(bench):
    assert "holds no clock yet; begin with torsionbeat clock add NAME." in words(bench("clock", "list"))
    added = words(
        bench("clock", "add", "Harbour lamp", "--period", "60", "--lift", "20", "--lift-tolerance", "0.5")
    )
    assert "Harbour lamp is a clock, in the log since" in added
    assert "Nominal period 60 s (out and back). Lift 20 deg, within 0.5 deg." in added
    changed = words(bench("clock", "change", "Harbour lamp", "--lift", "22", "--strip-thickness", "76"))
    assert "Lift 22 deg, within 0.5 deg." in changed
    assert "strip thickness 76 micrometres" in changed
    bench("clock", "change", "Harbour lamp", "--forget", "strip-thickness", "--new-name", "Lamp")
    shown = words(bench("clock", "show", "Lamp"))
    assert "It has not been heard yet." in shown
    assert "lift from 20 deg to 22 deg; strip thickness from nothing to 76 micrometres." in shown
    assert "76 micrometres to nothing; name from 'Harbour lamp' to 'Lamp'." in shown
    bench("clock", "add", "Schoolroom", "--kind", "400-day")
    listed = words(bench("clock", "list"))
    assert "holds 2 clocks." in listed
    assert "Schoolroom 400-day" in listed


def test_an_air_driven_clock_gets_common_limits_and_says_so(bench):
    added = words(bench("clock", "add", "Lamp", "--kind", "air-driven"))
    assert (
        "limits are those common for air-driven clocks (360 to 540 deg, knocking above 600); set this"
        in added
    )
    assert "Healthy arc (amplitude end to end) from 360 to 540 deg. It knocks at 600 deg." in added
    own = words(bench("clock", "add", "Own", "--kind", "air-driven", "--knock-arc", "640"))
    assert "common" not in own
    assert "Healthy arc" not in own
    assert "It knocks at 640 deg." in own


def test_a_clock_is_taken_back_and_brought_back(bench):
    bench("clock", "add", "Lamp")
    assert "Taken back: the clock Lamp" in words(
        bench("clock", "undo", "Lamp", "clock", "--because", "a slip")
    )
    assert "holds no clock yet" in words(bench("clock", "list"))
    with pytest.raises(InputError, match=r"was taken back \(a slip\); bring it back with"):
        bench("clock", "show", "Lamp")
    assert "Brought back: the clock Lamp" in words(bench("clock", "restore", "Lamp", "clock"))
    assert "Lamp is a clock" in words(bench("clock", "show", "Lamp"))


def test_maker_serial_number_owner_and_train(bench):
    added = words(
        bench(
            "clock", "add", "Lamp", "--maker", "Halden & Sons", "--serial", "417", "--train", "15,60/8,72/10"
        )
    )
    assert "maker Halden & Sons" in added
    assert "serial number 417" in added
    assert "train 15,60/8,72/10" in added
    bench("clock", "change", "Lamp", "--owner", "Keep it out of the sun.", "--forget", "serial")
    shown = words(bench("clock", "show", "Lamp"))
    assert "owner text Keep it out of the sun." in shown
    assert "serial number 417" not in shown.partition("When")[0]


@pytest.mark.parametrize(
    "command",
    [
        ["clock", "list"],
        ["clock", "show", "Lamp"],
        ["clock", "change", "Lamp", "--lift", "20"],
        ["clock", "undo", "Lamp", "note", "1"],
        ["clock", "export", "Lamp", "lamp.json"],
        ["note", "Lamp", "x"],
    ],
)
def test_a_mistyped_log_is_not_begun(bench, tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=r"there is no bench log .*bnech\.sqlite; check --log"):
        bench(*command, "--log", "bnech.sqlite")
    assert not (tmp_path / "bnech.sqlite").exists()


def test_two_clocks_whose_names_differ_in_capitals_are_refused_in_words(bench):
    bench("clock", "add", "Gate house")
    with pytest.raises(InputError, match="a clock is named 'Gate house' already; choose another name"):
        bench("clock", "add", "GATE HOUSE")
    with pytest.raises(InputError, match="near names: Gate house"):
        bench("note", "gate houses", "x")
