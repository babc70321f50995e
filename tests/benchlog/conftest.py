"""Logs to write in: a SQLite file, and a database of a PostgreSQL server started for the tests."""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log

BEGIN = datetime(2026, 2, 3, 20, 0, tzinfo=UTC)


@pytest.fixture(scope="session")
def postgres_server():
    """Give what makes a URL of a database name, on a server of this session's own."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install torsionbeat[postgres]")
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
    if not found:
        pytest.skip("no PostgreSQL server here: Debian's package postgresql is not installed")
    folder = Path(tempfile.mkdtemp(prefix="tb-pg-"))  # short: a socket's path may have 107 bytes
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(folder, "postgres")
        user = ["runuser", "-u", "postgres", "--"]
    else:
        user = []

    def run(program, *arguments):
        return subprocess.run(
            [*user, found[-1] / program, *arguments], check=True, capture_output=True, text=True, cwd="/"
        )

    data = folder / "data"
    run("initdb", "-D", data, "-U", "bench", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
    options = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c fsync=off"
    run("pg_ctl", "-D", data, "-w", "-l", folder / "server.log", "-o", options, "start")
    numbers = itertools.count(1)

    def new_database(encoding="UTF8"):
        name = f"bench{next(numbers)}"
        run("createdb", "-h", folder, "-U", "bench", "-E", encoding, "-T", "template0", name)
        return f"postgresql+psycopg://bench@/{name}?host={folder}"

    try:
        yield new_database
    finally:
        run("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
        shutil.rmtree(folder)


@pytest.fixture
def postgres_url(postgres_server):
    """Give the URL of an empty database."""
    return postgres_server()


@pytest.fixture(params=["sqlite", "postgres"])
def log_place(request, tmp_path):
    """Give the place of a log that is not there yet, on each kind of database."""
    if request.param == "sqlite":
        return tmp_path / "benchlog.sqlite"
    return request.getfixturevalue("postgres_url")


@pytest.fixture
def log(log_place):
    """Give an open, empty log on each kind of database."""
    with open_log(log_place) as opened:
        yield opened


def _figure(value, sigma):
    return {"value": value, "standard_uncertainty": sigma}


@pytest.fixture
def reading():
    """Give what makes a reading's document of its rate."""

    def document(rate_s_per_day=2.4, sigma=0.25, **other):
        return {
            "schema": 1,
            "torsionbeat": "0.1.0",
            "recording": {
                "name": "night.flac",
                "duration_s": 2400.5,
                "sample_rate_hz": 48_000,
                "channels": 1,
                "gaps": [[100.0, 101.5]],
            },
            "timebase": {"source": "host clock", "offset_ppm": 3.25, "standard_uncertainty_ppm": 0.125},
            "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0},
            "period_s": _figure(60 / (1 + rate_s_per_day / 86_400), 60 * sigma / 86_400),
            "rate_s_per_day": _figure(rate_s_per_day, sigma),
            "beat_error_ms": _figure(-412.5, 0.1 + 0.2),  # 0.30000000000000004: every digit must come back
            "offset_deg": None,
            "arc_deg": _figure(431.2, 0.8),
            "arc_trend_deg_per_hour": _figure(-0.31, 0.4),
            "beats": {"expected": 80, "heard": 79},
            "swings": [
                {"time_s": 12.25, "side": "a", "period_s": None, "arc_deg": 431.0},
                {"time_s": 42.3, "side": "b", "period_s": 59.98, "arc_deg": None},
            ],
            "remarks": ["One beat was lost under a slammed door: “bang”, 🙂."],
        } | other

    return document


@pytest.fixture
def full(log, reading):
    """Give a log with two clocks, one of them with something in every table."""
    name = "Harbour lamp"
    log.add_clock(
        name,
        kind="air-driven",
        nominal_period_s=60,
        lift_deg=20,
        lift_tolerance_deg=0.5,
        arc_low_deg=360,
        arc_high_deg=540,
        knock_arc_deg=600,
        strip_thickness_um=76,
        side_a_name="towards the window",
        notes='=1+1, "quoted";\r\nsecond line',
    )
    log.add_clock("Schoolroom", kind="400-day", nominal_period_s=15)
    log.add_note("Schoolroom", "Waiting for a strip.", written_at=BEGIN)
    first = log.add_reading("Schoolroom", reading(-700.0), taken_at=BEGIN)  # so numbers differ between clocks
    log.add_work("Schoolroom", "level", f"Levelled before reading {first.id}", done_at=BEGIN)
    log.add_work(name, "spring", "New strip, 0.076 mm", {"strip_thickness_um": 76.0}, done_at=BEGIN)
    before = log.add_reading(
        name, reading(1020.0, 2.5), "/home/bench/night 1.flac", "AB" * 32, taken_at=BEGIN + timedelta(days=1)
    )
    work = log.add_work(
        name, "weights", "3.4 g a side added", {"added_g": 6.8}, done_at=BEGIN + timedelta(days=2)
    )
    after = log.add_reading(name, reading(4.5), taken_at=BEGIN + timedelta(days=3, microseconds=7))
    log.add_reading(
        name,
        reading(4.9),
        taken_at=BEGIN + timedelta(days=3, microseconds=7),
        supersedes_id=after.id,
        reason="the recorder's crystal was 5 ppm off",
    )
    log.add_trial(
        name,
        work.id,
        after.id,
        reading_before_id=before.id,
        expected_rate_s_per_day=ufloat(0, 30),
        details={"n": 1},
    )
    log.add_handcheck(
        name,
        ufloat(18 / 7, 0.3),
        168,
        [
            {"at": "2026-02-10T20:00:00+00:00", "hand_minus_true_s": 0.0, "reading_error_s": 3.0},
            {"at": "2026-02-17T20:00:00+00:00", "hand_minus_true_s": 18.0, "reading_error_s": 3.0},
        ],
        remarks=["Seen from the left."],
        checked_at=BEGIN + timedelta(days=14),
    )
    log.add_freeswing(
        name,
        {"period_s": 60.0, "points": [[0, 400], [1800, 330]]},
        law="air drag",
        q=ufloat(490, 12),
        settling_time_s=9360,
        done_at=BEGIN,
    )
    log.add_note(name, "Bellows hold air.\nPalette clean, naïve wear on the fork.", written_at=BEGIN)
    wrong = log.add_work(name, "level", "@ the wrong clock", done_at=BEGIN)
    log.retract(name, "work", wrong.id, "done on another clock")
    return log
