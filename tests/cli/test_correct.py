"""The command that corrects: by hand, from a reading, out of the log."""

from __future__ import annotations

import json

import pytest

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
    said = bench("correct", "--rate", "+12", *TURNS, "--regulator-setting", "0", "--period", "15")
    assert "Move the regulator down by 0.6 turns, from 0 to -0.6 (its travel: -5 to 5)." in said
    said = bench("correct", "--rate", "+12", *TURNS, "--period", "15")  # nobody said how it stands
    assert "Move the regulator down by 0.6 turns from where it stands (its travel: -5 to 5)." in said


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


def test_a_reading_from_a_file_with_its_beat(bench, tmp_path, document):
    path = tmp_path / "night.json"
    path.write_text(json.dumps(document(720.0)), encoding="utf-8")
    said = bench("correct", "--reading", str(path))
    # 30 ms at 430 deg and 60 s: 215 sin(pi 0.03 / 60) = 0.34 deg, below half a hundredth of the arc; its doubt is the
    # thirtieth part that the beat error's 1 ms is, times 1.96: 0.02 deg, so the hundredths are said.
    assert "In beat: the middle of the lift is 0.34 deg from rest, give or take 0.02." in said
    result = bench("correct", "--reading", str(path), "--period", "59.5", "--json")
    assert result["rate_s_per_day"]["value"] == pytest.approx(-6, abs=1)
    assert result["beat"]["needed"] is False


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
