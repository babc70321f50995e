"""The application: its own errors are sentences with their status, its files are its own."""

from __future__ import annotations


def test_a_path_or_a_way_that_is_not_there_is_a_sentence_with_its_status(page):
    missing = page.get("/nothing")
    assert missing.status == 404
    assert "There is no such page here" in missing.words
    assert page.post("/cautions").status == 405


def test_an_error_of_ours_has_the_status_of_its_kind_and_any_other_tells_no_more_than_that(page, monkeypatch):
    from torsionbeat.errors import BenchLogError
    from torsionbeat.page_handlers import clocks

    missing = page.get("/clocks/99")
    assert missing.status == 422
    assert "this clock is not in the bench log" in missing.words.lower()

    def locked(_request):
        raise BenchLogError("the log is locked by another program; close it")

    monkeypatch.setattr(clocks, "list_clocks", locked)
    busy = page.get("/clocks")
    assert busy.status == 503
    assert "The log is locked by another program; close it" in busy.words


def test_its_files_are_asked_for_anew_at_the_next_start(page):
    style = page.get("/static/page.css")
    assert (style.status, style.headers["cache-control"]) == (200, "no-cache")
    assert page.get("/static/../app.py").status == 404
