"""The guard: another host, another site, a missing token, a cookie out of reach."""

from __future__ import annotations

import re

import pytest


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "localhost", "127.0.0.1:1", "evil.example:{port}"]
)
def test_another_host_gets_nothing(page_server, visitor, host):
    status, _, body = visitor.ask("GET", "/clocks", Host=host.format(port=page_server.port))
    assert status == 421
    assert "torsionbeat printed" in body


def test_localhost_with_the_port_is_this_computer_too(page_server, visitor):
    assert visitor.ask("GET", "/clocks", Host=f"localhost:{page_server.port}")[0] == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", None])
def test_a_post_from_another_site_is_not_carried_out(visitor, origin):
    status, _, _ = visitor.post("/clocks/new", {"name": "Cross", "kind": "other"}, Origin=origin)
    assert status == 403
    assert "Cross" not in visitor.ask("GET", "/clocks")[2]


def test_a_script_of_another_site_cannot_read_a_page(visitor):
    assert visitor.ask("GET", "/clocks", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="cors")[0] == 403
    assert visitor.ask("GET", "/clocks", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate")[0] == 200
    assert visitor.ask("GET", "/clocks", Origin="http://evil.example")[0] == 403


def every_post():
    from torsionbeat.page.access import Access
    from torsionbeat.page.bench import Bench
    from torsionbeat.page_handlers.app import make_app

    app = make_app(Bench("unused.sqlite", Access()), set(), "x")
    routes = [route for route in app.routes if "POST" in (getattr(route, "methods", None) or ())]
    return [re.sub(r"{\w+:int}", "1", route.path).replace("{number:str}", "x") for route in routes]


def test_every_form_refuses_a_missing_and_a_wrong_token(visitor):
    paths = every_post()
    assert len(paths) > 10
    for path in paths:
        for token in ("", "0" * 64, visitor.token[:-1]):
            status, _, _ = visitor.post(path, {"token": token, "name": "Forged"}, X_Token=token)
            assert status == 403, path
    assert "Forged" not in visitor.ask("GET", "/clocks")[2]


def test_a_token_of_another_session_is_refused(page_kit, page_server, visitor):
    other = page_kit["Visitor"](page_server).enter()
    assert other.token != visitor.token
    assert visitor.post("/clocks/new", {"token": other.token, "name": "Stolen", "kind": "other"})[0] == 403


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(page_kit, page_server):
    _, headers, _ = page_kit["Visitor"](page_server).ask("GET", "/clocks")
    assert "HttpOnly" in headers["set-cookie"]
    assert "SameSite=Strict" in headers["set-cookie"]


def test_a_form_that_is_too_long_or_of_another_kind_is_refused(visitor):
    assert visitor.post("/clocks/new", {"name": "x" * 200_000, "kind": "other"})[0] == 413
    assert visitor.post("/clocks/new", {f"f{i}": "" for i in range(500)})[0] == 400
    assert visitor.post("/clocks/new", {"name": "x"}, Content_Type="text/plain")[0] == 415
