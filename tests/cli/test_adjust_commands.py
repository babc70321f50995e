"""The commands that adjust: correct, spring and freeswing, by hand, from files and out of the bench log."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from torsionbeat.benchlog import open_log
from torsionbeat.cli import by_hand, clock, correct, note
from torsionbeat.errors import InputError

app = typer.Typer()
app.add_typer(clock.app, name="clock")
app.command("note")(note.note_command)
app.command("correct")(correct.correct_command)
app.command("spring")(by_hand.spring_command)
app.command("freeswing")(by_hand.freeswing_command)

STRIP = ("--thickness", "100um", "--width", "0.5", "--length", "100", "--load", "300")
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


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """Give what runs a command on an empty log and gives its output, or raises its error."""
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setenv("COLUMNS", "200")

    def run(*arguments):
        result = CliRunner().invoke(app, list(arguments))
        if result.exception is not None:
            raise result.exception
        assert max(map(len, result.stdout.splitlines()), default=0) <= 80 or "--json" in arguments
        return json.loads(result.stdout) if "--json" in arguments else " ".join(result.stdout.split())

    return run


def document(rate, u_rate=0.2, *, period=60.0, source="host clock", swings=()):
    return {
        "schema": 1,
        "recording": {"name": "lamp.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
        "timebase": {"source": source, "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
        "clock": {"nominal_period_s": period, "lift_deg": 20.0},
        "period_s": {"value": period / (1 + rate / 86400), "standard_uncertainty": 1e-5},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": u_rate},
        "beat_error_ms": {"value": 30.0, "standard_uncertainty": 1.0},
        "arc_deg": {"value": 430.0, "standard_uncertainty": 1.0},
        "beats": {"expected": 120, "heard": 120},
        "swings": list(swings),
    }


def test_three_minutes_of_work_in_words(bench):
    said = bench("correct", "--rate", "+12min", "--period", "60", "--weights", "0.5,1,2", "--q", "490")
    assert said.startswith(
        "The clock gains 720.0 s a day, between 719.0 and 721.0. One night does not say how far"
    )
    assert "Lock or hold the balance" in said
    assert "(5 g in all, equal so that it stays in poise): 5 of 0.5 g." in said
    assert "(--weighed 0.01), 2 a side would do." in said
    weighed = ("--weights", "0.5,1,2", "--weighed", "0.01")
    said_of_weighed = bench("correct", "--rate", "+12min", "--period", "60", *weighed)
    assert "so that it stays in poise): 1 of 2 g, 1 of 0.5 g." in said_of_weighed
    assert "which may be out by a factor of two" in said
    assert "Let it settle for 5.1 h" in said
    assert "Put 2.5 g on each of the 2 sides" in said


def test_the_change_a_restorer_remembers(bench):
    # About 3 g a side for 15 min/day: 17 min/day asks for about 3.4 g a side (common practice, no source).
    result = bench("correct", "--rate", "+17min", "--earlier", "3:-15min", "--json")
    exact = result["exact_grams_a_side"]
    assert exact["value"] == pytest.approx(3.4, abs=0.1)
    assert abs(exact["value"] - 3.2) < 1.96 * exact["standard_uncertainty"]
    assert result["rests_on"] == "the change of weights you remember"


def test_the_regulator_in_its_own_units(bench):
    said = bench("correct", "--rate", "+12", *TURNS, "--period", "15")
    assert "Move the regulator down by 0.6 turns, from 0 to -0.6 (its travel: -5 to 5)." in said


def test_discs_by_their_thickness_and_to_order(bench):
    discs = ("--disc-diameter", "12", "--disc-bore", "3")
    said = bench("correct", "--rate", "+300", "--weights", "0.5mm,1mm", *discs)
    assert "2 of 0.5 mm (0.451 g)" in said
    said = bench("correct", "--rate", "+300", *discs)
    assert "a disc 1.11 mm thick" in said  # 1 g of 0.901 g/mm


def test_an_air_driven_clock_near_its_knock(bench):
    said = bench("correct", "--rate", "60", "--arc", "594", "--air-driven", "--roller-radius", "3")
    assert "above the 540 deg that suit this clock" in said
    assert "stay before the roller knocks on the fork" in said
    assert "never heat, puncture or solder" in said


def test_the_way_to_the_knock_is_told_with_its_sum(bench):
    """An air-driven clock knocks at 600 deg: from 400 deg each turning point is half of 200 deg away."""
    told = bench("correct", "--rate", "60", "--arc", "400", "--air-driven", "--json", *TURNS)
    assert told["knock_margin_deg"]["value"] == pytest.approx(100, abs=0.01)
    words = bench("correct", "--rate", "60", "--arc", "400", "--air-driven", *TURNS)
    assert "each turn then ends 99.9 deg, between 97.0 and 102.9, short of the knock" in words
    assert "half of what lies between that arc and the 600 deg at which it knocks." in words


def test_a_reading_from_a_file_with_its_beat(bench, tmp_path):
    path = tmp_path / "night.json"
    path.write_text(json.dumps(document(720.0)), encoding="utf-8")
    said = bench("correct", "--reading", str(path))
    # 30 ms at 430 deg and 60 s: 215 sin(pi 0.03 / 60) = 0.34 deg, below half a hundredth of the arc; its doubt is the
    # thirtieth part that the beat error's 1 ms is, times 1.96: 0.02 deg, so the hundredths are said.
    assert "In beat: the middle of the lift is 0.34 deg from rest, give or take 0.02." in said
    result = bench("correct", "--reading", str(path), "--period", "59.5", "--json")
    assert result["rate_s_per_day"]["value"] == pytest.approx(-6, abs=1)
    assert result["beat"]["needed"] is False


def test_the_story_of_a_clock_in_the_log(bench, tmp_path):
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


def test_works_typed_by_hand_are_trials_too(bench):
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


def test_work_without_its_grams_teaches_nothing_and_does_no_harm(bench):
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


def test_a_room_joined_to_a_night(bench, tmp_path):
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


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "no rate was given"),
        (("--rate", "50", "--keep"), "give --clock NAME too"),
        (("--rate", "soon"), "the rate 'soon' cannot be read"),
        (("--rate", "500000"), "rate is 500000 s/day; it must lie between -14400 and 14400"),
        (("--rate", "5", "--reading", "x.json"), "--rate and --reading are both given"),
        (("--reading", "absent.json"), "absent.json cannot be read"),
        (("--rate", "50", "--weights", "heavy"), "the weight 'heavy' cannot be read"),
        (("--rate", "50", "--weights", "0.2mm"), "needs the disc's measures"),
        (("--rate", "50", "--earlier", "3"), "the earlier change '3' cannot be read"),
        (("--rate", "50", "--earlier", "3:+15min"), "weight added slows a clock"),
        (("--rate", "50", "--no-weights"), "neither a regulator nor a weight"),
        (("--rate", "50", "--regulator-low", "0"), "one end of the regulator's travel is known"),
        (("--rate", "50", "--regulator-effect", "9"), "not its travel"),
        (("--rate", "50", "--rate-within", "0"), "--rate-within is 0 s/day"),
        (("--rate", "50", "--to", "0"), "tolerance is 0 s/day"),
        (("--rate", "50", "--sides", "1"), "1 sides carry weights"),
        (("--rate", "50", "--period", "-3"), "nominal period is -3 s"),
        (("--rate", "50", "--room", "room.csv"), "room's file room.csv cannot be read"),
        (("--clock", "Nobody"), "Nobody"),
    ],
)
def test_correct_refuses_what_cannot_be(bench, arguments, says):
    with pytest.raises(InputError, match=says):
        bench("correct", *arguments)


def test_a_clock_without_readings(bench):
    bench("clock", "add", "Lamp")
    with pytest.raises(InputError, match="has no reading with a rate yet"):
        bench("correct", "--clock", "Lamp")


def test_what_a_strip_does(bench):
    said = bench(
        "spring", *STRIP, "--period", "15", "--arc", "270", "--rate", "+12min", "--thicker", "0.1thou"
    )
    assert "A micrometre thicker gains 20.4 min a day; a millimetre longer loses 7.2 min a day" in said
    assert "thickness: 0.585 um thinner" in said
    assert "active length: 1.67 mm longer" in said
    assert "102.54 um thick" in said
    assert "Suspension strips are sharp" in said
    result = bench(
        "spring", *STRIP, "--period", "15", "--arc", "270", "--cold", "15", "--warm", "25", "--json"
    )
    assert result["stiffness_un_m_per_deg"]["value"] == pytest.approx(1.2390, abs=5e-5)
    assert result["inertia_g_mm2"]["value"] == pytest.approx(404_457, rel=1e-3)
    assert result["rate_change_cold_to_warm_s_per_day"]["value"] == pytest.approx(
        10 * result["s_per_day_per_k"]["value"]
    )
    # Twist 135 deg over 100 mm.
    assert result["twist_deg_per_mm"] == pytest.approx(1.35)


def test_thicknesses_in_every_unit_are_the_same_strip(bench):
    figures = [
        bench("spring", "--thickness", text, *STRIP[2:], "--json")["stiffness_un_m_per_deg"]["value"]
        for text in ("101.6", "101.6um", "0.1016mm", "4thou")
    ]
    assert np.ptp(figures) < 1e-9


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--thickness", "thin"), "the thickness 'thin' cannot be read"),
        (("--thickness", "0"), "strip thickness is 0 mm"),
        (("--thickness", "900"), "exchange them"),
        (("--material", "cheese"), "strip material 'cheese' fits 0"),
        (("--cold", "15"), "give both --cold and --warm"),
        (("--cold", "25", "--warm", "15"), "--cold must be the lower"),
        (("--load", "-3"), "load is -3 and its doubt -0.15; both must be above 0"),
        (("--rate", "fast"), "the rate 'fast' cannot be read"),
        (("--thickness-within", "150"), "thickness is 0.1 and its doubt 0.15; both must be above 0"),
        (("--thicker", "-200"), "strip thickness is -0.1 mm"),
    ],
)
def test_spring_refuses_what_cannot_be(bench, arguments, says):
    with pytest.raises(InputError, match=says):
        bench("spring", *STRIP, *arguments)


def test_a_free_swing_typed(bench):
    said = bench("freeswing", "0 400", "30 330", "--period", "60", "--inertia", "260000", "--until", "200")
    assert said.startswith("Q is 490, between")  # common practice, no source
    assert "It falls below 200 deg after" in said
    assert "nanowatts" in said
    counted = bench(
        "freeswing", "0 20x", "1800s 18x", "1h 16.3x", "--spacing", "30", "--period", "60", "--json"
    )
    assert counted["readings"][0]["arc_deg"] == 600
    assert counted["readings"][2]["time_s"] == 3600


def test_a_free_swing_heard_is_kept(bench, tmp_path):
    # T 15 s, Q 725: air 2.888e-4 per second.
    time = np.arange(0, 3600, 7.5)
    arc = 270 * np.exp(-2.888e-4 * time) + np.random.default_rng(1).normal(0, 0.5, time.size)
    swings = [
        {"time_s": float(t), "side": "ab"[i % 2], "period_s": 15.0, "arc_deg": float(a)}
        for i, (t, a) in enumerate(zip(time, arc, strict=True))
    ]
    (tmp_path / "swing.json").write_text(
        json.dumps(document(0.0, period=15.0, swings=swings)), encoding="utf-8"
    )
    bench("clock", "add", "Shelf", "--period", "15")
    said = bench(
        "freeswing", "--reading", str(tmp_path / "swing.json"), "--clock", "Shelf", "--at-arc", "270"
    )
    assert "Air drag holds" in said
    with open_log() as log:
        kept = log.freeswings("Shelf")[0]
    assert kept.law == "air"
    assert abs(kept.q - 725) < 3 * kept.u_q
    assert "Let it settle for 1.9 h" in bench("correct", "--clock", "Shelf", "--rate", "100")


def test_a_free_swing_from_sounds(bench, tmp_path):
    half, period, mark = 150.0, 15.0, 60.0
    rows, lines = [], ["time_s,side,kind,level_db"]
    for i in range(480):
        at = 7.5 * i
        amplitude = half * np.exp(-2.888e-4 * at)
        rows.append((at, period / np.pi * np.arcsin(10 / amplitude)))
        lines += [f"{at - rows[-1][1] / 2:.6f},a,contact,20", f"{at + rows[-1][1] / 2:.6f},a,drop,30"]
    path = tmp_path / "events.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    heard = bench("freeswing", "--events", str(path), "--lift", "20", "--period", "15", "--json")
    assert heard["q"]["value"] == pytest.approx(725, rel=0.005)
    passages = ["time_s"]
    for i in range(120):
        first = period / (2 * np.pi) * np.arcsin(mark / (half * np.exp(-2.888e-4 * period * i)))
        passages += [f"{period * i + first:.6f}", f"{period * i + period / 2 - first:.6f}"]
    path.write_text("\n".join(passages), encoding="utf-8")
    marked = bench("freeswing", "--events", str(path), "--mark", "60", "--period", "15", "--json")
    assert marked["q"]["value"] == pytest.approx(725, rel=0.01)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--period", "60"), "0 sources of arcs were given"),
        (("0 400", "30 330"), "the period is not known"),
        (("noon", "30 330", "--period", "60"), "the reading 'noon' cannot be read"),
        (("0 20x", "30 18x", "--period", "60"), "give the angle between them with --spacing"),
        (("0 330", "30 400", "--period", "60"), "a free swing dies away"),
        (("0 400", "--period", "60"), "1 arc was read"),
        (("--events", "absent.csv", "--lift", "20", "--period", "60"), "absent.csv cannot be read"),
        (("--events", "absent.csv", "--period", "60"), "needs either --lift"),
        (("0 400", "30 330", "--period", "60", "--until", "500"), "arc to fall below is 500 deg"),
        (("0 400", "30 330", "--period", "0"), "period is 0 s"),
    ],
)
def test_freeswing_refuses_what_cannot_be(bench, arguments, says):
    with pytest.raises(InputError, match=says):
        bench("freeswing", *arguments)


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


def test_a_strip_of_four_micrometres_is_doubted(bench):
    strip = ("--width", "0.5", "--length", "100", "--load", "300")
    assert "thousandths of an inch are written 4thou" in bench("spring", "--thickness", "4", *strip)
    assert "4thou" not in bench("spring", "--thickness", "4thou", *strip)


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
