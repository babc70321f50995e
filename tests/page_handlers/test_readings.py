"""One reading's page: the reading of that clock and no other, and no sound where none was kept."""

from __future__ import annotations

from torsionbeat.benchlog import open_log


def test_a_reading_is_shown_with_its_figures(page, read):
    number = read(12.0)
    shown = page.get(f"/clocks/1/readings/{number}")
    assert shown.status == 200
    assert "gains 12.0 s a day" in shown.words


def test_a_reading_of_another_clock_or_of_none_is_not_shown(page, read):
    number = read(12.0)
    with open_log(page.log) as log:
        log.add_clock("Shelf")
    for path in (f"/clocks/2/readings/{number}", "/clocks/1/readings/99"):
        refused = page.get(path)
        assert refused.status == 422
        assert "this reading is not with this clock" in refused.words.lower()


def test_without_a_sound_there_is_nothing_to_play(page, read):
    number = read(12.0)
    assert (
        "no sound was kept with this reading"
        in page.post(f"/clocks/1/readings/{number}/minute").words.lower()
    )
    assert page.get(f"/clocks/1/readings/{number}/minute.flac").status == 422
