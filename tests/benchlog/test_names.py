"""Clocks by their names: capitals and forms of a letter aside, near ones named, and those taken back told apart."""

from __future__ import annotations

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError


@pytest.fixture
def log(tmp_path):
    with open_log(tmp_path / "log.sqlite") as opened:
        for name in ("Gate house", "Gate tower", "Säule"):
            opened.add_clock(name)
        yield opened


@pytest.mark.parametrize("name", ["Gate house", "gate HOUSE", "GATE HOUSE"])
def test_a_clock_is_found_in_capitals_or_not(log, name):
    assert log.clock(name).name == "Gate house"


def test_two_ways_to_write_one_letter_are_one_name(log):
    assert log.clock("Sa\N{COMBINING DIAERESIS}ule").name == "Säule"


def test_a_name_that_is_not_there_is_answered_with_those_near(log):
    with pytest.raises(
        InputError,
        match=r"no clock is named 'Gate hose' in .*; near names: Gate house, Gate tower; torsionbeat",
    ):
        log.clock("Gate hose")
    with pytest.raises(InputError, match="no name is near it; torsionbeat clock list shows all"):
        log.clock("xyzq")


def test_an_empty_log_says_how_to_add_one(tmp_path):
    with (
        open_log(tmp_path / "new.sqlite") as opened,
        pytest.raises(InputError, match="holds none yet; add it with: torsionbeat clock add NAME"),
    ):
        opened.clock("Lamp")


def test_a_clock_taken_back_says_how_it_comes_back_and_is_not_near_to_anything(log):
    log.retract_clock("Gate house", "sold")
    with pytest.raises(
        InputError,
        match=r"was taken back \(sold\); bring it back with: .* restore 'Gate house' clock",
    ):
        log.clock("gate house")
    with pytest.raises(InputError, match=r"near names: Gate tower;"):
        log.clock("Gate hose")


def test_a_name_is_given_once_in_capitals_or_not(log):
    with pytest.raises(
        InputError, match="a clock is named 'Gate house' already; choose another name than 'GATE house'"
    ):
        log.add_clock("GATE house")
    log.retract_clock("Gate house", "sold")
    with pytest.raises(
        InputError, match=r"a clock named 'Gate house' was taken back; .* or choose another name than"
    ):
        log.add_clock("Gate house")
