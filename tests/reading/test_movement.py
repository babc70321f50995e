"""What the beats tell of the movement is said in sentences with its figures; nothing is said of what was not searched."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.reading.figures import (
    Clock,
    Events,
    FlutterBeat,
    FlutterReport,
    Reading,
    RecordingInfo,
    Swings,
    WheelFault,
)
from torsionbeat.reading.movement import _wheel_remark, flutter_words, with_wheels
from torsionbeat.sound.timebase import Timebase


def fault(quantity, size, **other):
    given = {
        "every_beats": 30.0,
        "teeth": 15,
        "shape": "tooth",
        "where": ((4, "a"),),
        "quantity": quantity,
        "size": size,
        "false_alarm": 0.002,
        "wheel": "",
        **other,
    }
    return WheelFault(**given)


@pytest.mark.parametrize(
    ("quantity", "more", "less"),
    [
        (
            "drop_level_db",
            "the drop is 3.0 (give or take 1.0) dB louder than its neighbours",
            "dB softer than",
        ),
        (
            "contact_level_db",
            "the contact is 3.0 (give or take 1.0) dB louder than its neighbours",
            "dB softer than",
        ),
        ("lift_passage_percent", "the lift passage is 3.0 (give or take 1.0) % longer", "% shorter"),
        ("time_error_ms", "the beat comes 3.0 (give or take 1.0) ms late", "ms early"),
        ("arc_deg", "the arc grows by 3.00 (give or take 0.98) deg", "the arc falls by 3.00"),
    ],
)
def test_each_quantity_has_its_words_for_more_and_for_less(quantity, more, less):
    """0.5 is the standard uncertainty; 1.96 of it are given or taken."""
    said = _wheel_remark(fault(quantity, ufloat(3.0, 0.5)))
    assert said.code == "wheel-tooth"
    assert more in said
    assert less in _wheel_remark(fault(quantity, ufloat(-3.0, 0.5)))


def test_the_wheel_is_named_and_how_often_a_healthy_clock_shows_as_much():
    said = _wheel_remark(fault("time_error_ms", ufloat(3.0, 0.5), where=((4, "a"), (19, "b"))))
    assert said.startswith("Every 30 beats, one turn of an escape wheel of 15 teeth, the beat comes")
    assert "at beat 4 (side a) and beat 19 (side b) of the turn counted from beat 0" in said
    assert said.endswith("A healthy clock shows as much once in 500 recordings.")
    named = _wheel_remark(fault("time_error_ms", ufloat(3.0, 0.5), wheel="the second wheel"))
    assert named.startswith("Every 30 beats, the second wheel, the beat")
    unknown = _wheel_remark(fault("time_error_ms", ufloat(3.0, 0.5), teeth=None, false_alarm=9e-5))
    assert unknown.startswith("Every 30 beats, the beat")
    assert unknown.endswith("once in 10 000 recordings at most.")


def test_a_wave_is_of_a_wheel_out_of_true():
    said = _wheel_remark(fault("lift_passage_percent", ufloat(-2.0, 0.2), shape="sine", where=((3, "a"),)))
    assert said.code == "wheel-sine"
    assert "goes up and down by 2.0 (give or take 0.4) % like a wave" in said


def reading(beats):
    number = np.arange(beats)
    nothing = np.full(beats, np.nan)
    side = np.where(number % 2, "b", "a")
    return Reading(
        RecordingInfo("x", 150.0, 48_000.0, 1), Timebase("stated", 0.0, 0.1), Clock(), ufloat(15, 1e-3),
        None, None, None, None, None, beats,
        beats, Swings(number, number * 7.5, side, nothing, nothing, nothing), Events([], [], [], []),
    )  # fmt: skip


def test_too_few_beats_are_told_and_leave_the_wheels_unknown():
    found = with_wheels(reading(20))
    assert found.wheels is None
    assert [one.code for one in found.remarks] == ["wheels-not-searched"]
    assert "at least " in found.remarks[0]
    assert found.remarks[0].endswith("and 20 beats were heard.")


def test_drops_that_come_again_are_told_by_hour_and_by_the_hands():
    assert "cannot be said from so few beats" in flutter_words(None, 15.0)
    none = FlutterReport((), 400, 3, 3, 0.5)
    assert flutter_words(none, 15.0) == "No drop came again in any of 400 swings, beyond what noise explains."
    beats = (
        FlutterBeat(4, "a", 30.0, (0.2,)),
        FlutterBeat(9, "b", 67.0, (0.2, 0.5)),
        FlutterBeat(700, "a", 5250.0, (0.3,)),
    )
    said = flutter_words(FlutterReport(beats, 900, 6, 3, 1e-6), 15.0)
    assert (
        "In 3 of 900 swings the drop came again, 4 times in all (3 in hour 1, 1 in hour 2; noise passes for it in 2 swings)"
        in (said)
    )
    assert "The hands ran ahead by about 30 s for it" in said  # four times half of 15 s
