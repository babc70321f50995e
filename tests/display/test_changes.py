"""A comparison in words, as a table and as a figure."""

from __future__ import annotations

import io
from types import SimpleNamespace

import numpy as np
import pytest
from rich.console import Console

from torsionbeat.display.changes import (
    change_words,
    comparison_figure,
    comparison_sentences,
    estimate_words,
    leading_rows,
    print_comparison,
    row_cells,
    row_notes,
)
from torsionbeat.history.comparison import Group, Night, Row, compare
from torsionbeat.reading.intervals import Estimate


@pytest.fixture(scope="module")
def comparison(night, drop_only):
    return compare(Group((Night(night),), label="before"), Group((Night(night), Night(night)), label="after"))


def test_sentences_say_the_sides_each_change_and_what_did_not_change(comparison, night, drop_only):
    said = comparison_sentences(comparison)
    assert said[0] == "Before: before: night.flac."
    assert said[1] == "After: after: 2 recordings, night.flac."
    assert "Nothing changed by more than its uncertainty." in said
    changed = comparison_sentences(compare(night, drop_only))
    assert any(one.startswith("Changed: rate (+ gains) by -16 s/day, between ") for one in changed)


def test_words_of_a_change_that_was_not_judged():
    assert change_words(Row("arc", "deg", None, None)) == "was not judged"


def test_an_estimate_that_leans_is_given_by_its_ends():
    assert estimate_words(Estimate(0.24, 0.15, 0.75)) == "0.24 (0.15 to 0.75)"
    assert estimate_words(Estimate(-2.4, -2.9, -1.9), sign=True) == "-2.4 ± 0.5"
    assert estimate_words(None) == "-"


def test_every_row_is_printed_once_under_its_verdict(comparison):
    stream = io.StringIO()
    print_comparison(comparison, Console(file=stream, width=80, highlight=False))
    text = stream.getvalue()
    assert max(map(len, text.splitlines())) <= 80
    joined = " ".join(text.split())
    assert "No change to be seen Before After Change" in joined
    for remark in comparison.remarks:
        assert remark[:40] in joined


def test_a_note_is_said_once_with_the_rows_it_belongs_to():
    rows = [Row(name, "", None, None, note="not measured after; see below") for name in ("arc", "offset")]
    assert row_notes(rows) == ["Not measured after: arc; offset.", "See below: arc; offset."]


def test_ratios_are_told_as_times(comparison):
    cells = {cell[0]: cell for cell in row_cells(comparison.rows)}
    assert cells["arc, spread within a night"][4].startswith("times ")
    assert cells["rate (+ gains)"][2].startswith("+14")
    assert cells["arc (amplitude end to end)"][2].startswith("430 ")


def test_the_figure_shows_every_recording_and_both_stabilities(comparison):
    figure = comparison_figure(comparison)
    rate, arc, beat, stability = figure.axes
    assert figure.get_suptitle() == "Harbour lamp"
    for axes, value in ((arc, 430), (rate, 14), (beat, 160)):
        drawn = [line.get_ydata()[0] for line in axes.lines if line.get_marker() in ("o", "s")]
        assert len(drawn) == 3
        np.testing.assert_allclose(drawn, value, atol=1)
        assert [text.get_text() for text in axes.get_xticklabels()] == ["before", "after"]
    assert stability.get_yscale() == "log"
    assert [text.get_text() for text in stability.get_legend().get_texts()] == ["before", "after"]


def test_what_was_not_measured_has_no_panel(drop_only):
    titles = [axes.get_title(loc="left") for axes in comparison_figure(compare(drop_only, drop_only)).axes]
    assert titles == ["Rate (+ gains)", "Beat error", "Wander of the rate (Allan deviation)"]


def test_rows_shown_first_are_those_that_changed_and_those_a_restorer_looks_at():
    known = Estimate(1.0, 0.9, 1.1)
    far = Estimate(1.0, 0.5, 1.5)
    rows = [
        Row("only before", "", known, None, leading=True),
        Row("only after", "", None, known, leading=True),
        Row("neither", "", None, None, leading=True),
        Row("no one looks at it", "", known, known, Estimate(0.0, -0.1, 0.1)),
        Row("changed", "", known, known, far),
    ]
    assert [row.name for row in leading_rows(SimpleNamespace(rows=rows))] == [
        "only before",
        "only after",
        "changed",
    ]
