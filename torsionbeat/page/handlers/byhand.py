"""By hand: the minute hand against a time signal, a free swing, a suspension strip, the lift."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from torsionbeat.page.views import page

__all__ = ["ROUTES"]


def overview(request: Request) -> Response:
    """What can be found by hand."""
    return page(request, "byhand.html", title="By hand", here="/byhand")


ROUTES = [Route("/byhand", overview)]
