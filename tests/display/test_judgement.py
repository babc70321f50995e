"""The judgement in words: what it says where nights help, and where only another timebase would."""

from __future__ import annotations

import math
import re

import pytest
from uncertainties import ufloat

from torsionbeat.display.judgement import judgement_sentences
from torsionbeat.jobs.advise import AdviseRequest, KnownOfClock, advise
from torsionbeat.regulation.stock import Disc, Piece, Stock


def document(timebase, tolerance_ppm):
    u_rate = 0.0864 * tolerance_ppm
    return {
        "schema": 1,
        "recording": {"name": "lamp.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
        "timebase": {"source": timebase, "offset_ppm": 0.0, "standard_uncertainty_ppm": tolerance_ppm},
        "clock": {"nominal_period_s": 60.0},
        "period_s": {"value": 60.0, "standard_uncertainty": 60 * u_rate / 86400},
        "rate_s_per_day": {"value": 0.0, "standard_uncertainty": (u_rate**2 + 0.05**2) ** 0.5},
        "beats": {"expected": 120, "heard": 120},
    }


@pytest.mark.parametrize(("timebase", "ppm", "helps"), [("unknown", 28.9, False), ("stated", 0.5, True)])
def test_a_night_is_asked_for_only_where_a_night_helps(timebase, ppm, helps):
    said = " ".join(judgement_sentences(advise(AdviseRequest(reading=document(timebase, ppm)))))
    assert "Change nothing yet" in said
    assert ("Listen for another night before changing anything" in said) is helps
    assert ("what limits it is the recorder, see below" in said) is not helps
    assert ("However long you listen, the recorder's crystal" in said) is not helps


def test_nights_that_hardly_differ_are_told_by_what_they_differ_at_most(tmp_path):
    from datetime import UTC, datetime, timedelta

    from torsionbeat.benchlog import open_log

    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
        for night in range(8):
            when = datetime(2026, 3, 1, 20, tzinfo=UTC) + timedelta(days=night)
            opened.add_reading("Lamp", document("host clock", 0.1), taken_at=when)
    said = " ".join(judgement_sentences(advise(AdviseRequest("Lamp", log=log))))
    # Eight nights to 0.05 s a day that agree: the smallest wander there is, and no more than a fifth of a second.
    found = re.search(
        r"from night to night it differs by (\d\.\d+) s a day at most \(standard deviation\)", said
    )
    assert found is not None
    assert float(found[1]) <= 0.2


@pytest.mark.parametrize(
    ("rates", "says"),
    [
        ((0.5, -0.4, 0.6), "its nights hardly say yet how far they differ"),
        ((0.5, -0.4, 0.6, -0.3), "sure: leave it alone"),
        ((2.0, -0.4), "it may be within 1 s a day already"),
        ((9.0, -12.0), "is not known well enough for a change to help"),
    ],
)
def test_nights_without_work_say_what_they_leave_open(tmp_path, rates, says):
    from datetime import UTC, datetime, timedelta

    from torsionbeat.benchlog import open_log

    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
        for night, rate in enumerate(rates):
            heard = document("host clock", 0.1)
            heard["rate_s_per_day"] = {"value": rate, "standard_uncertainty": 0.05}
            heard["period_s"] = {"value": 60 / (1 + rate / 86400), "standard_uncertainty": 3e-5}
            when = datetime(2026, 3, 1, 20, tzinfo=UTC) + timedelta(days=night)
            opened.add_reading("Lamp", heard, taken_at=when)
    said = " ".join(judgement_sentences(advise(AdviseRequest("Lamp", log=log, tolerance_s_per_day=1.0))))
    assert says in said


def said_of(rate, stock=None, **known):
    request = AdviseRequest(
        rate_s_per_day=ufloat(rate, 0.2), earlier=(3, -900), known=KnownOfClock(**known), stock=stock
    )
    return " ".join(judgement_sentences(advise(request)))


def test_a_disc_to_order_is_as_thick_as_its_mass_is():
    said = said_of(120.0, Stock(disc=Disc(diameter_mm=12, bore_mm=3, density_kg_per_m3=8500)))
    put, thick = map(float, re.search(r"Put ([\d.]+) g on each .* a disc ([\d.]+) mm thick", said).groups())
    area_mm2 = math.pi / 4 * (12**2 - 3**2)
    assert thick == pytest.approx(
        1e3 * put / (8500e-3 * area_mm2), abs=0.02
    )  # both are rounded to a hundredth
    assert "a disc" not in said_of(120.0, Stock())
    at_hand = said_of(120.0, Stock((Piece(0.2), Piece(0.05))))
    assert re.search(r"in poise\): 2 of 0\.2 g\.", at_hand)


REGULATOR = {
    "regulator_unit": "turn",
    "regulator_low": -5.0,
    "regulator_high": 5.0,
    "regulator_s_per_day_per_unit": 20.0,
    "u_regulator_s_per_day_per_unit": 2.0,
}


def test_what_is_supposed_of_the_regulator_is_told_with_how_sure_it_is_held():
    said = said_of(30.0, **REGULATOR)
    # What is told of a regulator is wrong two times in ten (common practice, no source); +- is 1.96 times 2.
    assert (
        "This supposes that a unit of the regulator gains 20 ± 4 s a day, as was given of it, taken to be right 9 times in 10."
        in said
    )


def test_once_the_regulator_was_tried_its_answer_rests_on_the_readings(tmp_path):
    from datetime import UTC, datetime, timedelta

    from torsionbeat.benchlog import open_log

    log = str(tmp_path / "log.sqlite")
    begin = datetime(2026, 3, 1, 20, tzinfo=UTC)
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0, regulator_setting=0.0, **REGULATOR)
        for night, rate in enumerate((60.0, 40.0)):
            one = document("stated", 0.1)
            one["rate_s_per_day"]["value"] = rate
            opened.add_reading("Lamp", one, taken_at=begin + timedelta(days=night))
            if not night:
                moved = begin + timedelta(hours=14)
                opened.add_work("Lamp", "regulator", "one turn down", {"moved": -1.0}, done_at=moved)
    said = " ".join(judgement_sentences(advise(AdviseRequest("Lamp", log=log, stock=None))))
    assert re.search(
        r"a unit of the regulator gains \d+(\.\d)? ± \d+(\.\d)? s a day: what was given of it, and 2 readings",
        said,
    )
    assert "as was given of it, taken" not in said


