"""Readings on a terminal of 80 columns."""

from __future__ import annotations

import io
from dataclasses import replace

from rich.console import Console

from torsionbeat.display.terminal import print_reading, print_readings, say
from torsionbeat.errors import InputError


def printed(show, *arguments, width=80):
    stream = io.StringIO()
    screen = Console(file=stream, width=width, highlight=False, markup=False, emoji=False)
    show(*arguments, console=screen)
    text = stream.getvalue()
    assert max(map(len, text.splitlines())) <= width
    return text


def test_sentences_come_first_then_figures_then_timebase_then_remarks(drop_only):
    text = printed(print_reading, drop_only)
    places = [
        text.index(part)
        for part in ("The clock loses", "Figure", "Timebase: stated", "Remarks\n- No contact")
    ]
    assert places == sorted(places)


def test_the_table_holds_each_figure_with_its_interval(night):
    text = printed(print_reading, night)
    row = next(line for line in text.splitlines() if line.strip().startswith("arc (amplitude"))
    assert row.split() == ["arc", "(amplitude", "end", "to", "end)", "430", "417", "to", "442", "deg"]


def test_several_recordings_are_a_line_each_with_errors_in_place(night, drop_only):
    wrong = InputError("this is not audio; try to play it")
    text = printed(print_readings, [("one.flac", night), ("two.flac", wrong), ("three.flac", drop_only)])
    lines = text.splitlines()
    names = [line.split()[0] for line in lines if line.strip().startswith(("one", "two", "three"))]
    assert names == ["one.flac", "two.flac", "three.flac"]
    assert "430 ± 12" in next(line for line in lines if "one.flac" in line)
    assert "this is not audio; try to play it" in next(line for line in lines if "two.flac" in line)
    assert "- three.flac: No contact was heard" in " ".join(text.split())


def test_a_table_of_errors_alone_is_printed(night):
    text = printed(print_readings, [("one.flac", "nothing heard")])
    assert "nothing heard" in text
    assert "half-width" not in text


def test_text_that_looks_like_markup_stands_as_it_is(night):
    odd = replace(night, recording=replace(night.recording, name="[red]x[/red] \x1b[2J"))
    assert "[red]x[/red] ?[2J" in printed(print_reading, odd)
    assert "[bold]" in printed(say, "[bold]")


def test_narrow_terminals_are_not_overrun(night):
    assert "430" in printed(print_reading, night, width=50)
