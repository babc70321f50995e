"""What an attacker, a broken program or a hostile page would send, and what each gets: the real server, raw requests."""

from __future__ import annotations

import hashlib
import http.client
import socket
from pathlib import Path

import pytest

STATIC = Path(__file__).parents[2] / "torsionbeat" / "page" / "static"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py", "/static/%2e%2e/app.py", "/static/..%2f..%2f..%2f..%2f..%2fetc/passwd",
        "/static//etc/passwd", "/static/vendor/../../server.py", "/../../etc/passwd", "/recordings/..%2f..%2flog",
        "/clocks/../../etc/passwd", "/clocks/1/readings/..%2f..", "/listen/night/..%2f..%2f..%2fetc%2fpasswd",
    ],
)  # fmt: skip
def test_no_path_reaches_the_files(visitor, path):
    status, _, body = visitor.ask("GET", path)
    assert status in (404, 422)
    assert "root:" not in body
    assert "import" not in body


def test_a_name_of_a_recording_never_becomes_a_path(page_server, visitor):
    name = "..%2f..%2f..%2fowned.wav"
    status, _, path = visitor.ask(
        "POST", f"/recordings?name={name}", b"RIFF not really", X_Token=visitor.token, Origin=page_server.url
    )
    assert status == 200
    names = sorted(file.name for file in Path(page_server.log).with_name("log-sounds").iterdir())
    assert any(name.endswith(".wav") for name in names)
    assert not list(page_server.folder.rglob("*owned*"))
    assert path.startswith("/recordings/")


def test_a_script_in_a_clocks_name_is_text_everywhere(visitor):
    evil = "<script>alert(1)</script>\"'><img src=x>"
    assert visitor.post("/clocks/new", {"name": evil, "kind": "other"})[0] == 303
    listed = visitor.ask("GET", "/clocks")[2]
    number = next(part.partition('"')[0] for part in listed.split('href="/clocks/')[1:] if part[0].isdigit())
    for path in ("/clocks", f"/clocks/{number}", f"/clocks/{number}/record", "/listen", "/recordings"):
        body = visitor.ask("GET", path)[2]
        assert "<script>alert" not in body
        assert "<img src=x" not in body
        assert "&lt;script&gt;alert(1)" in body


def test_answers_carry_the_strict_policy_and_no_script_is_inline(visitor):
    for path in ("/clocks", "/listen", "/recordings", "/clocks/new", "/byhand", "/cautions", "/nothing"):
        _, headers, body = visitor.ask("GET", path)
        policy = headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert "<script>" not in body
        assert " style=" not in body
        assert " onclick" not in body
        assert "http://" not in body
        assert "https://" not in body


def test_what_is_kept_inside_the_page_is_what_was_published():
    for line in (STATIC / "vendor" / "registry.txt").read_text().splitlines():
        name, *_, digest = line.split()
        assert hashlib.sha256((STATIC / "vendor" / name).read_bytes()).hexdigest() == digest
        assert (STATIC / "vendor" / f"{name.partition('.')[0]}.LICENSE.txt").exists()


def test_connections_that_ask_for_nothing_are_let_go(page_server):
    from torsionbeat.page.server import HEADERS_WITHIN_S

    with socket.create_connection(("127.0.0.1", page_server.port)) as idle:
        idle.sendall(b"GET / HTTP/1.1\r\nHost:")
        idle.settimeout(
            HEADERS_WITHIN_S + 60
        )  # a busy computer is late; a connection that is kept would time out
        while idle.recv(1000):
            pass  # what is left is the end


def test_a_hundred_open_streams_leave_the_page_answering(page_server, visitor):
    from torsionbeat.page_handlers.door import MOST_STREAMS

    streams, statuses = [], []
    headers = {"Host": f"127.0.0.1:{page_server.port}", "Cookie": visitor.cookie}
    try:
        for _ in range(100):
            stream = http.client.HTTPConnection("127.0.0.1", page_server.port, timeout=10)
            stream.request("GET", "/events?topics=all", headers=headers)
            answer = stream.getresponse()
            statuses.append(answer.status)
            streams.append((stream, answer))
        assert 0 < statuses.count(200) <= MOST_STREAMS
        assert statuses.count(503) == 100 - statuses.count(200)
        assert visitor.ask("GET", "/clocks")[0] == 200
    finally:
        for stream, answer in streams:
            answer.close()
            stream.close()
