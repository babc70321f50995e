"""Pictures of a report: what a story has to show, as elements of a page that are each for themselves."""

from __future__ import annotations

import re

from torsionbeat.jobs.report import gather
from torsionbeat.reports.pictures import inline_svg, pictures_of


def test_svg_keeps_its_shape_and_loses_fixed_size_dates_and_comments(night):
    from torsionbeat.display.nightplots import stability_figure

    svg = inline_svg(stability_figure([night]), "x1-")
    head = svg[: svg.index(">")]
    assert "viewBox" in head
    assert not re.search(r'\s(width|height)="', head)
    assert "<!--" not in svg
    assert "metadata" not in svg


def test_a_story_shows_what_it_has_in_the_order_of_the_report(log):
    pictures = pictures_of(gather(log, "Harbour lamp", same_recorder=True))
    assert list(pictures) == ["comparison", "evidence", "beat", "stability", "owner", "history", "decay"]
    for number, picture in enumerate(pictures.values()):
        ids = re.findall(r'\bid="([^"]*)"', picture.svg)
        assert ids
        assert all(one.startswith(f"f{number}-") for one in ids)
        assert "Harbour lamp" in picture.alt
        assert picture.caption.endswith(".")


def test_a_clock_that_was_never_read_has_no_pictures(log):
    assert pictures_of(gather(log, "Glass shelf")) == {}
