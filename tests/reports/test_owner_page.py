"""The owner's part of the report."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from uncertainties import ufloat

from torsionbeat.jobs.report import gather
from torsionbeat.reports.report import report_html

BEGIN = datetime(2026, 2, 3, 20, tzinfo=UTC)
MADE = datetime(2026, 3, 1, 10, tzinfo=UTC)


def test_the_owners_part_has_no_options_and_no_statistics(html, words_of, owner_part):
    said = words_of(owner_part(html))
    for word in ("--", "Allan", "95 %", "interval", "torsionbeat", "offset", "standard"):
        assert word not in said, word


def test_out_of_beat_is_still_to_be_done_and_not_no_fault(log, night, document, words_of):
    from torsionbeat.jobs.advise import AdviseRequest, advise

    log.add_clock("Uneven", nominal_period_s=60.0, lift_deg=20.0)
    log.add_reading("Uneven", document(night, beat_error_ms=ufloat(400, 1), offset_deg=ufloat(4.5, 0.1)))
    story, judgement = gather(log, "Uneven"), advise(AdviseRequest("Uneven", log=log.where))
    text = words_of(report_html(story, MADE, judgement=judgement))
    assert "The beat is not even yet; it is still to be set." in text
    assert "No fault stands out besides what is still to be done." in text
    assert "Nothing: the clock goes as it should" not in text
    assert "differ by 0.8 seconds" in text


def test_the_work_on_the_rate_names_the_aim_it_is_judged_by(log, night, document, words_of, owner_part):
    from torsionbeat.jobs.advise import judged

    log.add_clock("Fast", nominal_period_s=60.0, lift_deg=20.0)
    log.add_reading("Fast", document(night, rate_s_per_day=ufloat(90.0, 0.3)))
    judgement, _ = judged("Fast", log.where)
    text = words_of(owner_part(report_html(gather(log, "Fast"), MADE, judgement=judgement)))
    assert "The aim is that it keeps time to 0.5 seconds a day." in text


def test_a_clock_worked_on_since_its_last_reading_is_to_be_heard_again(
    log, night, document, words_of, owner_part
):
    from torsionbeat.jobs.advise import judged

    log.add_clock("Reweighted", nominal_period_s=60.0, lift_deg=20.0)
    read = document(night, rate_s_per_day=ufloat(-12.0, 0.3))
    log.add_reading("Reweighted", read, taken_at=MADE - timedelta(days=3))
    judgement, why = judged("Reweighted", log.where)
    assert judgement is not None
    assert why is None
    log.add_work("Reweighted", "weights", "2 g on", done_at=MADE - timedelta(days=1))
    judgement, why = judged("Reweighted", log.where)
    assert judgement is None
    assert why.code == "worked-on-since"
    assert (
        why
        == "'Reweighted' was worked on after its last reading (weights: 2 g on); let it settle and read it again"
    )
    text = words_of(owner_part(report_html(gather(log, "Reweighted"), MADE, unjudged=why)))
    assert "worked on after it was last listened to: how it goes now was not measured yet." in text
    assert "The clock is to be listened to again: it was worked on since the last time." in text
    assert "In a day it loses 12 seconds not measured" in text  # before the work, and now
    assert "in a week" not in text
    assert "Nothing: the clock goes as it should" not in text
