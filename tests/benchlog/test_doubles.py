"""A work told twice: what counts as the same, what as told anew, and what is only said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.benchlog.doubles import doubles_of, lacks_amount, same_work
from torsionbeat.benchlog.tables import WorkRecord

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def work(number, minutes=0.0, what="3 g a side", kind="weights", **details):
    return WorkRecord(id=number, kind=kind, what=what, done_at=START + minutes * MINUTE, details=details)


def found(works, heard=(), *, what="3 g a side", kind="weights", minutes=30.0, **details):
    return doubles_of(
        works, [START + at * MINUTE for at in heard], kind, what, details, START + minutes * MINUTE
    )


@pytest.mark.parametrize(
    ("kind", "details", "lacking"),
    [
        ("weights", {}, True),
        ("weights", {"doubt_g": 1}, True),
        ("weights", {"added_g": 0.0}, False),
        ("regulator", {"added_g": 1}, True),
        ("regulator", {"setting": 1}, False),
        ("regulator", {"moved": 1}, False),
        ("level", {}, False),
    ],
)
def test_what_lacks_an_amount(kind, details, lacking):
    assert lacks_amount(kind, details) is lacking


def test_the_amount_told_afterwards_completes_the_work():
    bare = work(1, what="weights on")
    told = found([bare], added_g=6.0, minutes=59.9, what="3 g a side")
    assert (told.completed, told.alike, told.lacking) == (bare, None, ())
    late = found([bare], added_g=6.0, minutes=60.0)  # an hour later in other words: it may be another work
    assert (late.completed, late.lacking) == (None, (bare,))
    same_words = found([work(1, what="3 G  a side")], added_g=6.0, minutes=600.0)
    assert same_words.completed is not None


def test_what_was_heard_between_parts_two_works():
    bare = work(1)
    assert found([bare], heard=[15.0], added_g=6.0).completed is None
    assert found([bare], heard=[15.0], added_g=6.0).lacking == (bare,)
    assert found([bare], heard=[0.0], added_g=6.0).completed is None  # begun at that moment: between
    assert found([bare], heard=[-1.0, 31.0], added_g=6.0).completed == bare
    assert (
        found([work(1, 60.0)], heard=[45.0], added_g=6.0, minutes=30.0).completed is None
    )  # noted out of order


def test_a_bare_work_completes_nothing_and_the_last_bare_one_is_completed():
    first, second = work(1), work(2, 10.0)
    assert found([first, second], added_g=6.0).completed is second
    assert found([first, second], added_g=6.0).lacking == (first,)
    assert found([first]).completed is None
    assert found([work(1, kind="level")], kind="level").completed is None


def test_alike_is_of_the_same_kind_words_and_amount():
    one = work(1, added_g=6.0)
    assert found([one], added_g=6.0).alike is one
    assert found([one], added_g=6.5).alike is None
    assert found([one], added_g=6.0, what="two rings").alike is None
    assert found([one], added_g=6.0, heard=[15.0]).alike is None
    assert found([work(1, kind="level", what="3 g a side")], added_g=6.0).alike is None
    assert found([one, work(2, 5.0, added_g=6.0)], added_g=6.0).alike.id == 2  # the latest


def test_a_setting_that_was_worked_out_makes_no_other_work():
    one = work(1, kind="regulator", what="a turn", moved=1.0, setting=6.0, derived="setting")
    assert found([one], kind="regulator", what="a turn", moved=1.0).alike is one
    assert found([one], kind="regulator", what="a turn", moved=1.0, setting=6.0).alike is None  # typed now
    assert same_work([one], "regulator", "a turn", {"moved": 1.0}, START) is one


def test_the_same_is_of_the_same_moment():
    one = work(1, added_g=6.0)
    assert same_work([one], "weights", "3 g A side ", {"added_g": 6.0}, START) is one
    assert same_work([one], "weights", "3 g a side", {"added_g": 6.0}, START + MINUTE) is None
    assert same_work([one], "weights", "3 g a side", {"added_g": 6.0}, None) is None
    assert same_work([one], "level", "3 g a side", {"added_g": 6.0}, START) is None
    assert same_work([one], "weights", "3 g a side", {"added_g": 6.0, "doubt_g": 1.0}, START) is None
    assert found([one], added_g=6.0, minutes=0.0).same is one


def test_what_is_said_names_the_work_and_the_way_back():
    bare, alike = work(1), work(2, added_g=6.0)
    row = work(3, 30.0, added_g=6.0)
    told = found([bare, alike], added_g=6.0)
    assert (told.completed, told.alike) == (bare, alike)
    texts = {remark.code: str(remark) for remark in told.remarks("Lamp", row)}
    assert 'torsionbeat clock restore "Lamp" work 1' in texts["work-completed"]
    assert 'torsionbeat clock undo "Lamp" work 3' in texts["work-doubled"]
    assert "Work 2 of 2026-03-01" in texts["work-doubled"]
    other = found([bare], added_g=6.0, heard=[15.0])
    (said,) = other.remarks("Lamp", row)
    assert (said.code, 'clock amend "Lamp" work 1 --detail added_g=' in said) == ("work-lacks-amount", True)
