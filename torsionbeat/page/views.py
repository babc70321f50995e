"""Pages and fragments of pages made from templates; every text in them is escaped."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from torsionbeat.display.judgement import task_words
from torsionbeat.display.words import duration_words, figure_words, number, rate_words
from torsionbeat.errors import BenchLogError, DeviceError, InputError, TorsionbeatError
from torsionbeat.page.access import from_here, token_of
from torsionbeat.page.page_words import page_words
from torsionbeat.page.pictures import beat_bar, beat_figure, level_share, rate_bar
from torsionbeat.reading.figures import UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.terminal.live import tick_sentence
from torsionbeat.version import __version__

__all__ = [
    "ago",
    "capital",
    "day_words",
    "fragment",
    "named_path",
    "page",
    "sentence",
    "tell_next",
    "trouble",
]

STATUS = {InputError: 422, BenchLogError: 503, DeviceError: 503}
"""The HTTP status of each of our errors; "nothing heard" is 422 too, though not a fault of the request."""


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("torsionbeat.page"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda said: page_words(str(said)) if isinstance(said, Remark) else said,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "rate": rate_words,
        "figure": figure_words,
        "degrees": degree_words,
        "lasting": duration_words,
        "day": day_words,
        "ago": ago,
        "number": number,
        "plain_number": plain_number,
        "capital": capital,
        "plainly": page_words,
        "sentence": sentence,
    }
    made.globals |= {
        "beat_bar": beat_bar,
        "beat_figure": beat_figure,
        "level_share": level_share,
        "rate_bar": rate_bar,
        "task_words": task_words,
        "tick_sentence": tick_sentence,
    }
    return made


def page(request: Request, template: str, *, status: int = 200, **known: Any) -> Response:
    """Make a page from a template and its values.

    Parameters
    ----------
    request : Request
    template : str
        Name of the template.
    status : int
        HTTP status.
    **known
        Names that the template uses. ``title`` and ``here`` (the tab) are usual, ``plots`` and ``topics`` optional.
    """
    bench = request.app.state.bench
    common = {
        "token": token_of(request),
        "write_id": secrets.token_hex(16),
        "since": bench.feed.last_id,
        "now": bench.now_line(),
        "version": __version__,
        "phone": bool(bench.lan_urls) and from_here(request.scope),
        "plots": False,
        "topics": "",
        "said": "",
        "told": bench.told.pop(request.scope.get("session_name", ""), ()),
        "here": "",
    }
    html = _environment().get_template(template).render(common | known)
    return HTMLResponse(html, status_code=status)


def tell_next(request: Request, remarks: Sequence[str]) -> None:
    """Show remarks on the next page that this browser opens: a form that is kept redirects to another page."""
    if remarks:
        request.app.state.bench.told[request.scope["session_name"]] = tuple(remarks)


def fragment(template: str, part: str, *arguments: Any) -> str:
    """Make a fragment: the output of the macro ``part`` of a template for the arguments."""
    return str(getattr(_environment().get_template(template).module, part)(*arguments))


def trouble(
    request: Request, error: Exception, back: str = "/clocks", back_word: str = "To the clocks"
) -> Response:
    """Show one of our errors as a page of its own.

    Parameters
    ----------
    request : Request
    error : Exception
    back : str
        Target of the link.
    back_word : str
        Text of the link.
    """
    status = next((code for kind, code in STATUS.items() if isinstance(error, kind)), 422)
    if not isinstance(error, TorsionbeatError):
        status = 500
    titles = {503: "The bench has a fault", 500: "Something went wrong"}
    said = (
        sentence(str(error))
        if status != 500
        else (
            "Something went wrong that should not have. What was kept before is still kept, and a listening goes on."
        )
    )
    return page(
        request,
        "trouble.html",
        status=status,
        title=titles.get(status, "That cannot be done"),
        sentence=capital(said),
        kept=""
        if status != 500
        else "Tell the makers what you did; the terminal shows more where TORSIONBEAT_DEBUG is 1.",
        back=back,
        back_word=back_word,
    )


def degree_words(figure: UFloat) -> str:
    """Say an angle with its 95 % interval, the sign close to the number.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> degree_words(ufloat(431.23, 0.41))
    '431.2°, between 430.4 and 432.0'
    """
    return figure_words(figure, "\N{DEGREE SIGN}").replace(" \N{DEGREE SIGN}", "\N{DEGREE SIGN}")


def named_path(clock: str, said: str = "") -> str:
    """Path that leads to a clock by its name.

    Examples
    --------
    >>> named_path("Gate & house", "kept")
    '/clocks?named=Gate%20%26%20house&said=kept'
    """
    return f"/clocks?named={quote(clock, safe='')}" + (f"&said={said}" if said else "")


def plain_number(value: float) -> str:
    """Write a number as it was typed, without extra digits.

    Examples
    --------
    >>> plain_number(60.0), plain_number(30980.0), plain_number(14.5)
    ('60', '30980', '14.5')
    """
    return f"{value:.10g}"


def capital(text: str) -> str:
    """Begin with a capital letter.

    Examples
    --------
    >>> capital("the log is locked")
    'The log is locked'
    """
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """End with a full stop, and name no option of a command.

    Examples
    --------
    >>> sentence("it is locked"), sentence("Is it?")
    ('it is locked.', 'Is it?')
    """
    kept = page_words(" ".join(str(text).split()))
    return kept if not kept or kept.endswith((".", "?", "!", ":")) else f"{kept}."


def day_words(when: datetime) -> str:
    """Say a day and hour in local time, with the year if it is not the current one.

    Examples
    --------
    >>> day_words(datetime(2020, 3, 7, 20, 5).astimezone())
    '7 March 2020, 20:05'
    """
    local = when.astimezone()
    year = "" if local.year == datetime.now().astimezone().year else f" {local.year}"
    return f"{local.day} {local:%B}{year}, {local:%H:%M}"


def ago(when: datetime) -> str:
    """Say how long ago it was.

    Examples
    --------
    >>> from datetime import timedelta
    >>> now = datetime.now().astimezone()
    >>> ago(now - timedelta(minutes=4)), ago(now - timedelta(days=3)), ago(now - timedelta(days=21))
    ('4 min ago', '3 days ago', '3 weeks ago')
    """
    gone_s = (datetime.now().astimezone() - when.astimezone()).total_seconds()
    if gone_s < 90:
        return "just now"
    for unit_s, most_s, word in (
        (60.0, 5400.0, "min"),
        (3600.0, 129_600.0, "hours"),
        (86_400.0, 1_209_600.0, "days"),
    ):
        if gone_s < most_s:
            return f"{gone_s / unit_s:.0f} {word} ago"
    weeks = gone_s / 604_800
    return f"{weeks:.0f} weeks ago" if weeks < 9 else f"{weeks / 4.348:.0f} months ago"
