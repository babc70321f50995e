"""The server's start and end: a port that is taken, a log that cannot be opened, one line printed."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

from torsionbeat.cli import main
from torsionbeat.cli.page import DEFAULT_PORT


def test_a_port_that_is_taken_is_a_sentence(page_server, capsys, tmp_path):
    log = str(tmp_path / "log.sqlite")
    assert main(["page", "--port", str(page_server.port), "--no-browser", "--log", log]) == 2
    said = capsys.readouterr().err
    assert f"port {page_server.port} cannot be used" in said
    assert "--port" in said


def test_a_log_that_cannot_be_opened_ends_it_with_the_logs_status(capsys, tmp_path):
    log = tmp_path / "log.sqlite"
    log.write_text("no log at all, but long enough to look like one " * 40)
    assert main(["page", "--port", "0", "--no-browser", "--log", str(log)]) == 5
    assert "not a bench log" in capsys.readouterr().err


def test_the_command_knows_the_servers_own_port():
    from torsionbeat.page import server

    assert server.DEFAULT_PORT == DEFAULT_PORT


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_prints_one_line_and_ends_cleanly(start_page, number, tmp_path):
    from torsionbeat.benchlog import open_log

    open_log(tmp_path / "log.sqlite").close()
    server = start_page()
    assert server.stop(number) == 0
    said = server.said.read_text()
    assert said.count("\n") == 1
    assert server.url in said
    assert server.told.read_text() == ""


def test_a_log_that_is_named_and_not_there_is_begun_and_that_is_said(start_page, page_kit):
    server = start_page()
    visitor = page_kit["Visitor"](server).enter()
    assert "There was no bench log" in visitor.ask("GET", "/clocks")[2]
    assert visitor.post("/clocks/new", {"name": "Lamp", "kind": "other"})[0] == 303
    assert "There was no bench log" not in visitor.ask("GET", "/clocks")[2]
    assert server.stop() == 0
    said = server.told.read_text()
    assert said.count("an empty one was begun there") == 1
    assert "check --log" in said
    server.start()
    assert server.stop() == 0
    assert server.told.read_text() == said


def test_without_its_extra_it_says_what_to_install(tmp_path):
    code = (
        "import sys; sys.modules['uvicorn'] = None\n"
        "from torsionbeat.cli import main; sys.exit(main(['page', '--no-browser', '--port', '0']))"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    assert ended.returncode == 2
    assert "pip install 'torsionbeat[page]'" in ended.stderr
    assert "Traceback" not in ended.stderr
