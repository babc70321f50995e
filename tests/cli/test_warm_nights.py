"""Nights that differ in temperature, through the commands: rates at one temperature, and the doubt where it is unknown."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from torsionbeat.benchlog import open_log

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
PER_K = -13.69  # C17200, CHECKS 2d: -3.3e-4 of the modulus, 17e-6 of the strip, 19e-6 of the balance


def document(rate):
    return {
        "schema": 1,
        "recording": {"name": "lamp.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
        "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
        "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0},
        "period_s": {"value": 60 / (1 + rate / 86400), "standard_uncertainty": 1e-5},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": 0.2},
        "beats": {"expected": 120, "heard": 120},
    }


WARM = [19.0, 22.5, 20.0, 18.0, 21.5, 23.0]
MEAN = float(np.mean(WARM))


@pytest.fixture
def ask(run):
    def judged(*arguments):
        done = run("correct", "--clock", "Lamp", "--no-weights", "--json", *arguments)
        assert done.status == 0, done.err
        return json.loads(done.out)

    return judged


def keep(run, temperatures, *strip, truth=3.0):
    assert (
        run(
            "clock", "add", "Lamp", "--period", "60", "--regulator-low", "0", "--regulator-high", "10", *strip
        ).status
        == 0
    )
    with open_log() as log:
        for day, (warm, told) in enumerate(zip(WARM, temperatures, strict=True)):
            rate = truth + PER_K * (warm - MEAN)
            log.add_reading("Lamp", document(rate), taken_at=START + timedelta(days=day), temperature_c=told)


def test_rates_are_compared_at_one_temperature(run, ask):
    keep(run, WARM, "--strip-material", "C17200")
    told = ask()
    # To 0.2 a night; handling and wander of such calm nights are below half a second.
    assert told["rate_s_per_day"]["value"] == pytest.approx(3.0, abs=0.4)
    assert told["rate_s_per_day"]["standard_uncertainty"] < 0.6
    assert told["night_to_night_s_per_day"]["median"] < 1.0
    words = " ".join(told["remarks"])
    assert f"compared at {MEAN:.1f} C" in words
    said = run("advise", "Lamp", "--no-weights").words
    assert f"by all 6 readings together and at {MEAN:.1f} C, it gains" in said
    assert "from night to night it differs besides what the temperature does by" in said
    assert "A kelvin more loses 13.7 s a day" in words


def test_the_next_night_may_be_as_warm_or_cold_as_the_others(run, ask):
    keep(run, WARM, "--strip-material", "C17200", truth=0.1)
    told = ask("--to", "3")
    assert told["action"] == "leave"
    spread = 13.7 * np.std(WARM, ddof=1)
    assert told["expected_rate_s_per_day"]["standard_uncertainty"] == pytest.approx(spread, rel=0.1)


def test_a_strip_that_is_not_known_is_learnt_from_the_nights(run, ask):
    keep(run, WARM)
    told = ask()
    assert told["rate_s_per_day"]["value"] == pytest.approx(3.0, abs=1.0)
    assert told["night_to_night_s_per_day"]["median"] < 1.5
    assert "A kelvin more loses 13." in " ".join(told["remarks"])


def test_without_temperatures_the_nights_look_unsteady(run, ask):
    keep(run, [None] * 6, "--strip-material", "C17200")
    told = ask()
    assert told["night_to_night_s_per_day"]["median"] > 5
    assert told["rate_s_per_day"]["standard_uncertainty"] > 5


def test_a_night_of_unknown_temperature_counts_less(run, ask):
    """The last night was 2.7 K warmer than the rest, and nobody noted it."""
    keep(run, [*WARM[:5], None], "--strip-material", "C17200")
    told = ask()
    mean = float(np.mean(WARM[:5]))
    assert told["rate_s_per_day"]["value"] == pytest.approx(3.0 + PER_K * (mean - MEAN), abs=1.5)
    assert "Of 1 of 6 readings the temperature is not known" in " ".join(told["remarks"])


def test_a_rate_typed_by_hand_is_brought_to_the_same_temperature(run, ask):
    """Typed at 24 C, where the clock loses by the warmth alone; without the temperature that looks like a change."""
    keep(run, WARM, "--strip-material", "C17200")
    typed = ("--rate", f"{3.0 + PER_K * (24.0 - MEAN):.2f}", "--rate-within", "0.4")
    told = ask(*typed, "--temperature", "24")
    assert told["rate_s_per_day"]["value"] == pytest.approx(3.0 + PER_K * (24.0 - MEAN) / 7, abs=0.5)
    assert "of 7 readings the temperature is not known" not in " ".join(told["remarks"])
    assert "Of 1 of 7 readings the temperature is not known" in " ".join(ask(*typed)["remarks"])
    alone = run("correct", "--clock", "Lamp", "--temperature", "20")
    assert alone.status == 2
    assert "--rate" in alone.err


def test_a_logger_s_file_tells_the_temperatures_of_all_nights(run, ask, tmp_path):
    keep(run, [None] * 6, "--strip-material", "C17200")
    rows = ["time,temperature"]
    for day, warm in enumerate(WARM):
        for minute in range(-60, 180, 10):
            moment = START + timedelta(days=day, minutes=minute)
            rows.append(f"{moment.isoformat()},{warm:.2f}")
    (tmp_path / "room.csv").write_text("\n".join(rows))
    told = ask("--room", str(tmp_path / "room.csv"))
    assert told["rate_s_per_day"]["value"] == pytest.approx(3.0, abs=0.4)
    assert f"compared at {MEAN:.1f} C" in " ".join(told["remarks"])
