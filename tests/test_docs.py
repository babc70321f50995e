"""README and DEVELOPERS: every command shown is run, every command there is is shown."""

from __future__ import annotations

import json
import re
import runpy
import shlex
import shutil
from pathlib import Path

import pytest

import torsionbeat.twin
from torsionbeat.cli import main
from torsionbeat.display.glossary import CAUTIONS
from torsionbeat.terminal.command_list import COMMANDS as COMMANDS_BY_GROUP

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SHOWN = [line.strip() for line in README.splitlines() if line.startswith("    torsionbeat ")]
COMMANDS = [name for names in COMMANDS_BY_GROUP.values() for name in names]
NEEDS_A_MICROPHONE = ("listen", "devices", "inbeat", "page")


def test_every_command_is_shown_and_every_command_shown_is_there():
    assert {shlex.split(line)[1] for line in SHOWN} == set(COMMANDS)


def test_the_job_is_told_in_one_paragraph_at_the_top():
    title, paragraph, following = README.split("\n\n")[:3]
    assert title == "# torsionbeat"
    assert paragraph.startswith("A restorer of torsion-pendulum clocks")
    assert following.startswith("From a fresh copy")


def test_two_commands_do_all():
    lines = [line.strip() for line in README.splitlines() if line.startswith("    python3 -m venv ")]
    assert len(lines) == 2
    assert ".venv/bin/torsionbeat analyse samples/" in lines[0]
    assert lines[1].endswith(".venv/bin/python -m pytest")


def test_every_command_shown_runs_in_its_turn(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.sqlite"))
    shutil.copytree(ROOT / "samples", tmp_path / "samples")
    said = {}
    for line in SHOWN:
        arguments = shlex.split(line)[1:]
        if arguments[0] in NEEDS_A_MICROPHONE:
            continue
        assert main(arguments) == 0, f"{line}: {capsys.readouterr().err}"
        said[line] = " ".join(capsys.readouterr().out.split())
    told = list(said.values())
    assert any("Put 3.4 g on each of the 2 sides" in one for one in told)
    assert any("Put 0.25 g on each of the 2 sides" in one for one in told)
    assert any("Put 0.02 g on each of the 2 sides" in one for one in told)
    assert any("Within 1 s a day on the long run" in one and "leave it alone" in one for one in told)
    assert any("the clock loses 0.4 s a day, between losing 0.9 and gaining 0.0." in one for one in told)
    for path in ("reading.json", "events.csv", "plot.png", "gate-house.html"):
        assert (tmp_path / path).stat().st_size > 0


def test_options_shown_for_the_microphone_are_there(capsys):
    for line in SHOWN:
        name, *rest = shlex.split(line)[1:]
        if name not in NEEDS_A_MICROPHONE:
            continue
        assert main([name, "--help"]) == 0
        help_text = capsys.readouterr().out
        for option in rest:
            assert not option.startswith("--") or option in help_text


def test_the_first_answer_is_the_one_shown(capsys):
    (line,) = [one for one in README.splitlines() if ".venv/bin/torsionbeat analyse" in one]
    arguments = shlex.split(line.split(".venv/bin/torsionbeat ")[1])
    arguments[1] = str(ROOT / arguments[1])
    assert main(arguments) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "The clock gains 38 s a day, between 33 and 43." in README
    assert "The clock gains 38 s a day, between 33 and 43." in said


def test_the_cautions_are_all_there():
    plain = " ".join(README.split())
    for caution in CAUTIONS:
        assert f"- {' '.join(caution.split())}" in plain


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "samples/README.md"])
def test_files_named_are_there(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)#:]+)\)", text):
        assert ((ROOT / name).parent / link).exists(), link


def test_what_python_is_shown_runs(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    code = re.search(r"## From Python\n\n((?:    .*\n|\n)+)", README)[1]
    exec("\n".join(line[4:] for line in code.splitlines()), {})
    assert "+/-" in capsys.readouterr().out


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.stem)
def test_notebooks_hold_no_outputs_and_public_names_only(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    assert code
    for cell in cells:
        assert cell.get("outputs", []) == []
        assert cell.get("execution_count") is None
    for text in code:
        assert set(re.findall(r"(?:from|import) (torsionbeat\S*)(?: import| as)", text)) <= {"torsionbeat"}
        assert set(re.findall(r"\btb\.(\w+)", text)) <= set(torsionbeat.__all__)
        assert set(re.findall(r"\btwin\.(\w+)", text)) <= set(torsionbeat.twin.__all__)


def test_the_script_that_listens_for_a_minute_runs(monkeypatch, capsys):
    """On a recording in the place of the microphone; it uses public names alone."""
    script = ROOT / "notebooks/listen_for_a_minute.py"
    monkeypatch.setattr("sys.argv", [str(script), str(ROOT / "samples/glass-shelf-15s.flac")])
    runpy.run_path(str(script), run_name="__main__")
    said = " ".join(capsys.readouterr().out.split())
    assert "The clock " in said
    assert "of 8 beats" in said
    assert set(re.findall(r"\btb\.(\w+)", script.read_text(encoding="utf-8"))) <= set(torsionbeat.__all__)


def test_every_module_and_function_that_developers_md_names_is_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:\w+/)+\w+)(?:\.(\w+))?`", text)) - {("cli/NAME", "py")}
    assert len(named) > 60
    missing = []
    for place, inside in named:
        files = [
            folder / f"{place}.{inside}" for folder in (ROOT, ROOT / "torsionbeat", ROOT / "torsionbeat/page")
        ]
        module = ROOT / "torsionbeat" / f"{place}.py"
        defined = module.is_file() and (
            not inside
            or re.search(rf"^(def|class) {inside}\b", module.read_text(encoding="utf-8"), re.MULTILINE)
        )
        if not defined and not any(file.is_file() for file in files):
            missing.append(f"{place}.{inside}")
    assert missing == []
