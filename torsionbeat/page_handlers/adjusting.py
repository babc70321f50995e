"""The next adjustment: what to do, its expected effect and its basis; one button keeps it as done."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.jobs.advise import AdviseRequest, Judgement, advise
from torsionbeat.page import forms
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.pictures import rate_bar
from torsionbeat.page.views import page, trouble
from torsionbeat.page_handlers.choices import clock_of
from torsionbeat.page_handlers.clocks import clock_path
from torsionbeat.regulation.stock import Piece, Stock
from torsionbeat.theory.robust import COVERAGE

__all__ = ["ROUTES"]

DEFAULT_TOLERANCE = "0.5"
INPUTS = ("weights", "leave", "rate", "rate_within", "earlier_g", "earlier_s", "tolerance", "share")


def advice_page(request: Request) -> Response:
    """The advice for a clock, from its log and from the form."""
    bench = bench_of(request)
    clock = clock_of(bench, request.path_params["number"])
    given = {name: request.query_params.get(name, "") for name in INPUTS}
    judgement, why = None, ""
    try:
        judgement = advise(_asked(clock.name, bench.log, given))
    except InputError as error:
        why = str(error)
    return page(
        request, "advice.html", title=f"{clock.name}: what to do next", here="/clocks", clock=clock, judgement=judgement,
        why=why, given=given, bar_now=rate_bar(None if judgement is None else judgement.rate_s_per_day),
        bar_then=rate_bar(_expected(judgement)), steps=_steps(judgement), cautions=_cautions(judgement),
        said_besides=_besides(judgement),
    )  # fmt: skip


def _expected(judgement: Judgement | None) -> object:
    if judgement is None or judgement.correction.changes_nothing:
        return None
    return judgement.correction.expected_rate_s_per_day


def _steps(judgement: Judgement | None) -> list[tuple[str, str]]:
    """What to do, in the order of the trade: first, second, not yet."""
    from torsionbeat.display.judgement import task_words

    if judgement is None:
        return []
    told = [(task.place, task_words(judgement, task)) for task in judgement.tasks]
    return [(place, words) for place, words in told if words]


def _cautions(judgement: Judgement | None) -> list[str]:
    """The cautions, beginning with those for every work on the clock."""
    from torsionbeat.regulation.correction import LOCK

    return [] if judgement is None else sorted(judgement.cautions, key=lambda one: one != LOCK)


def _besides(judgement: Judgement | None) -> list[str]:
    """The rest of the judgement: its basis, what to wait for, when to look again."""
    from torsionbeat.display.judgement import judgement_sentences

    if judgement is None:
        return []
    steps = [words for _, words in _steps(judgement)]
    said = judgement_sentences(judgement)
    return [
        one
        for one in said
        if one not in judgement.cautions and not any(one.endswith(words) for words in steps)
    ]


def _asked(clock: str, log: str | None, given: dict[str, str]) -> AdviseRequest:
    """Read the form into a request.

    Raises
    ------
    InputError
        A field holds no number, or a field that belongs to it is empty.
    """
    rate = forms.optional_number(given, "rate", "the rate")
    grams = forms.optional_number(given, "earlier_g", "the grams remembered")
    change = forms.optional_number(given, "earlier_s", "the change remembered")
    if (grams is None) != (change is None):
        raise InputError(
            "a change remembered needs both its grams and its seconds a day; fill in both, or neither"
        )
    share = forms.optional_number(given, "share", "the share of the strip above the fork")
    tolerance = forms.optional_number(given, "tolerance", "how near to time is near enough")
    return AdviseRequest(
        clock=clock,
        log=log,
        rate_s_per_day=None if rate is None else _rate(rate, given),
        earlier=None if grams is None or change is None else (grams, change),
        stock=None if given.get("leave") else Stock(_pieces(given["weights"])),
        share_above_fork=1.0 if share is None else share,
        tolerance_s_per_day=float(DEFAULT_TOLERANCE) if tolerance is None else tolerance,
    )


def _rate(rate: float, given: dict[str, str]) -> object:
    from uncertainties import ufloat

    within = forms.optional_number(given, "rate_within", "how far off the rate may be")
    if within is None or within <= 0:
        raise InputError("a rate typed by hand needs how far off it may be, in seconds a day")
    return ufloat(rate, within / COVERAGE)


def _pieces(typed: str) -> tuple[Piece, ...]:
    """Read the weights at hand. All are in grams: the page has no fields for the dimensions of discs.

    Raises
    ------
    InputError
        A size cannot be read, or is not in grams.
    """
    from torsionbeat.typed.weights import weights_of

    read = weights_of(typed)
    for one in read:
        if one.in_mm:
            raise InputError(
                f"a weight of {one.size:g} mm cannot be told in grams here; weigh one, and write its grams"
            )
    return tuple(Piece(one.size, count=one.count) for one in read)


def done(request: Request, form: dict[str, str]) -> Response:
    """Keep the advice as done, with its expected effect."""
    from torsionbeat.jobs.keep_adjustment import keep_adjustment

    bench, number = bench_of(request), request.path_params["number"]
    try:
        clock = clock_of(bench, number)
        judgement = advise(_asked(clock.name, bench.log, {name: form.get(name, "") for name in INPUTS}))
        keep_adjustment(judgement, bench.log, done_at=forms.moment(form, "when", "when it was done"))
    except TorsionbeatError as error:
        return trouble(request, error, clock_path(number, "next"), "Back to the advice")
    return RedirectResponse(clock_path(number, said="done"), status_code=303)


ROUTES = [
    Route("/clocks/{number:int}/next", advice_page),
    Route("/clocks/{number:int}/next", form_handler(done), methods=["POST"]),
]
