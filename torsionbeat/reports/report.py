"""The report on a clock: one self-contained HTML file, for the owner, the archive and the printer.

Everything is inside the file (styles, figures as SVG). It requests nothing from the network, and its policy forbids
that. Jinja2 escapes texts from the bench log; figures hold them as outlines of letters.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsionbeat.display.changes import (
    comparison_sentences,
    leading_rows,
    row_cells,
    row_notes,
)
from torsionbeat.display.changes import (
    value_words as estimate_value,
)
from torsionbeat.display.glossary import CAUTIONS, WORDS
from torsionbeat.display.words import (
    duration_words,
    figure_rows,
    plus_minus,
    rate_words,
    reading_sentences,
    timebase_words,
)
from torsionbeat.errors import DeviceError, InputError
from torsionbeat.history.comparison import Comparison
from torsionbeat.history.comparison_rows import Row
from torsionbeat.jobs.report import ClockStory
from torsionbeat.reading.figures import Reading
from torsionbeat.reports.owner_page import OwnerStory, owner_story
from torsionbeat.reports.pictures import pictures_of
from torsionbeat.reports.printing import pdf_of
from torsionbeat.reports.workshop import Workshop
from torsionbeat.sound.remarks import Remark
from torsionbeat.whole_files import written_whole

READING_COLUMNS = (
    "Begun",
    "Length",
    "Beats heard",
    "Rate, s/day",
    "Beat error, ms",
    "Arc, deg",
    "Timebase",
)

if TYPE_CHECKING:
    from torsionbeat.benchlog import ClockRecord, ReadingRecord
    from torsionbeat.jobs.advise import Judgement

__all__ = ["report_html", "write_pdf", "write_report"]


def report_html(
    story: ClockStory,
    made_at: datetime,
    *,
    judgement: Judgement | None = None,
    unjudged: Remark | None = None,
    workshop: Workshop | None = None,
    photo: str = "",
) -> str:
    """Make the report: the owner's part, at most two printed pages, then the technical annex.

    Parameters
    ----------
    story : ClockStory
        From `torsionbeat.jobs.report.gather`.
    made_at : datetime
        Moment printed on the report.
    judgement : Judgement, optional
        The current judgement of the clock: its rate from all readings, and the work still to be done.
    unjudged : Remark, optional
        Why there is no judgement, from `torsionbeat.jobs.advise.judged`.
    workshop : Workshop, optional
        The letterhead and the paper.
    photo : str
        A photo of the clock as a data URI (`torsionbeat.reports.workshop.picture_data`).

    Returns
    -------
    str
        A whole HTML document.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from torsionbeat.version import __version__

    environment = Environment(
        loader=PackageLoader("torsionbeat.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["day"] = lambda when: f"{when.astimezone():%Y-%m-%d}"
    environment.filters["options"] = _options
    environment.filters["moment"] = lambda when: f"{when.astimezone():%Y-%m-%d %H:%M}"
    last = story.nights[-1].reading if story.nights else None
    owner, letterhead = owner_story(story, judgement, unjudged), workshop or Workshop()
    return environment.get_template("report.html").render(
        version=__version__,
        made_at=made_at,
        story=story,
        clock=story.clock,
        owner=owner,
        has_before=any(row.before for row in owner.rows),
        identity=_identity(story.clock),
        workshop=letterhead,
        photo=photo,
        paper=letterhead.paper,
        running=_css_text(f"{story.clock.name}, report of {made_at.astimezone():%Y-%m-%d}"),
        summary=_summary(story, owner),
        facts=_facts(story),
        last=last,
        last_sentences=reading_sentences(last) if last else [],
        last_rows=figure_rows(last) if last else [],
        comparison_sentences=comparison_sentences(story.comparison)[2:] if story.comparison else [],
        comparison_rows=row_cells(_shown(story.comparison)) if story.comparison else [],
        comparison_notes=row_notes(_shown(story.comparison)) if story.comparison else [],
        readings=[
            list(zip(READING_COLUMNS, _reading_row(one, night.reading), strict=True))
            for one, night in zip(story.readings, story.nights, strict=True)
        ],
        handchecks=[_handcheck_row(one) for one in story.handchecks],
        measured=_measured(story),
        pictures=pictures_of(story),
        words=WORDS,
        cautions=CAUTIONS,
    )


def write_report(html: str, path: str | Path) -> None:
    """Write the report to a file, completely or not at all.

    Raises
    ------
    InputError
        The folder does not exist.
    DeviceError
        Writing to the disk failed.
    """
    _write(Path(path), html.encode("utf-8"))


def write_pdf(html: str, path: str | Path) -> None:
    """Write the report as PDF, printed by an installed browser.

    Raises
    ------
    InputError
        There is no such browser, or the folder does not exist.
    DeviceError
        The browser or writing to the disk failed.
    """
    _write(Path(path), pdf_of(html))


def _summary(story: ClockStory, owner: OwnerStory) -> list[str]:
    """Say the main results of the report in a few sentences."""
    if not story.readings:
        return ["No reading of this clock is in the log yet."]
    last = story.readings[-1]
    rate = last.figure("rate_s_per_day")
    said = [
        f"Last read on {last.taken_at.astimezone():%Y-%m-%d}: "
        + ("no rate was measured." if rate is None else f"the clock {rate_words(rate)}.")
    ]
    if story.comparison is not None:
        changed = [_from_to(row) for row in story.comparison.rows if row.verdict == "changed"]
        said.append(
            f"Changed beyond doubt by the work: {'; '.join(changed)}."
            if changed
            else "Nothing measured changed beyond doubt by the work."
        )
    if story.findings:
        said.append(f"The figures point to: {'; '.join(one.sign for one in story.findings)}.")
    elif owner.still:
        said.append(f"No fault stands out besides what is still to be done. {owner.still[0]}")
    else:
        said.append("No fault stands out from the figures.")
    return said


def _shown(comparison: Comparison) -> list[Row]:
    """Rows with any measured value, the most important first."""
    first = leading_rows(comparison)
    rest = [
        row
        for row in comparison.rows
        if row not in first and (row.before is not None or row.after is not None)
    ]
    return first + rest


def _identity(clock: ClockRecord) -> list[str]:
    """Maker, serial number and owner, as far as they are in the record."""
    named = (("maker", ""), ("serial_number", "No. "), ("owner_text", "For "))
    return [f"{word}{value}" for field, word in named if (value := getattr(clock, field, ""))]


def _css_text(text: str) -> Any:
    """Give a text as the inside of a CSS string. All but letters and digits is escaped, so it cannot end the string."""
    from markupsafe import Markup

    signs = (sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):06x}" for sign in text)
    return Markup("".join(signs))


def _from_to(row: Row) -> str:
    """Name a row that changed, with both values and the digits that the larger uncertainty justifies."""
    unit = f" {row.unit}" if row.unit else ""
    before, after = (estimate_value(side, sign=row.signed) for side in (row.before, row.after))
    return f"{row.name} from {before} to {after}{unit}"


def _options(text: str) -> Any:
    """Escape a text and prevent line breaks at the hyphens of option names in it."""
    from markupsafe import Markup, escape

    return Markup(re.sub(r"(--[a-z][a-z-]*)", r"<code>\1</code>", str(escape(text))))


def _facts(story: ClockStory) -> list[tuple[str, str]]:
    from torsionbeat.benchlog.entries import CLOCK_FIELDS, label, value_words

    clock = story.clock
    facts = []
    for name in CLOCK_FIELDS:
        value = getattr(clock, name)
        if value in (None, "") or name in ("notes", "lift_tolerance_deg"):
            continue
        said = value if isinstance(value, str) else value_words(name, value)
        if name == "lift_deg" and clock.lift_tolerance_deg:
            said += f", within {clock.lift_tolerance_deg:g} deg"
        facts.append((label(name).capitalize(), said))
    if clock.notes:
        facts.append(("Notes", clock.notes))
    return facts


def _reading_row(row: ReadingRecord, reading: Reading) -> tuple[str, ...]:
    heard = "" if row.beats_heard is None else f"{row.beats_heard} of {row.beats_expected}"
    return (
        f"{row.taken_at.astimezone():%Y-%m-%d %H:%M}",
        "" if row.duration_s is None else duration_words(row.duration_s),
        heard,
        plus_minus(reading.rate_s_per_day, sign=True),
        plus_minus(reading.beat_error_ms, sign=True),
        plus_minus(reading.arc_deg),
        row.timebase_source or "not said",
    )


def _handcheck_row(check: Any) -> tuple[str, ...]:
    from uncertainties import ufloat

    rate = ufloat(check.rate_s_per_day, check.u_rate_s_per_day or 1e-9)
    return (
        f"{check.checked_at.astimezone():%Y-%m-%d %H:%M}",
        f"{check.span_h:.0f} h",
        plus_minus(rate, sign=True),
    )


def _measured(story: ClockStory) -> list[str]:
    """Say how and how well the last reading was measured, with its remarks."""
    if not story.nights:
        return []
    reading = story.nights[-1].reading
    recording, clock = reading.recording, reading.clock
    said = [
        f"The last reading is of {duration_words(recording.duration_s)} of sound"
        + (f" ({recording.name})" if recording.name else "")
        + f", {reading.beats_heard} of {reading.beats_expected} beats heard.",
        timebase_words(reading.timebase),
    ]
    if clock.lift_deg is not None:
        doubt = (
            f", taken as right to within {clock.lift_tolerance_deg:g} deg"
            if clock.lift_tolerance_deg
            else ", taken as exact"
        )
        said.append(f"Arc and offset rest on a lift of {clock.lift_deg:g} deg{doubt}.")
    return [*said, *reading.remarks]


def _write(path: Path, content: bytes) -> None:
    if not path.parent.is_dir():
        raise InputError(f"the report cannot be written to {path}: there is no folder {path.parent}")
    try:
        with written_whole(path) as part:
            part.write_bytes(content)
    except OSError as error:
        raise DeviceError(
            f"the report was not written to {path}: {error.strerror or error}; free the disk or take another"
        ) from error
