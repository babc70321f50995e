"""The judgement in words: what it says where nights help, and where only another timebase would."""

from __future__ import annotations

import re

import pytest

from torsionbeat.display.judgement import judgement_sentences
from torsionbeat.jobs.advise import AdviseRequest, advise


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
