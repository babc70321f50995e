"""Options that no other test types: each one changes what it says it changes."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import soundfile

from torsionbeat.jobs.compare import Days
from torsionbeat.typed.sources import side_of

STRIP = ("spring", "--thickness", "100", "--width", "0.5", "--length", "100", "--load", "300")


def told(run, *words):
    result = run(*words, "--json")
    assert result.status == 0, result.err
    return json.loads(result.out)


def test_a_longer_a_wider_and_another_strip(run):
    now = told(run, *STRIP)
    longer = told(run, *STRIP, "--longer", "1")["rate_after_s_per_day"]["value"]
    assert longer == pytest.approx(
        86_400 * (math.sqrt(100 / 101) - 1), abs=0.1
    )  # the period goes with its root
    wider = told(run, *STRIP, "--wider", "0.001")["rate_after_s_per_day"]["value"]
    assert wider == pytest.approx(0.001 * now["s_per_day_per_mm_width"], rel=0.01)
    bronze = told(run, *STRIP, "--new-material", "C51000")["rate_after_s_per_day"]["value"]
    assert bronze < -1000  # 41 GPa against 48
    assert told(run, *STRIP, "--new-material", "C17200")["rate_after_s_per_day"]["value"] == pytest.approx(
        0, abs=1e-6
    )


def test_the_metal_of_the_balance_counts_in_the_warmth(run):
    rooms = ("--cold", "15", "--warm", "25")
    brass, steel = (
        told(run, *STRIP, *rooms, "--balance-metal", metal)["s_per_day_per_k"]["value"]
        for metal in ("brass", "steel")
    )
    # Steel grows by some 8 ppm/K less than brass: 0.7 s/day per kelvin less is lost.
    assert 0.4 < steel - brass < 1.0


SHORT = ("--period", "6", "--minutes", "0.5", "--room", "quiet", "--sample-rate", "16000", "--no-clock")


def made(run, path, *words):
    result = run("simulate", path, *words)
    assert result.status == 0, result.err
    return json.loads(path.with_suffix(".truth.json").read_text())


def test_bits_and_channels_of_an_invented_recording(run, tmp_path):
    made(run, tmp_path / "a.wav", *SHORT, "--bits", "24", "--stereo")
    made(run, tmp_path / "b.wav", *SHORT)
    assert (soundfile.info(tmp_path / "a.wav").subtype, soundfile.info(tmp_path / "a.wav").channels) == (
        "PCM_24",
        2,
    )
    assert (soundfile.info(tmp_path / "b.wav").subtype, soundfile.info(tmp_path / "b.wav").channels) == (
        "PCM_16",
        1,
    )


def test_an_invented_clock_is_let_go_at_its_start_arc_and_may_lose_its_drive(run, tmp_path):
    quiet = ("--period", "6", "--room", "quiet", "--sample-rate", "8000", "--arc", "400", "--wander", "0")
    let_go = made(run, tmp_path / "a.wav", *quiet, "--minutes", "1", "--start-arc", "300")
    first, last = (let_go["beats"][i]["arc_deg"] for i in (0, -1))
    assert first == pytest.approx(300, abs=3)
    assert last > first
    lost = made(run, tmp_path / "b.wav", *quiet, "--minutes", "3", "--drive-lost-at", "1")
    arcs = np.array([beat["arc_deg"] for beat in lost["beats"]])
    times = np.array([beat["middle_s"] for beat in lost["beats"]])
    assert np.ptp(arcs[times < 58]) < 1
    assert arcs[-1] < arcs[0] - 5


def test_jitter_scatters_the_sounds(run, tmp_path):
    words = ("--period", "6", "--room", "quiet", "--sample-rate", "8000", "--minutes", "2", "--wander", "0")

    def scatter(path, jitter):
        made(run, path, *words, "--jitter", jitter, "--rate", "0")
        rows = (path.with_suffix(".truth.csv")).read_text().splitlines()
        drops = [float(row.split(",")[0]) for row in rows if ",a,drop" in row]
        return float(np.std(np.diff(drops)))

    assert scatter(tmp_path / "a.wav", "0") < 1e-4
    assert 5e-3 < scatter(tmp_path / "b.wav", "10") < 30e-3  # 14 ms: the difference of two


RECORD = {
    "--arc-high": ("arc_high_deg", 480.0),
    "--strip-width": ("strip_width_mm", 0.5),
    "--strip-length": ("strip_length_mm", 100.0),
    "--hanging-mass": ("hanging_mass_g", 300.0),
    "--weight-radius": ("weight_radius_mm", 35.0),
    "--regulator-doubt": ("u_regulator_s_per_day_per_unit", 2.0),
    "--side-a": ("side_a_name", "the window"),
    "--side-b": ("side_b_name", "the wall"),
    "--notes": ("notes", "came without its dome"),
}


def test_each_field_of_a_record_is_kept_under_its_own_name(run):
    words = [one for option, (_, value) in RECORD.items() for one in (option, value)]
    kept = told(run, "clock", "add", "Lamp", "--regulator-effect", "-4", *words)["clock"]
    for field, value in RECORD.values():
        assert kept[field] == value
    changed = told(run, "clock", "change", "Lamp", "--arc-high", "490", "--side-a", "the door")["clock"]
    assert (changed["arc_high_deg"], changed["side_a_name"]) == (490.0, "the door")
    assert changed["side_b_name"] == "the wall"


CORRECT = ("correct", "--rate", "+720", "--rate-within", "1")


def test_a_disc_of_heavier_metal_weighs_more(run):
    """A disc of 20 mm and 0.2 mm: 0.534 g of brass (8500 kg/m3), more of lead (11 340 kg/m3)."""

    def disc_g(metal):
        advice = told(run, *CORRECT, "--weights", "0.2mm", "--disc-diameter", "20", "--metal", metal)
        return advice["weights"]["pieces_a_side"][0]["mass_g"]

    assert disc_g("brass") == pytest.approx(math.pi / 4 * 0.02**2 * 0.2e-3 * 8500 * 1e3, rel=0.03)
    assert disc_g("lead") / disc_g("brass") == pytest.approx(11_340 / 8_500, rel=0.03)


def test_how_far_off_a_weight_may_be_and_the_fork_reach_the_request():
    from torsionbeat.cli.correct import ClockOptions, StateOptions, WeightOptions, request_of

    weights, clock = WeightOptions(weight_tolerance=7.0), ClockOptions(fork_share=0.4, regulator_step=0.5)
    request = request_of(None, None, StateOptions(rate="+720"), weights, clock)
    assert request.stock.tolerance_percent == 7.0
    assert request.share_above_fork == 0.4
    assert request.regulator_step == 0.5
    assert request.rate_s_per_day.std_dev == pytest.approx(1 / 1.96)  # --rate-within is a half-width


def test_a_regulator_moves_by_its_step(run):
    known = ("--regulator-unit", "turns", "--regulator-effect", "-10", "--regulator-doubt", "0.1")
    range_ = ("--regulator-low", "0", "--regulator-high", "10", "--regulator-setting", "5")
    words = ("correct", "--rate", "+24", "--rate-within", "0.2", "--no-weights", *known, *range_)
    free = told(run, *words)["regulator_move"]
    assert free > 0  # more on it slows this clock
    stepped = told(run, *words, "--regulator-step", "0.5")["regulator_move"]
    assert stepped == pytest.approx(round(stepped / 0.5) * 0.5)
    assert stepped == pytest.approx(free, abs=0.5)


def test_a_side_of_a_comparison_may_be_days():
    assert isinstance(side_of("2026-03-01..2026-03-02"), Days)


def test_a_row_that_did_not_change_is_shown_when_every_row_is_asked_for(run, sounds):
    few = run("compare", sounds / "clock.flac", sounds / "clock.flac", "--period", "6", "--lift", "20")
    every = run(
        "compare",
        sounds / "clock.flac",
        sounds / "clock.flac",
        "--period",
        "6",
        "--lift",
        "20",
        "--all",
    )
    assert (few.status, every.status) == (0, 0)
    assert len(every.out.splitlines()) > len(few.out.splitlines())


def test_a_digest_may_be_slower_and_levelled(run, sounds, tmp_path):
    words = ("digest", sounds / "clock.flac", "--period", "6", "--beats", "4")
    assert run(*words, "-o", tmp_path / "a.wav").status == 0
    assert run(*words, "-o", tmp_path / "b.wav", "--slower", "2").status == 0
    assert run(*words, "-o", tmp_path / "c.wav", "--levelled").status == 0
    plain, slow, level = (soundfile.read(tmp_path / f"{name}.wav")[0] for name in "abc")
    assert 1.7 * len(plain) < len(slow) < 2.1 * len(plain)  # the pauses between the beats stay
    assert len(level) == len(plain)
    assert not np.array_equal(level, plain)
