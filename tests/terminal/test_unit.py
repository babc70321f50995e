"""The systemd unit: this command line, quoted as systemd reads it, without the password of a database."""

from __future__ import annotations

import shlex

import pytest

from torsionbeat.terminal.unit import quoted, systemd_unit


def command(*arguments):
    (line,) = [
        line for line in systemd_unit(["listen", *arguments]).splitlines() if line.startswith("ExecStart=")
    ]
    return line.removeprefix("ExecStart=")


def test_it_listens_with_the_same_options_quietly():
    words = shlex.split(command("--clock", "Gate house", "--print-unit", "--until", "7:00"))
    assert words[-6:] == ["listen", "--clock", "Gate house", "--until", "7:00", "--quiet"]
    assert command("--quiet", "--print-unit").count("--quiet") == 1
    assert words[0].startswith("/")


def test_only_the_first_flag_of_its_name_is_taken_out():
    assert shlex.split(command("--print-unit", "--clock", "--print-unit"))[-3:] == [
        "--clock",
        "--print-unit",
        "--quiet",
    ]


def test_no_password_of_a_database_stands_in_it():
    for given in (
        ("--log", "postgresql://u:s3cret@h/d?password=s3cret"),
        ("--log=postgresql://u:s3cret@h/d",),
    ):
        line = command(*given, "--print-unit")
        assert "s3cret" not in line
        assert "u@h/d" in line


@pytest.mark.parametrize(
    ("word", "written"),
    [
        ("9h", "9h"),
        ("", '""'),
        ("Gate house", '"Gate house"'),
        ("100%", '"100%%"'),
        ("$HOME", '"$$HOME"'),
        ('say "x"', '"say \\"x\\""'),
        ("a\\b", '"a\\\\b"'),
        ("a;b", '"a;b"'),
        ("a#b", '"a#b"'),
        ("a\nExecStart=evil", '"a\\x0aExecStart=evil"'),
        ("ü", "ü"),
    ],
)
def test_a_word_is_read_back_as_it_stands(word, written):
    """systemd.service(5), quoting: % and $ are doubled, a backslash and a quote escaped, control signs by \\x."""
    assert quoted(word) == written
