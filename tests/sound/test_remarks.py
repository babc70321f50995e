"""Sentences on lost and odd sound: the first few one by one, the rest in all, each with its code."""

from __future__ import annotations

import pickle

from torsionbeat.sound.remarks import (
    Remark,
    as_remark,
    clock_remarks,
    gap_remarks,
    remark_codes,
    timebase_remarks,
)
from torsionbeat.sound.timebase import Timebase


def test_a_remark_is_its_sentence_and_keeps_its_code():
    remark = Remark("gap", "Nothing was heard.")
    assert remark == "Nothing was heard."
    copied = pickle.loads(pickle.dumps(remark))
    assert (copied, copied.code) == (remark, "gap")
    assert as_remark(remark, "other") is remark
    assert as_remark("old", "other").code == "other"
    assert remark_codes([remark, "old"]) == ["gap", "unnamed"]


def test_five_gaps_are_told_one_by_one_and_the_rest_in_all():
    gaps = [(48_000 * k, 48_000 * k + 12_000, "why") for k in range(1, 8)]
    told = gap_remarks(gaps, 48_000)
    assert remark_codes(told) == ["gap"] * 5 + ["more-gaps"]
    assert told[4] == "Nothing was heard for 0.25 s at 5.0 s: why."
    assert told[5] == "2 more gaps come to 0.50 s."
    assert len(gap_remarks(gaps[:5], 48_000)) == 5
    assert [str(one) for one in gap_remarks(gaps[:2], 24_000, most=1)] == [
        "Nothing was heard for 0.50 s at 2.0 s: why.",
        "1 more gaps come to 0.50 s.",
    ]


def host(offset_ppm, silent=()):
    return Timebase("host clock", offset_ppm, 1.0, True, silent=silent)


def test_sound_that_was_lost_without_a_word_is_told_with_its_place():
    silent = tuple((48_000 * k, 0.1 * k) for k in range(1, 8))
    told = timebase_remarks(host(0.0, silent), 48_000)
    assert remark_codes(told) == ["lost-without-a-word"]
    assert "0.100 s at 1.0 s, 0.200 s at 2.0 s" in told[0]
    assert "0.500 s at 5.0 s and 2 times more. It" in told[0]
    assert "times more" not in timebase_remarks(host(0.0, silent[:5]), 48_000)[0]


def test_a_pace_off_by_more_than_a_thousandth_is_no_crystal():
    assert timebase_remarks(host(1000.0), 48_000) == []
    assert timebase_remarks(host(-1000.0), 48_000) == []
    (told,) = timebase_remarks(host(-2000.0), 48_000)
    assert told.code == "pace-not-as-stated"
    assert (
        "delivers 47904 frames in a second of the computer's clock and says 48000" in told
    )  # 48 000 less 2 in 1000
    assert timebase_remarks(Timebase("stated", 2000.0, 1.0), 48_000) == []  # nobody counted


def test_frames_handed_over_twice_are_told_in_seconds():
    (told,) = timebase_remarks(host(0.0), 48_000, doubled_frames=12_000)
    assert (told.code, told[:7]) == ("handed-over-twice", "0.25 s ")


def test_steps_of_the_clock_of_day_are_one_sentence():
    assert clock_remarks([]) == []
    (told,) = clock_remarks([1.0, -2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    assert told.code == "clock-set"
    assert "(+1.00 s, -2.00 s, +3.00 s, +4.00 s, +5.00 s and 2 times more)" in told
    assert "more" not in clock_remarks([1.0] * 5)[0]
