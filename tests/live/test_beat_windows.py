"""Keeping only what lies around the beats: which frames the keeper is told, and when."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from torsionbeat.live.beat_windows import AROUND_S, UNHEARD_CONTACT, BeatKeeping

RATE_HZ = 1000.0
AROUND = int(AROUND_S * RATE_HZ)


class Told:
    """A keeper that remembers what it was told to keep."""

    sample_rate_hz = RATE_HZ

    def __init__(self):
        self.stretches = []

    def keep(self, start, stop):
        self.stretches.append((start, stop))


class Sounds(SimpleNamespace):
    def __len__(self):
        return len(self.beat)


def heard(beats=12, *, period=6000, first=1000, contact=200, sides=(0, 1), late=0, certain=True, stacked=()):
    """Beats of a clock of 6 s: side a at ``first`` + n periods, side b half a period and ``late`` after it."""
    rows = []
    for beat in range(beats):
        if beat % 2 not in sides:
            continue
        drop = first + beat * period // 2 + (late if beat % 2 else 0)
        rows.append((beat, "drop", drop))
        if contact:
            rows.append((beat, "contact", drop - contact))
    rows = [(beat, kind, sample, certain) for beat, kind, sample in rows]
    beat, kind, sample, sure = zip(*rows, strict=True) if rows else ((), (), (), ())
    return SimpleNamespace(
        period_samples=float(period),
        stacked_passages=[SimpleNamespace(passage_samples=float(one)) for one in stacked],
        sounds=Sounds(
            beat=np.array(beat, int),
            kind=np.array(kind, dtype="U7"),
            sample=np.array(sample, float),
            certain=np.array(sure, bool),
        ),
    )


def stretches(*pairs):
    """Stretches as they are told: fractions of a sample are rounded outwards, so one more may be kept."""
    return [(pytest.approx(start, abs=1), pytest.approx(stop, abs=1)) for start, stop in pairs]


@pytest.fixture
def told():
    return Told()


@pytest.fixture
def keeping(told):
    return BeatKeeping(told)


def test_all_sound_is_kept_a_minute_late_while_no_clock_is_known(keeping, told):
    for second in range(1, 65):
        keeping.heard_to(int(second * RATE_HZ))
    # 62 s is the first moment at which more than a second is older than a minute
    assert told.stretches[0] == (0, 2000)
    assert [start for start, _ in told.stretches[1:]] == [stop for _, stop in told.stretches[:-1]]
    keeping.finish()
    assert told.stretches[-1][1] == 64_000
    assert sum(stop - start for start, stop in told.stretches) == 64_000


def test_around_a_beat_lies_from_before_its_contact_to_after_its_drop(keeping, told):
    keeping.found(heard(late=80))
    keeping.heard_to(12_000)
    drops = [1000, 4080, 7000, 10_080]
    assert told.stretches == stretches(*((drop - 200 - AROUND, drop + AROUND) for drop in drops))


def test_a_beat_is_kept_once_its_end_has_come(keeping, told):
    keeping.found(heard())
    keeping.heard_to(1000 + AROUND - 2)
    assert told.stretches == []
    keeping.heard_to(1000 + AROUND + 2)
    assert told.stretches == stretches((400, 1400))
    keeping.heard_to(1000 + AROUND + 2)
    assert len(told.stretches) == 1


def test_the_longest_passage_counts_and_one_of_the_stack_too(keeping, told):
    keeping.found(heard(contact=150, stacked=(300.0,)))
    keeping.heard_to(2000)
    assert told.stretches == stretches((1000 - 300 - AROUND, 1400))


def test_a_contact_that_was_never_heard_is_kept_all_the_same(keeping, told):
    keeping.found(heard(contact=0))
    keeping.heard_to(2000)
    assert told.stretches == stretches((1000 - int(UNHEARD_CONTACT * 6000) - AROUND, 1400))


def test_one_side_alone_is_kept_every_period(keeping, told):
    keeping.found(heard(beats=12, sides=(0,)))
    keeping.heard_to(14_000)
    assert [stop for _, stop in told.stretches] == pytest.approx([1400, 7400, 13_400], abs=1)


@pytest.mark.parametrize(
    "none",
    [heard(beats=6), heard(certain=False), SimpleNamespace(period_samples=None, sounds=Sounds(beat=[]))],
)
def test_too_little_leaves_what_was_known_before(keeping, told, none):
    """Six beats are three drops of a side; four are needed."""
    keeping.found(none)
    keeping.heard_to(10_000)
    assert told.stretches == []
    keeping.found(heard())
    keeping.found(none)
    keeping.heard_to(1402)
    assert told.stretches == stretches((400, 1400))


def test_the_last_beats_say_where_the_next_ones_fall(keeping, told):
    """A clock that has run on: its 21 last drops of a side are of 6 s, those before of 6.06 s."""
    rows = heard(beats=100)
    old = rows.sounds.beat < 58
    rows.sounds.sample[old] -= 0.01 * 3000 * (58 - rows.sounds.beat[old])
    keeping.found(rows)
    keeping.heard_to(int(rows.sounds.sample.max()) + 60_000)
    last = rows.sounds.sample[rows.sounds.kind == "drop"].max()
    assert told.stretches[-1][1] == pytest.approx(last + 57_000 + AROUND, abs=2)


def test_nothing_is_kept_twice(keeping, told):
    """Sides that beat one close upon the other: the second stretch begins where the first ends."""
    keeping.found(heard(late=-2600))
    keeping.heard_to(30_000)
    for (_, stop), (start, _) in zip(told.stretches[:-1], told.stretches[1:], strict=True):
        assert start >= stop
    keeping.finish()  # a clock that is known: what lies between its beats is let go
    assert told.stretches[-1][1] <= 30_000


def test_a_clock_first_known_at_the_end_has_its_last_beats_kept(keeping, told):
    """The figures of the whole night may be the first that are sure: a minute of beats is then still in memory."""
    for second in range(1, 121):
        keeping.heard_to(int(second * RATE_HZ))
    before = len(told.stretches)
    keeping.found(heard(beats=40))
    keeping.finish()
    late = [(start, stop) for start, stop in told.stretches[before:] if stop - start > 1]
    assert late[0][0] >= 60_000 - 1000
    # drops at 61, 64, ... 118 s; each from 0.4 s before its contact, 0.2 s ahead of it
    drops = range(61_000, 120_000, 3000)
    assert late == stretches(*((drop - 200 - AROUND, drop + AROUND) for drop in drops))


def test_a_beat_that_the_end_cuts_is_kept_as_far_as_it_was_heard(keeping, told):
    keeping.found(heard(beats=8))
    keeping.heard_to(25_100)  # the drop at 25 s was heard, but not all that follows it
    assert told.stretches[-1] == stretches((22_000 - 200 - AROUND, 22_000 + AROUND))[0]
    keeping.finish()
    assert told.stretches[-1] == stretches((25_000 - 200 - AROUND, 25_100))[0]
