"""The command report."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import typer

from torsionbeat.benchlog import open_log
from torsionbeat.cli.compare import report_command
from torsionbeat.errors import InputError

app = typer.Typer()
app.command("report")(report_command)


@pytest.fixture
def bench(output_of, tmp_path, monkeypatch):
    """Give what runs the command in an empty folder on a log with one clock, and gives its output."""
    run = output_of(app)
    monkeypatch.chdir(tmp_path)
    with open_log() as log:
        log.add_clock("Harbour lamp", nominal_period_s=60.0)
        log.add_work("Harbour lamp", "cleaning", "Train cleaned", done_at=datetime(2026, 3, 1, tzinfo=UTC))
    return run


def test_the_report_is_written_and_its_place_said(bench, tmp_path):
    said = bench("Harbour lamp", "-o", "lamp.html")
    assert " ".join(said.split()) == "The report on Harbour lamp is in lamp.html."
    assert "Train cleaned" in (tmp_path / "lamp.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("Harbor lamp",), "near names: Harbour lamp"),
        (("Harbour lamp", "-o", "lamp.txt"), "ends in .html"),
        (("Harbour lamp", "-o", "none/lamp.html"), "there is no folder none"),
        (("Harbour lamp", "--before", "March"), "--before is 'March'; write it as"),
    ],
)
def test_what_cannot_be_reported_is_refused_in_words(bench, arguments, message):
    with pytest.raises(InputError, match=message):
        bench(*arguments)