def test_a_last_reading_that_does_not_fit_is_told_and_nothing_is_changed_by_it(tmp_path):
    from datetime import UTC, datetime, timedelta

    from torsionbeat.benchlog import open_log

    log = str(tmp_path / "log.sqlite")
    first = datetime(2026, 3, 1, 20, tzinfo=UTC)
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
        for night, rate in enumerate((640.0, 190.0, 40.0)):
            heard = document("host clock", 0.1)
            heard["rate_s_per_day"] = {"value": rate, "standard_uncertainty": 0.05}
            heard["period_s"] = {"value": 60 / (1 + rate / 86400), "standard_uncertainty": 3e-5}
            opened.add_reading("Lamp", heard, taken_at=first + timedelta(days=night))
        for night, grams in enumerate((4.3, 0.717)):  # the second is what was put on each side, not on all
            opened.add_work(
                "Lamp",
                "weights",
                "weights put on",
                details={"added_g": grams},
                done_at=first + timedelta(days=night, hours=12),
            )
    said = " ".join(judgement_sentences(advise(AdviseRequest("Lamp", log=log, tolerance_s_per_day=1.0))))
    assert "the last reading does not fit what was heard and noted before it" in said
    assert "Move the regulator" not in said
    assert "Put " not in said


def test_what_is_done_together_is_not_told_as_first_twice(tmp_path):
    from datetime import UTC, datetime, timedelta

    from torsionbeat.benchlog import open_log

    log = str(tmp_path / "log.sqlite")
    begin = datetime(2026, 3, 1, 20, tzinfo=UTC)
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0, regulator_setting=0.0, **REGULATOR)
        for night, rate in enumerate((800.0, 200.0)):
            heard = document("host clock", 0.1)
            heard["rate_s_per_day"] = {"value": rate, "standard_uncertainty": 0.05}
            heard["period_s"] = {"value": 60 / (1 + rate / 86400), "standard_uncertainty": 3e-5}
            opened.add_reading("Lamp", heard, taken_at=begin + timedelta(days=night))
        noon = begin + timedelta(hours=16)
        opened.add_work("Lamp", "weights", "weights put on", details={"added_g": 4.0}, done_at=noon)
    # A gram takes 150 s a day; two grams, one a side, take 100 too much, which the regulator gives back.
    advice = advise(AdviseRequest("Lamp", log=log, stock=Stock((Piece(1.0),), tolerance_percent=0.1)))
    assert [task.kind for task in advice.tasks] == ["change-weights", "move-regulator"]
    said = judgement_sentences(advice)
    assert sum(one.startswith("First: ") for one in said) == 1
    assert any(one.startswith("With it: Move the regulator up") for one in said)
