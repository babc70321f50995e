"""A clock's own sides: what a new reading is matched to, what is kept, and what may be named."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.bench import sides
from torsionbeat.bench.sides import (
    DatedMarks,
    KnownSides,
    LearnSidesRequest,
    LiveSides,
    in_own_letters,
    keep_sides,
    kept_night,
    known_sides,
    own_letters,
    own_sides,
    side_names,
)
from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.history.nights import Night, with_sides_swapped
from torsionbeat.history.side_matching import TOUCHED, UNTOUCHED, SideMarks, SideMatch
from torsionbeat.reading.document import reading_document

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
LEVELS = {("a", "contact"): 14.0, ("b", "contact"): 20.0, ("a", "drop"): 30.0, ("b", "drop"): 26.0}


def at(days):
    return START + timedelta(days=days)


def marks(error_ms, sigma=0.5):
    return SideMarks((), (), ufloat(error_ms, sigma))


@pytest.fixture(scope="module")
def nights(make_night):
    """Three nights of a clock whose sides are unlike, a day apart."""
    return [
        Night(make_night(seed, hours=1.0, level_db=LEVELS), at(day)) for day, seed in enumerate((81, 82, 83))
    ]


@pytest.fixture
def log(tmp_path):
    """Give a log with the clock Lamp."""
    with open_log(tmp_path / "log.sqlite") as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0, lift_deg=20.0)
        yield opened


def error_of(night):
    return night.reading.beat_error_ms.nominal_value


# What is known


def test_a_new_reading_is_compared_with_what_was_learnt_and_the_latest_three():
    rows = tuple(DatedMarks(at(day), marks(float(day))) for day in range(5))
    known = KnownSides(marks(99.0), rows)
    assert [one.beat_error_ms.nominal_value for one in known.marks()] == [99.0, 2.0, 3.0, 4.0]
    assert KnownSides().marks() == []
    assert KnownSides().match(Night(None)) is None


def test_the_beat_error_is_compared_with_the_nearest_reading_that_no_work_parts(monkeypatch, nights):
    """Readings on days 0, 4 and 8, work on day 5; asked of day 6: day 8 is nearest in kind, day 4 in time."""
    seen = {}
    monkeypatch.setattr(
        sides, "recognise", lambda known, new, moved: seen.update(last=known[-1], moved=moved) or SideMatch()
    )
    rows = tuple(DatedMarks(at(day), marks(float(day))) for day in (0, 4, 8))

    def asked(day, *works):
        KnownSides(None, rows, tuple(at(work) for work in works)).match(replace(nights[0], taken_at=at(day)))
        return seen["last"].beat_error_ms.nominal_value, seen["moved"]

    assert asked(6, 5) == (8.0, UNTOUCHED)
    assert asked(6) == (4.0, UNTOUCHED)  # as near in time: the earlier
    assert asked(7, 7.5, 5) == (8.0, TOUCHED)  # a work parts it from either: the nearer in time
    assert asked(5.5, 7.5, 5) == (4.0, TOUCHED)
    assert asked(9, 8.5) == (8.0, TOUCHED)
    assert asked(4, 4) == (4.0, UNTOUCHED)  # a work at the very moment of the reading is before it
    assert asked(2, 4, 0) == (
        0.0,
        UNTOUCHED,
    )  # work on day 0 was before that reading; on day 4 before that one


def test_without_a_reading_the_works_alone_tell_whether_it_was_moved():
    assert KnownSides(marks(1.0))._nearest(START) == (None, UNTOUCHED)
    assert KnownSides(marks(1.0), (), (START,))._nearest(START) == (None, TOUCHED)


def test_a_night_comes_back_in_the_clock_s_letters_and_its_doubt_is_told(nights):
    first, second, third = nights
    known = KnownSides(names=("towards the window", "towards the door")).with_night(first).with_night(second)
    own, match = known.own(with_sides_swapped(third))
    assert (match.exchanged, match.sure) == (True, True)
    assert error_of(own) == pytest.approx(error_of(third))
    assert (own.reading.sides.a, own.reading.sides.b) == ("towards the window", "towards the door")
    assert own.reading.sides.probability == match.probability
    assert all(remark.code != "sides-unsure" for remark in own.reading.remarks)
    mute = replace(
        third,
        reading=replace(third.reading, events=type(third.reading.events)([], [], [], []), beat_error_ms=None),
    )
    unsure, match = known.own(mute)
    assert match.probability == pytest.approx(0.5)
    (said,) = [remark for remark in unsure.reading.remarks if remark.code == "sides-unsure"]
    assert "it may as well be the other way round" in said
    assert len(known.own(unsure)[0].reading.remarks) == len(unsure.reading.remarks)  # said once


@pytest.mark.parametrize(
    ("probability", "said"), [(0.64, "it may as well be"), (0.66, "right is 66 %"), (0.9, "right is 90 %")]
)
def test_a_doubt_is_given_as_a_chance(probability, said):
    assert said in sides._doubt(SideMatch(probability))


def test_a_night_that_is_kept_is_the_reference_only_where_there_was_none(nights):
    known = KnownSides().with_night(nights[1]).with_night(nights[0])
    assert known.reference.beat_error_ms.nominal_value == error_of(nights[1])
    assert [one.taken_at for one in known.readings] == [at(0), at(1)]  # in order of time


def test_a_row_of_nights_takes_the_letters_of_its_first(nights):
    mixed = [nights[0], with_sides_swapped(nights[1]), nights[2]]
    assert [error_of(night) for night in own_letters(KnownSides(), mixed)] == pytest.approx(
        [error_of(night) for night in nights]
    )


# Live


def test_while_followed_live_beats_are_exchanged_only_where_that_is_sure(monkeypatch, nights):
    from torsionbeat.live.follower import FollowedBeat

    beat = FollowedBeat(*([7] + [0.0] * (len(FollowedBeat.__dataclass_fields__) - 1)))
    known = KnownSides(marks(1.0), names=("there", "back"))
    for match, number, names in (
        (SideMatch(0.999, True), 8, ("there", "back")),
        (SideMatch(0.999, False), 7, ("there", "back")),
        (SideMatch(0.6, True), 7, ("", "")),
    ):
        told = {}
        monkeypatch.setattr(
            sides,
            "recognise",
            lambda known, new, moved, match=match, told=told: told.update(moved=moved) or match,
        )
        live = LiveSides(known)
        (own,) = live.beats([beat], ("voice",))
        assert (own.number, live.names) == (number, names)
        assert told["moved"] == 1.0  # the beat error is being set: it says nothing
    assert LiveSides(None).names == ("", "")


# What is kept


def test_the_first_reading_kept_gives_the_letters_and_the_next_are_put_into_them(log, nights):
    def keep(night):
        lettered = in_own_letters(log, "Lamp", night.reading, night.taken_at)
        log.add_reading("Lamp", lettered.document, taken_at=night.taken_at, sides=lettered.sides)
        lettered.settle(log, "Lamp")
        return lettered

    first = keep(nights[0])
    assert (first.gives_letters, first.sides["probability"], first.sides["exchanged"]) == (True, 1.0, False)
    assert log.clock("Lamp").sides["learnt"] is None
    second = keep(with_sides_swapped(nights[1]))
    assert (second.gives_letters, second.sides["exchanged"]) == (False, True)
    assert second.document["beat_error_ms"]["value"] == pytest.approx(error_of(nights[1]))
    assert log.clock("Lamp").sides["beat_error_ms"]["value"] == pytest.approx(error_of(nights[0]))
    known = known_sides(log, "Lamp")
    assert [one.taken_at for one in known.readings] == [at(0), at(1)]
    assert known.reference.beat_error_ms.nominal_value == pytest.approx(error_of(nights[0]))
    night = kept_night(log.clock("Lamp"), log.readings("Lamp")[1])
    assert night.reading.sides.probability == pytest.approx(second.sides["probability"])
    assert night.taken_at == at(1)


def test_of_a_document_only_what_hangs_on_the_letters_is_changed(log, nights):
    lettered = in_own_letters(log, "Lamp", nights[0].reading, at(0))
    log.add_reading("Lamp", lettered.document, taken_at=at(0), sides=lettered.sides)
    lettered.settle(log, "Lamp")
    given = reading_document(with_sides_swapped(nights[1]).reading) | {"shop": "mine", "arc_deg": None}
    found = in_own_letters(log, "Lamp", given, at(1)).document
    assert (found["shop"], found["arc_deg"]) == ("mine", None)
    assert found["beat_error_ms"]["value"] == pytest.approx(-given["beat_error_ms"]["value"])
    assert found["period_s"] == given["period_s"]
    same = reading_document(nights[2].reading)
    kept = in_own_letters(log, "Lamp", same, at(2)).document
    assert kept["beat_error_ms"] == same["beat_error_ms"]
    bare = {"schema": 1, "rate_s_per_day": {"value": 1.0, "standard_uncertainty": 1.0}, "swings": "torn"}
    assert in_own_letters(log, "Lamp", bare, at(3)).sides is None


def test_only_works_that_move_the_beat_count(log):
    for day, kind in enumerate(("weights", "regulator", "beat", "spring", "cleaning", "level", "other")):
        log.add_work("Lamp", kind, "done", done_at=at(day))
    assert known_sides(log, "Lamp").works == tuple(at(day) for day in (2, 3, 4, 5, 6))


def test_names_are_told_only_once_they_were_learnt(log, nights):
    log.change_clock("Lamp", side_a_name="towards the wall", side_b_name="away from the wall")
    assert side_names(log.clock("Lamp")) == ("", "")  # typed, and nobody saw which is which
    names = keep_sides(log, "Lamp", nights[0], None, "b", " the window ", "door")
    assert names == ("towards door", "towards the window")
    assert side_names(log.clock("Lamp")) == names
    assert keep_sides(log, "Lamp", nights[0], None, "a", "towards the window") == (
        "towards the window",
        "away from the window",
    )
    assert keep_sides(log, "Lamp", nights[0], None, "a", "window", "away from it")[1] == "away from it"
    learnt = log.clock("Lamp").sides
    assert (learnt["learnt"]["side"], learnt["learnt"]["towards"]) == ("a", "towards window")
    with pytest.raises(InputError, match="say which way"):
        LearnSidesRequest("Lamp", None, 1.0, "  ")


def test_what_was_kept_before_the_sides_were_learnt_is_as_sure_as_both_together(log, nights):
    """Right by both, or wrong by both: 0.9 and 0.8 make 0.74."""
    plain = in_own_letters(log, "Lamp", nights[0].reading, at(0))
    row = log.add_reading("Lamp", plain.document, taken_at=at(0), sides=plain.sides | {"probability": 0.9})
    assert own_sides(log.clock("Lamp"), row) is None
    keep_sides(log, "Lamp", nights[0], SideMatch(0.8), "a", "the window")
    assert own_sides(log.clock("Lamp"), row).probability == pytest.approx(0.9 * 0.8 + 0.1 * 0.2)
    later = log.add_reading("Lamp", plain.document, taken_at=at(0), sides=plain.sides | {"probability": 0.9})
    assert own_sides(log.clock("Lamp"), later).probability == 0.9
    named = own_sides(log.clock("Lamp"), later)
    assert (named.a, named.b) == ("towards the window", "away from the window")


def test_the_beat_that_was_seen_is_the_nearest_and_not_near_a_turning_point(nights):
    reading = nights[0].reading
    times, period_s = reading.swings.time_s, reading.period_s.nominal_value
    assert sides._seen_beat(reading, float(times[5]) + 0.19 * period_s) == 5
    assert sides._seen_beat(reading, float(times[5]) - 0.19 * period_s) == 5
    for apart in (0.21, -0.21):
        with pytest.raises(InputError, match=f"the nearest beat is at {times[5]:.1f} s"):
            sides._seen_beat(reading, float(times[5]) + apart * period_s)
    for outside in (-1.0, reading.recording.duration_s + 1):
        with pytest.raises(InputError, match="give one within it"):
            sides._seen_beat(reading, outside)
    assert np.isfinite(times).all()
