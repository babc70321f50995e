"""Listening: the choice of clock and microphone; the check, setting in beat and the night while they run."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.page import forms
from torsionbeat.page.bench import bench_of
from torsionbeat.page.guard import form_handler
from torsionbeat.page.listening import Activity, Wanted
from torsionbeat.page.pictures import beat_figure
from torsionbeat.page.plots import offset_plot, reading_plots
from torsionbeat.page.views import page, trouble
from torsionbeat.page_handlers.choices import LENGTHS, clock_names, length_s, microphones

__all__ = ["ROUTES"]

KEEPS = ("sound", "beats", "figures")


def listen_page(request: Request) -> Response:
    """The running listening, or the form to start one."""
    bench = bench_of(request)
    activity = bench.listening.activity
    if activity is not None and (not activity.ended or request.query_params.get("new") is None):
        return page(
            request, "live.html", title="Listen", here="/listen", plots=True, topics="live",
            kind=activity.wanted.kind, activity=activity, drawn=_plots(activity),
        )  # fmt: skip
    found, none = microphones()
    return page(
        request, "listen.html", title="Listen", here="/listen", clocks=clock_names(bench),
        clock=request.query_params.get("clock", ""), kind=request.query_params.get("kind", ""),
        microphones=found, no_microphone=none, lengths=LENGTHS, others=bench.watch.others(),
    )  # fmt: skip


def _plots(activity: Activity) -> dict[str, object]:
    """The current plots, for a page that is opened while a listening runs."""
    state, wanted = activity.state, activity.wanted
    if wanted.kind == "beat" and activity.settings:
        _, unit, _ = beat_figure(state.setting) if state.setting is not None else (None, "\N{DEGREE SIGN}", 0)
        return {"offset": offset_plot(activity.settings[-400:], unit)}
    if wanted.kind == "night" and state is not None and state.reading is not None:
        return dict(reading_plots(state.reading, state.voices))
    return {}


def begun(request: Request, form: dict[str, str]) -> Response:
    """Start listening."""
    bench = bench_of(request)
    try:
        bench.listening.begin(_wanted(bench.log, form))
    except TorsionbeatError as error:
        return trouble(request, error, "/listen", "Back")
    bench.watch.show_now()
    return RedirectResponse("/listen", status_code=303)


def _wanted(log: str | None, form: dict[str, str]) -> Wanted:
    kind = forms.choice(form, "kind", ("check", "beat", "night"), "what to do")
    clock = forms.text(form, "clock")
    known_period, lift = None, None
    if clock:
        from torsionbeat.benchlog import open_log

        with open_log(log, must_exist=True) as opened:
            record = opened.clock(clock)
        known_period, lift = record.nominal_period_s, record.lift_deg
    period = forms.optional_number(form, "period", "the period")
    if kind != "check" and period is None and known_period is None:
        raise InputError(
            "the period of this clock is not known; fill in the seconds it takes out and back, or choose a clock "
            "whose record has them"
        )
    share = forms.optional_number(form, "share", "the share of the strip above the fork")
    return Wanted(
        kind,
        clock,
        period,
        forms.optional_number(form, "lift", "the lift") if lift is None else None,
        forms.text(form, "device") or None,
        length_s(forms.text(form, "length")) if kind == "night" else None,
        forms.choice(form, "keep", KEEPS, "what to keep") if kind == "night" else "sound",
        forms.optional_number(form, "arc", "the arc"),
        1.0 if share is None else share,
    )


def ended(request: Request, _form: dict[str, str]) -> Response:
    """Ask the running listening to end."""
    bench_of(request).listening.end()
    return RedirectResponse("/listen", status_code=303)


def other_night(request: Request) -> Response:
    """A night that another program listens to."""
    from torsionbeat.bench.nights import night_state

    bench = bench_of(request)
    try:
        night = bench.watch.find(request.path_params["number"])
    except InputError as error:
        return trouble(request, error)
    state = night_state(night)
    drawn = {} if state is None or state.reading is None else reading_plots(state.reading)
    return page(
        request, "live_other_page.html", title=f"Listening to {night.clock or 'a clock'}", here="/listen", plots=True,
        topics=f"night-{night.id}", night=night, state=state, drawn=drawn,
    )  # fmt: skip


def other_ended(request: Request, _form: dict[str, str]) -> Response:
    """Ask the program that listens to end its night."""
    from torsionbeat.bench.nights import stop_night

    try:
        stop_night(bench_of(request).watch.find(request.path_params["number"]))
    except InputError as error:
        return trouble(request, error)
    return RedirectResponse("/clocks", status_code=303)


ROUTES = [
    Route("/listen", listen_page),
    Route("/listen", form_handler(begun), methods=["POST"]),
    Route("/listen/end", form_handler(ended), methods=["POST"]),
    Route("/listen/night/{number:str}", other_night),
    Route("/listen/night/{number:str}/end", form_handler(other_ended), methods=["POST"]),
]
