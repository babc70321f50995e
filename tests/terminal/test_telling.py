"""What commands say: one line on standard error that can move no cursor; moments as the restorer's clock shows them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from torsionbeat.terminal.telling import LONGEST, day, print_json, reading_line, say_or_print, tell


@pytest.mark.parametrize(
    ("sentence", "line"),
    [
        ("the log is locked", "the log is locked."),
        ("Is it wound?", "Is it wound?"),
        ("done!", "done!"),
        ("one\ntwo\t three ", "one two three."),
        ("a\x1b[2Jb", "a\\x1b[2Jb."),
        ("a\x7fb\u202e", "a\\x7fb\\u202e."),
    ],
)
def test_a_sentence_is_one_line_on_standard_error(capsys, sentence, line):
    tell(sentence)
    out, err = capsys.readouterr()
    assert (out, err) == ("", line + "\n")


def test_a_very_long_sentence_is_shown_by_its_ends(capsys):
    tell("a" * LONGEST)
    assert capsys.readouterr().err == "a" * LONGEST + ".\n"
    tell("a" * 2000 + "b" * 1000)
    said = capsys.readouterr().err
    assert said == f"{'a' * 750} ... (1500 letters left out) ... {'b' * 750}.\n"


def test_json_keeps_letters_and_refuses_what_json_has_not(capsys):
    print_json({"name": "Säule"})
    assert capsys.readouterr().out == '{\n  "name": "Säule"\n}\n'
    with pytest.raises(ValueError, match="not JSON compliant"):
        print_json(float("nan"))


def test_a_moment_is_in_this_computer_s_time():
    when = datetime(2026, 3, 2, 20, 5, tzinfo=UTC)
    assert day(when) == when.astimezone().strftime("%Y-%m-%d %H:%M")
    assert day(None) == ""


def test_the_line_that_reads_a_night_names_clock_and_log_where_it_was_begun_for_one():
    night = SimpleNamespace(folder=Path("/nights/a b"), clock="Gate house", log="l.sqlite")
    assert reading_line(night) == "torsionbeat analyse '/nights/a b' --clock 'Gate house' --log l.sqlite"
    assert (
        reading_line(SimpleNamespace(folder=Path("/n"), clock="", log="l.sqlite")) == "torsionbeat analyse /n"
    )
    assert (
        reading_line(SimpleNamespace(folder=Path("/n"), clock="L", log=None))
        == "torsionbeat analyse /n --clock L"
    )


def test_a_result_is_its_document_or_its_sentences_never_both(capsys):
    say_or_print(True, {"rate": 2.4}, "It gains.")
    assert json.loads(capsys.readouterr().out) == {"rate": 2.4}
    say_or_print(False, {"rate": 2.4}, "It gains.", "It is in beat.")
    assert capsys.readouterr().out.split() == ["It", "gains.", "It", "is", "in", "beat."]
