"""The application of commands: each has its help, and help loads nothing heavy."""

from __future__ import annotations

import subprocess
import sys

from torsionbeat.display.glossary import CAUTIONS
from torsionbeat.terminal.command_list import COMMANDS


def known_commands():
    return [name for names in COMMANDS.values() for name in names]


def test_help_lists_every_command_and_carries_the_cautions(run):
    told = run("--help")
    assert told.status == 0
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in told.words
    for name in known_commands():
        assert f"\n  {name} " in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert run().words == told.words


def test_every_command_has_help(run):
    for name in known_commands():
        told = run(name, "--help")
        assert told.status == 0
        assert f"Usage: torsionbeat {name}" in told.words


def test_help_loads_nothing_heavy():
    """What makes a command slow to start; how slow is measured in tests/benchmarks."""
    script = (
        "import sys; from torsionbeat.cli import main; main(['--help']); "
        "heavy = ('numpy', 'scipy', 'librosa', 'matplotlib', 'sqlalchemy', 'soundfile'); "
        "sys.stderr.write(' '.join(name for name in heavy if name in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
