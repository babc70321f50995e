"""The list of commands fits 80 columns and names every command once, with the cautions."""

from __future__ import annotations

from torsionbeat.display.glossary import CAUTIONS
from torsionbeat.terminal.command_list import COMMANDS, help_text


def test_it_fits_a_terminal_as_it_opens():
    assert max(map(len, help_text().splitlines())) <= 80


def test_every_command_stands_on_a_line_of_its_own_in_its_group():
    lines = help_text().splitlines()
    at = -1
    for title, group in COMMANDS.items():
        assert lines.index(f"{title}:") > at
        at = lines.index(f"{title}:")
        for name, summary in group.items():
            (line,) = [n for n, one in enumerate(lines) if one.startswith(f"  {name} ")]
            assert line > at
            assert lines[line].split(maxsplit=1)[1] in summary


def test_the_cautions_are_whole():
    said = " ".join(help_text().split())
    assert " ".join(" ".join(CAUTIONS).split()) in said
