"""The commands that adjust: correct, spring and freeswing, by hand, from files and out of the bench log."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError

TURNS = (
    "--regulator-low",
    "-5",
    "--regulator-high",
    "5",
    "--regulator-effect",
    "20",
    "--regulator-unit",
    "turns",
)


def test_the_story_of_a_clock_in_the_log(bench, tmp_path, document):
    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    per_gram = 0.0030
    bench(
        "clock", "add", "Lamp", "--period", "60", "--weight-total", "20", *TURNS, "--regulator-setting", "0"
    )
    weight = setting = 0.0

    def read(day):
        square = (1 + per_gram * weight) * (1 - 2 * 25 * setting / 86400) / (1 + 930 / 86400) ** 2
        with open_log() as log:
            log.add_reading("Lamp", document(86400 * (square**-0.5 - 1)), taken_at=day)
        return 86400 * (square**-0.5 - 1)

    read(start)
    rates = []
    for day in range(5):
        evening = start + timedelta(days=day)
        done = ("--keep", "--when", (evening + timedelta(hours=12)).isoformat())
        advice = bench("correct", "--clock", "Lamp", "--weights", "0.05,0.1,0.2,0.5,1,2", *done, "--json")
        weight += advice["weights"]["total_g"] if advice["weights"] else 0
        setting += advice["regulator_move"]
        if advice["kept"]:
            with pytest.raises(InputError, match="was worked on after its last reading"):
                bench("correct", "--clock", "Lamp")
            shown = bench("clock", "show", "LAMP")  # its capitals do not matter
            assert "No advice yet: 'Lamp' was worked on after its last reading" in shown
            assert shown.endswith("let it settle and read it again.")
        rates.append(read(evening + timedelta(days=1)))
    # Twice the weights' doubt is a few seconds a day; then the regulator, said to gain 20 and gaining 25, is tried.
    assert abs(rates[1]) < 5
    assert abs(rates[3]) < 1
    bench("correct", "--clock", "Lamp", "--keep", "--json")
    with open_log() as log:
        trials, works = log.trials("Lamp"), log.works("Lamp")
        record, readings = log.clock("Lamp"), log.readings("Lamp")
    assert len(trials) == len([work for work in works if "expected_rate_s_per_day" in work.details])
    assert len(trials) >= 2
    assert record.weight_total_g == pytest.approx(20 + weight)
    assert record.regulator_setting == pytest.approx(setting)
    # Every expectation held: its trial says what had been expected, the reading what came.
    for trial in trials:
        came = next(one for one in readings if one.id == trial.reading_id).rate_s_per_day
        assert abs(trial.expected_rate_s_per_day - came) < 3 * trial.u_expected_rate_s_per_day


def test_works_typed_by_hand_are_trials_too(bench, document):
    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    bench("clock", "add", "Shelf", "--period", "60")
    with open_log() as log:
        log.add_reading("Shelf", document(900.0), taken_at=start)
        log.add_work("Shelf", "weights", "3 g a side", {"added_g": 6.0}, done_at=start + timedelta(hours=2))
        log.add_reading("Shelf", document(0.0), taken_at=start + timedelta(days=1))
        log.add_work("Shelf", "spring", "new strip", done_at=start + timedelta(days=2))
        log.add_reading("Shelf", document(1020.0), taken_at=start + timedelta(days=3))
    result = bench("correct", "--clock", "Shelf", "--json")
    assert result["readings"] == 3
    assert result["exact_grams_a_side"]["value"] == pytest.approx(3.47, abs=0.03)
    assert result["exact_grams_a_side"]["standard_uncertainty"] < 0.1
    # A rate given by hand stands for the clock after all that was done.
    with open_log() as log:
        log.add_work("Shelf", "weights", "3.4 g a side", {"added_g": 6.8}, done_at=start + timedelta(days=4))
    by_hand = bench("correct", "--clock", "Shelf", "--rate", "20", "--json")
    assert by_hand["readings"] == 4
    assert by_hand["exact_grams_a_side"]["value"] == pytest.approx(0.07, abs=0.01)


def test_work_without_its_grams_teaches_nothing_and_does_no_harm(bench, document):
    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    bench("clock", "add", "Shelf", "--period", "60")
    with open_log() as log:
        log.add_reading("Shelf", document(900.0), taken_at=start)
        log.add_work("Shelf", "weights", "some washers", done_at=start + timedelta(hours=2))
        log.add_work("Shelf", "cleaning", "pivots", done_at=start + timedelta(hours=3))
        log.add_work("Shelf", "regulator", "a bit", done_at=start + timedelta(hours=4))
        log.add_reading("Shelf", document(-700.0), taken_at=start + timedelta(days=1))
    result = bench("correct", "--clock", "Shelf", "--json")
    assert result["rate_s_per_day"]["value"] == pytest.approx(-700, abs=0.1)
    assert result["s_per_day_per_gram"]["value"] == pytest.approx(-150, rel=0.05)
    assert not any("does not fit" in remark for remark in result["remarks"])


def test_a_room_joined_to_a_night(bench, tmp_path, document):
    hours = np.arange(0, 25.0)
    at = np.arange(0, 86_400, 7.5)
    rate = -13.7 * 2 * np.sin(2 * np.pi * at / 86_400)
    times = at - np.cumsum(rate) * 7.5 / 86_400
    swings = [
        {"time_s": float(time), "side": "ab"[i % 2], "period_s": 15.0, "arc_deg": 280.0}
        for i, time in enumerate(times)
    ]
    (tmp_path / "night.json").write_text(
        json.dumps(document(0.0, period=15.0, swings=swings)), encoding="utf-8"
    )
    rows = [
        f"2026-03-{1 + int(20 + h) // 24:02d} "
        f"{int(20 + h) % 24:02d}:00,{20 + 2 * np.sin(2 * np.pi * h / 24):.3f}"
        for h in hours
    ]
    (tmp_path / "room.csv").write_text("time,temp_c\n" + "\n".join(rows) + "\n", encoding="utf-8")
    given = ("--reading", str(tmp_path / "night.json"), "--room", str(tmp_path / "room.csv"))
    said = bench("correct", *given, "--began", "2026-03-01 20:00")
    assert "Warmed by one kelvin it loses 13." in said
    with pytest.raises(InputError, match="say when the recording began with --began"):
        bench("correct", *given)


def test_help_stays_quick():
    heavy = "numpy", "scipy", "sqlalchemy", "uncertainties", "rich.table"
    code = (
        "import sys; import torsionbeat.cli.correct, torsionbeat.cli.by_hand; "
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_a_recording_in_place_of_a_free_swing_is_told_the_way(bench):
    with pytest.raises(
        InputError, match=r"'swing\.flac' is a file, .* torsionbeat analyse swing\.flac --events"
    ):
        bench("freeswing", "swing.flac", "--period", "60")


def test_only_what_is_changed_is_supposed(bench):
    assert "a gram more" not in bench("correct", "--rate", "+12", *TURNS, "--no-weights")
    assert "a unit of the regulator gains 20" in bench("correct", "--rate", "+12", *TURNS, "--no-weights")
    assert "unit of the regulator" not in bench("correct", "--rate", "+720", "--weights", "0.5,1,2")


def test_the_history_says_the_law_of_a_free_swing_and_the_regulator_s_own_unit(bench):
    bench("clock", "add", "Lamp", "--period", "60", "--regulator-unit", "turns", "--regulator-low", "-5")
    bench("freeswing", "0 400", "10 352", "20 310", "30 273", "40 240", "50 211", "--clock", "Lamp")
    shown = bench("clock", "show", "Lamp")
    assert "Q 246, damped by air drag" in shown
    assert "-5 turns" in shown
