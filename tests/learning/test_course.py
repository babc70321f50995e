"""From works and rates, as the log keeps them, to trials: what adds up, what is doubted and what is left out."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from torsionbeat.learning.course import (
    OTHER_WORK_S_PER_DAY,
    SETTING_DOUBT,
    WEIGHT_DOUBT,
    Heard,
    Work,
    course_of,
)
from torsionbeat.learning.learn import learn
from torsionbeat.learning.response import Response, per_gram_usual, per_unit_from_effect
from torsionbeat.learning.trials import HANDLING_S_PER_DAY

DAY_S = 86_400.0
HOUR_S = 3600.0


def nights(*rates, **more):
    """A rate a day, each of one hour's listening."""
    return [
        Heard(day * DAY_S, day * DAY_S + HOUR_S, ufloat(rate, 0.2), label=f"night {day + 1}", **more)
        for day, rate in enumerate(rates)
    ]


def after(day, kind, **more):
    """A piece of work an hour after a day's reading."""
    return Work(day * DAY_S + 2 * HOUR_S, kind, kind, **more)


def test_a_regulator_that_does_not_start_at_zero_counts_by_its_moves():
    """From 5 to 6 of a scale from 0 to 10: one unit, whatever the scale says, and the effect is learnt right."""
    course = course_of([after(0, "regulator", moved=1.0, setting=6.0)], nights(40.0, 58.0))
    assert [row.setting for row in course.rows] == [0.0, 1.0]
    assert course.setting == 6.0
    learnt = learn(course.rows, Response(per_gram_usual(), per_unit_from_effect(10, 9)))
    effect = learnt.expected_rate_s_per_day(0.0, 1.0).nominal_value - learnt.rate_s_per_day.nominal_value
    assert effect == pytest.approx(18.0, abs=1.5)


def test_a_setting_alone_counts_from_the_one_before():
    works = [after(0, "regulator", moved=1.0, setting=6.0), after(1, "regulator", setting=4.5)]
    course = course_of(works, nights(40.0, 58.0, 31.0))
    assert [row.setting for row in course.rows] == [0.0, 1.0, -0.5]
    assert course.setting == 4.5
    assert not any(row.unknown for row in course.rows)


def test_a_setting_whose_beginning_nobody_noted_is_an_unknown_step():
    course = course_of([after(0, "regulator", setting=6.0)], nights(40.0, 58.0))
    assert course.rows[1].unknown
    assert course.setting == 6.0
    known = course_of([after(0, "regulator", setting=6.0)], nights(40.0, 58.0), setting_on_record=5.0)
    assert not known.rows[1].unknown
    assert known.rows[1].setting == 1.0


def test_works_between_two_rates_add_up():
    works = [
        after(0, "weights", added_g=0.5),
        Work(3 * HOUR_S, "weights", "more", added_g=-0.2, doubt_g=0.05),
        after(0, "regulator", moved=0.5),
    ]
    first, second = course_of(works, nights(40.0, 20.0)).rows
    assert (first.mass_g, first.mass_doubt_g, first.handling_s_per_day) == (0.0, 0.0, 0.0)
    assert second.mass_g == pytest.approx(0.3)
    assert second.mass_doubt_g == pytest.approx(math.hypot(WEIGHT_DOUBT * 0.5, 0.05))
    assert second.setting_doubt == pytest.approx(SETTING_DOUBT)
    assert second.handling_s_per_day == HANDLING_S_PER_DAY


def test_doubts_are_of_their_own_step_and_amounts_stay():
    works = [after(0, "weights", added_g=1.0, doubt_g=0.1), after(1, "beat setting")]
    _, second, third = course_of(works, nights(40.0, 20.0, 21.0)).rows
    assert (second.mass_g, third.mass_g) == (1.0, 1.0)
    assert (second.mass_doubt_g, third.mass_doubt_g) == (0.1, 0.0)
    assert third.handling_s_per_day == OTHER_WORK_S_PER_DAY
    assert [row.day for row in course_of(works, nights(40.0, 20.0, 21.0)).rows] == [0.0, 1.0, 2.0]


def test_a_move_that_contradicts_its_setting_is_doubted_by_the_difference():
    works = [after(0, "regulator", moved=1.0, setting=6.0), after(1, "regulator", moved=1.0, setting=7.5)]
    rows = course_of(works, nights(40.0, 58.0, 76.0)).rows
    assert rows[2].setting == 2.0
    assert rows[2].setting_doubt == pytest.approx(math.hypot(SETTING_DOUBT, 0.5))


def test_a_note_without_an_amount_gives_way_to_the_one_kept_later():
    works = [
        Work(2 * HOUR_S, "weights", "took some off", id=1),
        Work(3 * HOUR_S, "weights", "0.4 g", added_g=-0.4, id=2),
    ]
    course = course_of(works, nights(40.0, 90.0))
    assert not course.rows[1].unknown
    assert course.rows[1].mass_g == -0.4
    assert "the later note '0.4 g' is taken to say it" in course.remarks[0]
    alone = course_of(works[:1], nights(40.0, 90.0))
    assert alone.rows[1].unknown


def test_a_new_spring_begins_a_new_level_and_its_age_is_known():
    rows = course_of([after(1, "spring")], nights(40.0, 40.0, 300.0, 290.0)).rows
    assert [row.spring for row in rows] == [0, 0, 1, 1]
    assert rows[1].strip_age_days is None
    assert rows[2].strip_age_days == pytest.approx(1 - 2 / 24)
    assert rows[3].strip_age_days == pytest.approx(2 - 2 / 24)


def test_a_hand_check_over_work_is_left_out_and_told():
    week = Heard(-3 * DAY_S, 3 * DAY_S, ufloat(30.0, 0.5), source="hand check", label="the hands' week")
    course = course_of([after(0, "weights", added_g=1.0)], [week, *nights(40.0, 20.0)])
    assert [one.source for one in course.heard] == ["reading", "reading"]
    assert course.remarks[0].startswith("The hands' week is left out")
    quiet = course_of([], [week, *nights(40.0, 20.0)])
    assert quiet.heard[0].nights == pytest.approx(6.0)
    assert quiet.rows[0].nights == pytest.approx(6.0)


def test_what_was_done_since_the_last_rate_is_pending():
    works = [after(0, "weights", added_g=1.0), after(1, "regulator", moved=-0.5, setting=4.5)]
    course = course_of(works, nights(40.0, 20.0), setting_on_record=5.0)
    assert [work.kind for work in course.pending] == ["regulator"]
    assert course.setting == 4.5
    assert course.rows[-1].setting == 0.0


def test_a_crystal_is_shared_by_what_one_recorder_heard():
    rows = course_of([], nights(40.0, 41.0, recorder="phone", timebase_s_per_day=0.5)).rows
    assert {row.timebase for row in rows} == {"phone"}
    # No more of a rate's doubt than the rate has can come from its crystal.
    assert [row.timebase_s_per_day for row in rows] == [0.2, 0.2]


def test_notes_that_say_the_same_twice_are_named():
    twice = [after(0, "weights", added_g=0.5, id=1), Work(3 * HOUR_S, "weights", "again", added_g=0.5, id=2)]
    course = course_of(twice, nights(40.0, 20.0))
    assert [work.id for work in course.repeated] == [2]
    assert course.rows[1].mass_g == 1.0
    assert course_of(twice, nights(40.0, 20.0), leave_out=course.repeated).rows[1].mass_g == 0.5
