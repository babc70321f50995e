"""Every number that an option takes has a range, told before anything is read; an option that would do nothing is told."""

from __future__ import annotations

import importlib
import inspect
import re
from pathlib import Path

import pytest

from torsionbeat.benchlog.ranges import CLOCK_FIELDS
from torsionbeat.cli.app import MODULES
from torsionbeat.cli.clock import FIELD_OF_OPTION
from torsionbeat.cli.ranges import GIVEN_UP, NEEDS, checked
from torsionbeat.errors import InputError
from torsionbeat.terminal.command_list import COMMANDS
from torsionbeat.typed.option_ranges import RANGES

NAMES = [name for group in COMMANDS.values() for name in group]


def functions():
    """Give each command's function with its name, those of a group one by one."""
    for name in NAMES:
        module = importlib.import_module(f"torsionbeat.cli.{MODULES.get(name, name)}")
        if hasattr(module, "app"):
            for one in module.app.registered_commands:
                yield f"{name} {one.name}", one.callback
        else:
            yield name, getattr(module, f"{name}_command")


def numbers(function):
    """Give the names of the parameters that are numbers."""
    for one in inspect.signature(function, eval_str=True).parameters.values():
        kind = getattr(one.annotation, "__origin__", one.annotation)
        if re.search(r"\b(float|int)\b", str(kind)) and "bool" not in str(kind):
            yield one.name


def test_every_number_of_every_command_has_its_range():
    without = {(name, key) for name, one in functions() for key in numbers(one) if key not in RANGES}
    assert without == set()


def test_no_range_belongs_to_nothing():
    used = {key for _, one in functions() for key in inspect.signature(one).parameters}
    assert set(RANGES) <= used
    for table in (NEEDS, GIVEN_UP):
        for name, options in table.items():
            (function,) = [one for key, one in functions() if key == name]
            here = set(inspect.signature(function).parameters)
            assert set(options) <= here
            for others in options.values():
                assert set([others] if isinstance(others, str) else others) <= here


def test_a_clock_s_options_have_the_ranges_of_its_record():
    for key in RANGES:
        field = FIELD_OF_OPTION.get(key, key)
        allowed = CLOCK_FIELDS.get(field)
        if allowed is not None:
            assert RANGES[key][:2] == (allowed.low, allowed.high), key


@pytest.mark.parametrize("key", sorted(RANGES))
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf"), -1e308, 1e308])
def test_what_cannot_be_is_refused_whether_it_is_used_or_not(key, bad):
    def command(**_):
        raise AssertionError("was called")

    command.__signature__ = inspect.Signature([inspect.Parameter(key, inspect.Parameter.KEYWORD_ONLY)])
    with pytest.raises(InputError, match=f"--{key.rstrip('_').replace('_', '-')} is .*; it must lie between"):
        checked("x", command)(**{key: bad})


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("correct --rate +10 --inertia -0", "--inertia is -0; it must lie between 1 and 1e+09 g mm2"),
        ("correct --rate +10 --density inf", "--density is inf"),
        ("correct --rate +10 --disc-bore 3", "--disc-bore does nothing without --disc-diameter"),
        ("correct --rate +10 --roller-radius -1", "--roller-radius is -1"),
        ("correct --rate +10 --arc-low -1e308", "--arc-low is -1e+308"),
        ("freeswing x --period 60 --lift 20", "--lift does nothing without --events"),
        ("freeswing x --at-arc 1e-308", "--at-arc is 1e-308"),
        ("spring --thickness 100um --width 2 --length 100 --load 1e-308", "--load is 1e-308"),
        ("analyse x.flac --sample-clock-tolerance-ppm 1", "does nothing without --sample-clock-ppm"),
        ("analyse x.flac --overwrite", "--overwrite does nothing without --json or --events or --plot"),
        ("listen --check --from x.flac --device 3", "--device does nothing with --from"),
        ("listen --check --status s.jsonl", "--status does nothing with --check"),
        ("listen --follow --status s.jsonl", "--status does nothing with --follow"),
        ("inbeat --pace 5", "--pace does nothing without --from"),
        ("listen --for 10s --sample-rate 10", "--sample-rate is 10; it must lie between 8000"),
        ("simulate x.flac --q nan", "--q is nan"),
    ],
)
def test_options_that_cannot_be_or_do_nothing(run, line, says):
    told = run(*line.split())
    assert (told.status, told.out) == (2, "")
    assert says in " ".join(told.err.split())
    assert not Path("x.flac").exists()
