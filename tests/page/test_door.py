"""The door to the network, the port, and the command that opens it."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys

import pytest

from torsionbeat.cli import main
from torsionbeat.cli.page import DEFAULT_PORT


@pytest.fixture
def lan(start_page):
    """A server that is open to the network, and this computer's address in it."""
    from torsionbeat.page.server import _lan_addresses

    addresses = _lan_addresses()
    if not addresses:
        pytest.skip("this computer is in no network")
    return start_page("--lan"), addresses[0]


def code_of(server):
    return re.findall(r"type the code ([A-Z0-9]{4} [A-Z0-9]{4})", server.told.read_text())[-1]


def test_a_device_is_let_in_by_the_code_that_stands_in_the_terminal_and_the_code_is_spent(lan, page_kit):
    server, address = lan
    phone = page_kit["Visitor"](server, address)
    status, headers, _ = phone.ask("GET", "/clocks", Accept="text/html")
    assert (status, headers["location"]) == (303, "/enter")
    assert phone.ask("GET", "/events?topics=all")[0] == 403
    assert phone.ask("GET", "/static/page.js")[0] == 403
    phone.enter("/enter")
    code = code_of(server)
    assert phone.post("/enter", {"code": "WRONGONE"})[0] == 403
    assert phone.post("/enter", {"code": code})[0] == 303
    assert phone.ask("GET", "/clocks")[0] == 200
    assert phone.ask("GET", "/phone")[0] == 422  # the next code is this computer's to show
    other = page_kit["Visitor"](server, address).enter("/enter")
    assert other.post("/enter", {"code": code})[0] == 403
    assert code_of(server) != code


def test_guesses_end_after_a_few(lan, page_kit):
    server, address = lan
    stranger = page_kit["Visitor"](server, address).enter("/enter")
    statuses = [stranger.post("/enter", {"code": f"GUESS{number:03d}"})[0] for number in range(7)]
    assert statuses == [403] * 5 + [429] * 2
    assert stranger.post("/enter", {"code": code_of(server)})[0] == 429


def test_this_computer_needs_no_code_and_shows_the_next_one_as_a_picture(lan, page_kit):
    server, address = lan
    here = page_kit["Visitor"](server).enter()
    body = here.ask("GET", "/phone")[2]
    assert f"http://{address}:{server.port}" in body
    assert code_of(server) in body
    assert 'class="qr"' in body
    assert "\N{FULL BLOCK}" in server.told.read_text() or "\N{UPPER HALF BLOCK}" in server.told.read_text()


def test_without_lan_no_other_address_answers(page_server):
    from torsionbeat.page.server import _lan_addresses

    for address in _lan_addresses():
        with pytest.raises(OSError, match="refused"):
            socket.create_connection((address, page_server.port), timeout=5)


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
