"""The application: every route, the page's own files, and the pages for errors."""

from __future__ import annotations

import os
import traceback

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.page.bench import Bench
from torsionbeat.page.guard import Guard, Once
from torsionbeat.page.views import trouble
from torsionbeat.page_handlers import (
    adjusting,
    byhand,
    clocks,
    door,
    life,
    lift,
    listening,
    readings,
    recordings,
)

__all__ = ["make_app"]


class _Files(StaticFiles):
    """The page's own files: the browser keeps them while it is open and requests them again after its next start."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["cache-control"] = "no-cache"
        return response


def make_app(bench: Bench, hosts: set[str], cookie: str) -> Starlette:
    """Make the application.

    Parameters
    ----------
    bench : Bench
    hosts : set of str
        Allowed values of the Host header.
    cookie : str
        Name of the session's cookie.
    """
    modules = (door, clocks, readings, life, adjusting, listening, recordings, byhand, lift)
    app = Starlette(
        routes=[
            *(route for module in modules for route in module.ROUTES),
            Mount("/static", _Files(packages=[("torsionbeat.page", "static")])),
        ],
        middleware=[Middleware(Guard, access=bench.access, hosts=hosts, cookie=cookie)],
        exception_handlers={HTTPException: _no_such_page, TorsionbeatError: _ours, Exception: _unforeseen},
    )
    app.state.bench, app.state.once = bench, Once()
    return app


async def _no_such_page(request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    said = InputError("there is no such page here" if status == 404 else "this page does not do that")
    response = trouble(request, said)
    response.status_code = status
    return response


async def _ours(request: Request, error: Exception) -> Response:
    return trouble(request, error)


async def _unforeseen(request: Request, error: Exception) -> Response:
    if os.environ.get("TORSIONBEAT_DEBUG") == "1":
        traceback.print_exception(error)
    return trouble(request, error)
