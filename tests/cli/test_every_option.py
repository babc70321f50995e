"""Every option of every command is tested or told in README; those that nothing else types are typed here."""

from __future__ import annotations

import importlib
import inspect
import re
from dataclasses import astuple
from pathlib import Path

from torsionbeat.cli.app import MODULES
from torsionbeat.terminal.command_list import COMMANDS

ROOT = Path(__file__).parents[2]


def options_of(function):
    """Give the names of a command's options as they are typed."""
    for one in inspect.signature(function, eval_str=True).parameters.values():
        for told in getattr(one.annotation, "__metadata__", ()):
            if type(told).__name__ == "OptionInfo":
                # The first name given to typer.Option stands where a default would.
                given = [str(told.default), *(told.param_decls or ())]
                named = [name for each in given for name in each.split("/") if name.startswith("--")]
                yield from named or ["--" + one.name.strip("_").replace("_", "-")]


def every_option():
    for name in (name for group in COMMANDS.values() for name in group):
        module = importlib.import_module(f"torsionbeat.cli.{MODULES.get(name, name)}")
        alone = [] if hasattr(module, "app") else [getattr(module, f"{name}_command")]
        for function in alone or [one.callback for one in module.app.registered_commands]:
            yield from options_of(function)


def test_no_option_is_left_out_of_the_tests_and_of_readme():
    files = [ROOT / "README.md", *(ROOT / "tests").rglob("*.py")]
    text = "".join(path.read_text(encoding="utf-8") for path in files)
    options = set(every_option())
    assert len(options) > 100
    assert {one for one in options if not re.search(re.escape(one) + "(?![a-z-])", text)} == set()


def test_how_far_off_a_weight_may_be_and_the_fork_s_share_reach_the_job(run, asked):
    kept = asked("torsionbeat.jobs.advise", "advise")
    run("correct", "--rate", "+720", "--weights", "1.0", "--weight-tolerance", "7", "--fork-share", "0.4")
    run("correct", "--rate", "+720", "--weights", "1.0")
    assert [(one.stock.tolerance_percent, one.share_above_fork) for one in kept] == [(7.0, 0.4), (2.0, 1.0)]


def test_the_other_side_has_the_name_it_is_given(run, asked, sounds):
    kept = asked("torsionbeat.bench.sides", "learn_sides")
    taught = ("clock", "sides", "Lamp", str(sounds / "clock.flac"), "--at", "1:35", "--towards", "the window")
    run(*taught, "--other", "the wall")
    run(*taught)
    assert [astuple(one)[3:5] for one in kept] == [("the window", "the wall"), ("the window", "")]


def test_a_number_of_channels_is_for_a_microphone_and_told_with_a_file(run, sounds):
    refused = run("inbeat", "--from", str(sounds / "clock.flac"), "--period", "6", "--channels", "2")
    assert refused.status == 2
    assert "--channels" in refused.err
    assert "--from" in refused.err
    for bad in ("0", "9"):
        assert run("inbeat", "--channels", bad).status == 2


def test_the_letterhead_is_that_of_the_file_named(run, tmp_path):
    letterhead = tmp_path / "mine.toml"
    letterhead.write_text('name = "Hillside Clock Workshop"\n', encoding="utf-8")
    assert run("clock", "add", "Lamp").status == 0
    done = run("report", "Lamp", "-o", str(tmp_path / "lamp.html"), "--workshop", str(letterhead))
    assert done.status == 0, done.err
    assert "Hillside Clock Workshop" in (tmp_path / "lamp.html").read_text(encoding="utf-8")
    lost = run("report", "Lamp", "-o", str(tmp_path / "two.html"), "--workshop", str(tmp_path / "none.toml"))
    assert lost.status == 2
