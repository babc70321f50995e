"""A clock's story: what it holds, which nights are before and after the work, and why nothing is compared."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.jobs.report import ReportRequest, gather, report

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)
NO_WORK = "No work is in the log, so there is no before and after."


def moment(days):
    return BEGIN + timedelta(days=days)


def document(rate, recorder_hz=48_000):
    return {
        "schema": 1,
        "recording": {
            "name": f"{rate}.flac", "duration_s": 3600.0, "sample_rate_hz": recorder_hz, "channels": 1,
        },
        "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
        "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0},
        "period_s": {"value": 60 / (1 + rate / 86_400), "standard_uncertainty": 1e-5},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": 0.2},
        "beats": {"expected": 120, "heard": 120},
        "swings": [],
    }  # fmt: skip


def swing_document(first_deg, count=8):
    rows = [{"time_s": 60.0 * row, "arc_deg": first_deg - row} for row in range(count)]
    return {"readings": rows, "period_s": 60.0}


@pytest.fixture
def path(tmp_path):
    """Give a log with the clock Lamp and nothing else."""
    place = str(tmp_path / "log.sqlite")
    with open_log(place) as log:
        log.add_clock("Lamp", nominal_period_s=60.0, lift_deg=20.0)
    return place


@pytest.fixture
def life(path):
    """Two nights, a work, a night, a second work, two nights; a free swing before, between and after."""
    with open_log(path) as log:
        for day, rate in ((0, -900.0), (1, -898.0), (3, 40.0), (5, 2.0), (6, 3.0)):
            log.add_reading("Lamp", document(rate), taken_at=moment(day))
        log.add_work("Lamp", "spring", "new strip", done_at=moment(2))
        log.add_work("Lamp", "weights", "0.4 g off", {"added_g": -0.4}, done_at=moment(4))
        for day, q, first in ((0.5, 250.0, 400.0), (3.5, 280.0, 410.0), (4.5, 310.0, 420.0)):
            log.add_freeswing("Lamp", swing_document(first), law="air", q=ufloat(q, 5.0), done_at=moment(day))
        log.add_note("Lamp", "hangs straight", written_at=moment(2))
        log.add_handcheck("Lamp", ufloat(2.5, 0.4), 168.0, [], checked_at=moment(13))
    return path


def rates(nights):
    return [round(night.reading.rate_s_per_day.nominal_value) for night in nights]


def test_the_story_holds_everything_in_order_of_time(life):
    story = report(ReportRequest("lamp", life))
    assert story.clock.name == "Lamp"
    assert [work.kind for work in story.works] == ["spring", "weights"]
    assert rates(story.nights) == [-900, -898, 40, 2, 3]
    assert len(story.readings) == 5
    assert [note.text for note in story.notes] == ["hangs straight"]
    assert [check.span_h for check in story.handchecks] == [168.0]
    assert [swing.q for swing in story.freeswings] == [250.0, 280.0, 310.0]
    assert story.left_out == ()


def test_before_is_before_the_first_work_and_after_is_since_the_last(life):
    comparison = report(ReportRequest("Lamp", life)).comparison
    assert rates(comparison.before.nights) == [-900, -898]
    assert rates(comparison.after.nights) == [2, 3]
    assert (comparison.before.label, comparison.after.label) == ("before the work", "since the last work")
    # Between the works is neither: the Q of 280 belongs to no group.
    assert comparison.before.free_swing_q.nominal_value == 250.0
    assert comparison.after.free_swing_q.nominal_value == 310.0


def test_the_arcs_are_those_of_the_last_free_swing_since_the_last_work(life):
    story = report(ReportRequest("Lamp", life))
    assert story.decay.arc_deg[0] == 420.0
    assert story.decay.period_s == 60.0
    with open_log(life) as log:
        log.add_freeswing("Lamp", swing_document(425.0), law="air", done_at=moment(5.5))
    assert report(ReportRequest("Lamp", life)).decay.arc_deg[0] == 425.0
    with open_log(life) as log:
        log.add_work("Lamp", "spring", "another strip", done_at=moment(7))
        log.add_reading("Lamp", document(5.0), taken_at=moment(8))
    story = report(ReportRequest("Lamp", life))
    assert story.decay is None
    assert story.comparison.after.free_swing_q is None


def test_a_free_swing_whose_arcs_were_not_kept_leaves_the_one_before(life):
    with open_log(life) as log:
        log.add_freeswing("Lamp", {}, law="air", q=ufloat(305.0, 5.0), done_at=moment(5))
        log.add_freeswing("Lamp", swing_document(390.0, count=5), law="air", done_at=moment(6))
        log.add_freeswing("Lamp", {"readings": [{"time_s": 0}], "period_s": 60}, done_at=moment(7))
    story = report(ReportRequest("Lamp", life))
    assert story.decay.arc_deg[0] == 420.0  # five arcs are too few, and of one row the arc is missing
    # The last Q since the work is that of the free swing without arcs.
    assert story.comparison.after.free_swing_q.nominal_value == 305.0


def test_days_asked_for_go_before_the_works(life):
    asked = ReportRequest(
        "Lamp", life, before=(moment(3), moment(4)), after=(moment(5), moment(6)), same_place=True
    )
    comparison = report(asked).comparison
    assert rates(comparison.before.nights) == [40]
    assert rates(comparison.after.nights) == [2]  # the end of the span is without: day 6 is not in it


def test_what_is_known_of_recorder_and_place_reaches_the_comparison(path, make_night):
    from torsionbeat.reading.document import reading_document

    with open_log(path) as log:
        for day in (0, 2):
            log.add_reading("Lamp", reading_document(make_night(day)), taken_at=moment(day))
        log.add_work("Lamp", "spring", "new strip", done_at=moment(1))

    def compared(**known):
        return report(ReportRequest("Lamp", path, **known)).comparison.document()

    assert compared() != compared(same_recorder=True)
    assert compared() != compared(same_place=True)


def test_without_works_nothing_is_compared_unless_both_spans_are_given(path):
    with open_log(path) as log:
        for day, rate in ((0, -900.0), (1, 3.0)):
            log.add_reading("Lamp", document(rate), taken_at=moment(day))
        first, second = (moment(0), moment(1)), (moment(1), moment(2))
        assert gather(log, "Lamp").no_comparison == NO_WORK
        assert gather(log, "Lamp", before=first).no_comparison == NO_WORK
        asked = gather(log, "Lamp", before=first, after=second)
        assert asked.no_comparison == ""
        assert rates(asked.comparison.before.nights) == [-900]


@pytest.mark.parametrize(
    ("works", "said"),
    [
        ([-1], "No reading was taken before the first work, so nothing can be compared."),
        ([9], "No reading was taken since the last work, so nothing can be compared."),
        ([-1, 9], "No reading was taken before the first work and since the last work, so nothing can be compared."),
    ],
)  # fmt: skip
def test_a_side_without_a_reading_is_named(path, works, said):
    with open_log(path) as log:
        log.add_reading("Lamp", document(3.0), taken_at=moment(0))
        for day in works:
            log.add_work("Lamp", "spring", f"strip {day}", done_at=moment(day))
    story = report(ReportRequest("Lamp", path))
    assert story.comparison is None
    assert story.no_comparison == said


def test_a_reading_at_the_very_moment_of_the_work_is_after_it(path):
    with open_log(path) as log:
        log.add_work("Lamp", "spring", "new strip", done_at=moment(1))
        for day, rate in ((0, -900.0), (1, 3.0)):
            log.add_reading("Lamp", document(rate), taken_at=moment(day))
    comparison = report(ReportRequest("Lamp", path)).comparison
    assert rates(comparison.before.nights) == [-900]
    assert rates(comparison.after.nights) == [3]


def test_a_clock_that_was_never_read_has_a_story(path):
    story = report(ReportRequest("Lamp", path))
    assert (story.nights, story.decay, story.comparison) == ([], None, None)
    assert story.no_comparison == NO_WORK


def test_nobody_s_clock_and_a_log_that_is_not_there_are_errors(path, tmp_path):
    with pytest.raises(InputError, match="Lump"):
        report(ReportRequest("Lump", path))
    with pytest.raises(TorsionbeatError, match="elsewhere"):
        report(ReportRequest("Lamp", str(tmp_path / "elsewhere.sqlite")))
    assert not (tmp_path / "elsewhere.sqlite").exists()


def test_beat_errors_are_all_in_the_letters_of_the_last_night(path, make_night):
    """The same clock lettered the other way round on the first night: its beat error changes sign for the story."""
    from torsionbeat.history.nights import Night, with_sides_swapped
    from torsionbeat.reading.document import reading_document

    one, two = make_night(1), make_night(2)
    swapped = with_sides_swapped(Night(one)).reading
    assert np.sign(swapped.beat_error_ms.nominal_value) != np.sign(two.beat_error_ms.nominal_value)
    with open_log(path) as log:
        for day, reading in ((0, swapped), (1, two)):
            log.add_reading("Lamp", reading_document(reading), taken_at=moment(day))
    signs = {
        np.sign(night.reading.beat_error_ms.nominal_value)
        for night in report(ReportRequest("Lamp", path)).nights
    }
    assert signs == {np.sign(two.beat_error_ms.nominal_value)}
