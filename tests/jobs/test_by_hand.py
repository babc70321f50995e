"""The jobs by hand: the arc from two offsets, free swing, hand check, strip; figures by closed forms and by the twin."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.by_hand import HandCheckRequest, Sighting, TwoOffsetsRequest, hand_check, two_offsets
from torsionbeat.jobs.compare import Days
from torsionbeat.jobs.strip import StripRequest, strip
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Clock
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock


@pytest.fixture
def drops_kept(twin_readings, tmp_path):
    """Give what keeps the reading of a 15 s clock of which only the drop is heard, at an offset."""

    def keep(name, offset_deg, arc_deg=284.0):
        twin = TwinClock(
            balance=Balance(15.0),
            escapement=Escapement(lift_deg=14.0, offset_deg=offset_deg),
            drive=Drive(arc_deg=arc_deg),
            sounds=("drop",),
        )
        beats, _ = twin.run(1200, seed=4)
        reading = twin_readings.reading_of_beats(beats, Clock("", 15.0), duration_s=1200, seed=1)
        path = tmp_path / name
        path.write_text(json.dumps(reading_document(reading)))
        return path

    return keep


@pytest.mark.parametrize(("first", "second"), [(1.0, 6.0), (-3.0, 4.0), (6.0, 2.0)])
def test_two_offsets_give_the_twin_s_arc(drops_kept, first, second):
    before, after = drops_kept("before.json", first), drops_kept("after.json", second)
    turned = abs(second - first)
    result = two_offsets(TwoOffsetsRequest(before, after, turned, 0.05, swap_sides=False))
    # the drop lies half a lift behind the middle, which the unknown lift makes read low by (14/284)^2 / 2 = 0.1 %
    assert abs(result.arc_deg.nominal_value - 284.0) < 2 * result.arc_deg.std_dev + 0.5
    assert result.arc_deg.std_dev > 0.0
    assert [remark.code for remark in result.remarks] == ["lift-not-known"]


def test_where_the_sides_are_not_told_both_arcs_are_stated(drops_kept):
    before, after = drops_kept("before.json", -3.0), drops_kept("after.json", 4.0)
    for path in (before, after):  # without sounds nothing tells the sides apart
        document = json.loads(path.read_text())
        for row in document["swings"]:
            row |= {"contact_db": None, "drop_db": None}
        path.write_text(json.dumps(document))
    result = two_offsets(TwoOffsetsRequest(before, after, 7.0, 0.05))
    assert result.arc_if_exchanged_deg is not None
    assert "sides-untold" in [remark.code for remark in result.remarks]
    swapped = two_offsets(TwoOffsetsRequest(before, after, 7.0, 0.05, swap_sides=True))
    assert swapped.arc_deg.nominal_value == pytest.approx(result.arc_if_exchanged_deg.nominal_value)


def test_a_fork_on_the_strip_takes_its_share(drops_kept):
    before, after = drops_kept("before.json", 1.0), drops_kept("after.json", 6.0)
    whole = two_offsets(TwoOffsetsRequest(before, after, 5.0, swap_sides=False)).arc_deg
    share = two_offsets(
        TwoOffsetsRequest(before, after, 4.0, 0.4, share_above_fork=0.8, swap_sides=False)
    ).arc_deg
    assert share.nominal_value == pytest.approx(whole.nominal_value)


@pytest.mark.parametrize(
    ("turned", "more", "says"),
    [
        (0.0, {}, "turn of the beat setting is 0 deg"),
        (5.0, {"within_deg": 9.0}, "error of the turn is 9 deg"),
        (5.0, {"share_above_fork": 2.0}, "share of the strip above the fork is 2"),
    ],
)
def test_turns_that_cannot_be(tmp_path, turned, more, says):
    with pytest.raises(InputError, match=says):
        TwoOffsetsRequest(tmp_path, tmp_path, turned, **more)


def test_a_setting_that_was_not_moved_gives_no_arc(drops_kept):
    same = drops_kept("same.json", 1.0)
    with pytest.raises(InputError, match="too near each other"):
        two_offsets(TwoOffsetsRequest(same, same, 5.0))


def test_what_is_no_night_of_a_folder_is_told_here_too(drops_kept, tmp_path):
    before, after = drops_kept("before.json", 1.0), drops_kept("after.json", 6.0)
    folder = tmp_path / "folder"
    folder.mkdir()
    before.rename(folder / before.name)
    (folder / "notes.txt").write_text("turned by hand")
    result = two_offsets(TwoOffsetsRequest(folder, after, 5.0, swap_sides=False))
    assert "files-left-out" in [remark.code for remark in result.remarks]


def test_days_need_a_clock():
    now = datetime(2026, 3, 1, tzinfo=UTC)
    with pytest.raises(InputError, match="dates were given without --clock"):
        two_offsets(TwoOffsetsRequest(Days(now, now), Days(now, now), 5.0))


def test_eighteen_seconds_in_a_week(tmp_path):
    """18/7 s a day, kept with the clock, and no reading to hold it against yet."""
    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    seen = Sighting(0.0, 1.0, start), Sighting(18.0, 1.0, start + timedelta(days=7))
    result = hand_check(HandCheckRequest(seen, "Lamp", log))
    assert result.check.rate_s_per_day.nominal_value == pytest.approx(18 / 7)
    assert result.last is None
    assert result.kept_for == "Lamp"
    with open_log(log) as opened:
        (kept,) = opened.handchecks("Lamp")
    assert kept.rate_s_per_day == pytest.approx(18 / 7)
    with pytest.raises(InputError, match="give all of them one way"):
        hand_check(HandCheckRequest((seen[0], Sighting(18.0, 1.0, elapsed_h=168.0))))


def test_a_strip_that_brings_to_time_does_so():
    """The strip that is advised, put in the place of the other, keeps time."""
    request = StripRequest(101.6, 0.5, 100.0, 300.0, rate_s_per_day=720.0)
    asked = strip(request)
    (thickness, length, width) = asked.to_time
    for thicker in (1e3 * thickness.change_mm.nominal_value,):
        new = strip(StripRequest(101.6, 0.5, 100.0, 300.0, rate_s_per_day=720.0, thicker_um=thicker))
        assert new.rate_after_s_per_day.nominal_value == pytest.approx(0, abs=0.5)
    longer = strip(
        StripRequest(101.6, 0.5, 100.0, 300.0, rate_s_per_day=720.0, longer_mm=length.change_mm.nominal_value)
    )
    assert longer.rate_after_s_per_day.nominal_value == pytest.approx(0, abs=0.5)
    assert width.size_mm < 0.5
    assert set(asked.document()["to_time"]) == {"thickness_mm", "active_length_mm", "width_mm"}


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"rate_s_per_day": 1e6}, "rate is 1e"),
        ({"rooms_c": (25.0, 15.0)}, "--cold must be the lower"),
        ({"load_g": math.nan}, "load"),
        ({"width_mm": math.inf}, "width"),
    ],
)
def test_strips_that_cannot_be(more, says):
    given = {"thickness_um": 100.0, "width_mm": 0.5, "length_mm": 100.0, "load_g": 300.0} | more
    with pytest.raises(InputError, match=says):
        strip(StripRequest(**given))


def test_a_clock_s_own_period_is_known():
    assert KnownClock(nominal_period_s=15.0).clock().nominal_period_s == 15.0
