"""The commands by hand: a strip, a free swing."""

from __future__ import annotations

import json

import numpy as np
import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError

STRIP = ("--thickness", "100um", "--width", "0.5", "--length", "100", "--load", "300")


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


def test_a_free_swing_heard_is_kept(bench, tmp_path, document):
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


def test_a_strip_of_four_micrometres_is_doubted(bench):
    strip = ("--width", "0.5", "--length", "100", "--load", "300")
    assert "thousandths of an inch are written 4thou" in bench("spring", "--thickness", "4", *strip)
    assert "4thou" not in bench("spring", "--thickness", "4thou", *strip)
