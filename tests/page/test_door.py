"""The door to the network, the port, and the command that opens it."""

from __future__ import annotations

import re
import socket

import pytest


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
