"""The live view: what stands in it, that it fits 80 columns, and that a lost terminal does not end the night."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from rich.console import Console

from torsionbeat.live.level import Level
from torsionbeat.live.session import LiveState
from torsionbeat.sound.remarks import Remark
from torsionbeat.terminal.beatview import large
from torsionbeat.terminal.live import LiveScreen, level_bar, live_view, status_document, tick_sentence


def drawn(view, width=80):
    console = Console(width=width, file=io.StringIO(), highlight=False, markup=False)
    console.print(view)
    return console.file.getvalue()


def test_what_matters_stands_first(state):
    text = drawn(live_view(state, "Listening to Alder with bench microphone"))
    lines = text.splitlines()
    assert lines[0].startswith("Listening to Alder")
    assert lines[1].startswith("The tick is heard clearly, 31 dB above the room.")
    assert lines[2].startswith("Rate        loses 2.3 s a day, between 1.9 and 2.7")
    assert "401.3 deg, between 400.5 and 402.1 (amplitude end to end)" in text
    assert "Listened for 3 h, 6 h remain; kept in night." in text
    assert text.count("15.0004") >= 6


@pytest.mark.parametrize("width", [80, 40])
def test_fits_the_terminal(state, width):
    remarked = replace(state, remarks=tuple(Remark("gap", f"Remark {n}: " + "long " * 30) for n in range(7)))
    lines = drawn(live_view(remarked, "Listening"), width).splitlines()
    assert max(map(len, lines)) <= width
    if width == 80:
        assert len(lines) <= 36
    assert "3 earlier remarks" in "\n".join(lines)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"away": True}, "The microphone is gone; it is waited for."),
        ({"reading": None, "why": "no clock is heard in it"}, "No clock is heard in it"),
        ({"standing_db": 14.0}, "Nearer to the movement would be better."),
        ({"standing_db": 4.0}, "only just heard, 4 dB above the room"),
    ],
)
def test_tick_in_words(state, changes, said):
    assert said in tick_sentence(replace(state, **changes))


def test_level_in_words():
    assert "no sound at all" in level_bar(Level())
    assert level_bar(Level(-20.0, -0.1, True)).endswith("TOO LOUD")
    assert level_bar(Level(-85.0, -70.0)).endswith("faint")
    assert len(level_bar(Level(-200.0, -100.0))) <= 72  # below the scale the bar stays as long


def test_a_file_gets_one_line_a_figure(state):
    console = Console(width=80, file=io.StringIO())
    with LiveScreen("Listening", console) as screen:
        for _ in range(5):
            screen.show(state)
        screen.show(replace(state, reading_at_s=10_900.0))
    assert console.file.getvalue().count("loses 2.3 s a day") == 2


def test_terminal_that_is_gone_is_let_go(state):
    class Gone(io.StringIO):
        shut = False

        def write(self, text):
            if self.shut:
                raise OSError(5, "Input/output error")
            return super().write(text)

    file = Gone()
    with LiveScreen("Listening", Console(width=80, file=file)) as screen:
        screen.show(state)
        file.shut = True
        screen.show(replace(state, reading_at_s=10_900.0))


def test_terminal_is_redrawn_in_place_and_cleared(state):
    console = Console(width=80, height=40, file=io.StringIO(), force_terminal=True)
    with LiveScreen("Listening", console) as screen:
        screen.show(state)
        screen._live.refresh()
        screen.show(state)
        screen._live.refresh()
    text = console.file.getvalue()
    assert "\x1b[1A" in text  # goes back up, line by line
    assert "\x1b[2J" not in text  # and never wipes the whole screen, which flickers


def test_markup_in_names_stays_text(state):
    text = drawn(live_view(replace(state, kept="[bold]x[/bold]"), "Listening to [red]x[/red]\x1b[2J"))
    assert "[bold]x[/bold]" in text
    assert "\x1b" not in text


def test_status_is_plain_json(state):
    now = datetime(2026, 3, 1, 23, 0, tzinfo=UTC)
    said = json.loads(json.dumps(status_document(state, now), allow_nan=False))
    assert (said["time"], said["heard_s"], said["tick_heard"]) == (
        "2026-03-01T23:00:00+00:00",
        10_800.0,
        True,
    )
    assert said["rate_s_per_day"] == {"value": -2.3, "standard_uncertainty": 0.2}
    assert said["beats"] == {"expected": 1440, "heard": 1439}
    empty = json.loads(json.dumps(status_document(LiveState(), now), allow_nan=False))
    assert (empty["level_db"], empty["rate_s_per_day"], empty["beats"]) == (None, None, None)


def test_large_figures():
    assert large("8") == ["████████", "██    ██", "████████", "██    ██", "████████"]
    assert max(map(len, large("-123.4"))) <= 78
    for sign in "0123456789":
        assert len(large(sign)) == 5


def test_a_terminal_that_cannot_redraw_gets_a_line_now_and_then(state, monkeypatch):
    monkeypatch.setenv("TERM", "dumb")
    console = Console(width=80, file=io.StringIO(), force_terminal=True, highlight=False, markup=False)
    with LiveScreen("Listening", console) as screen:
        for heard_s in range(0, 3600, 60):
            screen.show(replace(state, heard_s=float(heard_s)))
    lines = [line for line in console.file.getvalue().splitlines() if "The tick is heard clearly" in line]
    assert len(lines) == 6  # at the beginning, then every ten minutes of the hour
    assert "\x1b[" not in console.file.getvalue()
