"""Pictures of a report: the figures of a clock's story as SVG elements inside the page, each with a description.

Input: a `torsionbeat.jobs.report.ClockStory`. Output: `Picture` values by name.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from io import StringIO
from itertools import count
from typing import Any

from torsionbeat.display import style
from torsionbeat.display.changes import comparison_figure
from torsionbeat.display.clockplots import DatedFigure, DatedWork, decay_figure, history_figure, owner_figure
from torsionbeat.display.evidence import evidence_figure
from torsionbeat.display.nightplots import beat_error_figure, stability_figure
from torsionbeat.display.portrait import has_mean_sounds, mean_sounds_figure
from torsionbeat.jobs.report import ClockStory

__all__ = ["Picture", "inline_svg", "pictures_of"]

Drawn = tuple[str, Any, str, str]
"""A picture's name, its figure, a description for readers who cannot see it, and its caption."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure for the page: the SVG element, a description for readers who cannot see it, and its caption."""

    svg: Any
    alt: str
    caption: str


def inline_svg(figure: Any, prefix: str) -> str:
    """Give a figure as an SVG element for a page; ``prefix`` makes its ids unique on the page."""
    stream = StringIO()
    with style.styled():
        figure.savefig(stream, format="svg", dpi=style.PIXELS_PER_INCH, metadata={"Date": None})
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{prefix}', text)
    text = re.sub(r"url\(#", f"url(#{prefix}", text)
    text = re.sub(r'href="#', f'href="#{prefix}', text)
    # The page sets the size; the view box keeps the proportions.
    return re.sub(
        r'(<svg[^>]*?) (?:width|height)="[^"]*"', r"\1", re.sub(r' height="[^"]*"', "", text, count=1)
    )


def pictures_of(story: ClockStory) -> dict[str, Picture]:
    """Draw all pictures of a story, by name, in the order of the report."""
    from markupsafe import Markup

    prefixes = (f"f{number}-" for number in count())
    # Text in a figure is drawn as outlines and its comments are removed: nothing is left to escape.
    return {
        name: Picture(Markup(inline_svg(figure, next(prefixes))), alt, caption)
        for name, figure, alt, caption in (
            *_pictures_of_comparison(story),
            *_pictures_of_last_reading(story),
            *_pictures_of_history(story),
        )
    }


def _pictures_of_comparison(story: ClockStory) -> Iterator[Drawn]:
    name, comparison = story.clock.name, story.comparison
    if comparison is None:
        return
    yield (
        "comparison",
        comparison_figure(comparison),
        f"Arc and rate of {name} in every recording before and after, and wander of the rate",
        "Every recording before and after with its 95 % interval, and how far the rate wanders.",
    )
    if has_mean_sounds(comparison):
        yield (
            "voices",
            mean_sounds_figure(comparison),
            f"Mean sounds of contact and drop of {name}, before and after, on each side",
            "The mean sound of contact and drop, before and after the work.",
        )


def _pictures_of_last_reading(story: ClockStory) -> Iterator[Drawn]:
    name = story.clock.name
    if not story.nights:
        return
    last = story.nights[-1].reading
    yield (
        "evidence",
        evidence_figure(last, sound=False),
        f"Time error of every beat, what a straight line leaves of it, and the arc: {name}, last reading",
        "The evidence behind the last reading: every beat that was heard.",
    )
    yield (
        "beat",
        beat_error_figure(last),
        f"Beat error of {name} through the last reading",
        "The beat error through the last reading.",
    )
    yield (
        "stability",
        stability_figure([last]),
        f"Wander of the rate of {name} over averaging times, with 95 % limits",
        "How far the rate wanders when it is averaged over longer and longer times.",
    )


def _pictures_of_history(story: ClockStory) -> Iterator[Drawn]:
    name = story.clock.name
    if len(story.readings) > 1:
        rates, arcs, beats = (
            [
                DatedFigure(one.taken_at, getattr(night.reading, figure))
                for one, night in zip(story.readings, story.nights, strict=True)
            ]
            for figure in ("rate_s_per_day", "arc_deg", "beat_error_ms")
        )
        works = [DatedWork(work.done_at, work.what) for work in story.works]
        yield (
            "owner",
            owner_figure(rates, works),
            f"What {name} gains or loses in a day at every reading, with the works between them",
            "Each time the clock was listened to; the numbers are those of the works above.",
        )
        yield (
            "history",
            history_figure(rates, arcs, works, beats),
            f"Rate, arc and beat error of {name} at every reading, with the works between them",
            "Every reading, and the works between them.",
        )
    if story.decay is not None:
        yield (
            "decay",
            decay_figure(story.decay),
            f"Arc of {name} swinging down without its drive, with the laws of drag and of rubbing",
            "The last free swing: drag of the air takes a share of every swing, rubbing the same angle.",
        )
