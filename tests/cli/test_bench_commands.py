"""The commands of the bench log: clock, note and handcheck."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime, timedelta

import pytest
import typer

from torsionbeat.benchlog import open_log
from torsionbeat.cli import by_hand, clock, note
from torsionbeat.errors import InputError

app = typer.Typer()
app.add_typer(clock.app, name="clock")
app.command("note", cls=note.NOTE_CLASS)(note.note_command)
app.command("handcheck", cls=by_hand.HANDCHECK_CLASS)(by_hand.handcheck_command)


@pytest.fixture
def bench(output_of):
    """Give what runs a command on an empty log and gives its output, or raises its error."""
    return output_of(app)


def words(text):
    return " ".join(text.split())


def document(rate_s_per_day, source="unknown"):
    return {
        "schema": 1,
        "timebase": {"source": source, "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
        "rate_s_per_day": {"value": rate_s_per_day, "standard_uncertainty": 0.25},
        "arc_deg": {"value": 431.2, "standard_uncertainty": 0.8},
    }


def test_a_reading_is_told_in_words(bench, tmp_path):
    bench("clock", "add", "Lamp")
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_reading("Lamp", document(2.4), taken_at=datetime(2026, 3, 1, 20, tzinfo=UTC))
        log.add_reading("Lamp", document(-31.0, "host clock"), taken_at=datetime(2026, 2, 1, 20, tzinfo=UTC))
    shown = words(bench("clock", "show", "Lamp"))
    # 1.96 x 0.25 = 0.49
    assert "the clock gains 2.4 s a day, between 1.9 and 2.9; arc (amplitude end to end) 431 deg" in shown
    assert "Timebase: unknown." in shown
    assert shown.index("loses 31.0 s a day") > shown.index("gains 2.4 s a day")  # the table, in order of time
    assert "+2.4 ± 0.5" in bench("clock", "list")


def test_json_is_all_there_is_on_standard_output(bench, tmp_path):
    assert json.loads(bench("clock", "add", "Lamp", "--json"))["clock"]["name"] == "Lamp"
    assert json.loads(bench("clock", "change", "Lamp", "--lift", "21", "--json"))["clock"]["lift_deg"] == 21.0
    assert json.loads(bench("note", "Lamp", "Bellows hold", "--json"))["text"] == "Bellows hold"
    work = json.loads(
        bench(
            "note",
            "Lamp",
            "3.4 g a side",
            "--work",
            "weights",
            "--detail",
            "added_g=6.8",
            "--detail",
            "cut=a b",
            "--json",
        )
    )
    assert work["details"] == {"added_g": 6.8, "cut": "a b"}
    check = json.loads(bench("handcheck", "0h 0", "168h 18", "--clock", "Lamp", "--json"))
    assert check["rate_s_per_day"]["value"] == pytest.approx(18 / 7)
    history = json.loads(bench("clock", "show", "Lamp", "--json"))
    assert [len(history[table]) for table in ("works", "notes", "hand_checks")] == [1, 2, 1]
    assert json.loads(bench("clock", "list", "--json"))[0]["readings"] == 0
    written = json.loads(bench("clock", "export", "Lamp", str(tmp_path / "lamp.json"), "--json"))
    assert written["rows"]["notes"] == 2
    assert (
        json.loads(bench("clock", "import", str(tmp_path / "lamp.json"), "--name", "Two", "--json"))["notes"]
        == history["notes"]
    )


def test_an_export_never_replaces_the_log(bench, tmp_path):
    bench("clock", "add", "Lamp")
    before = (tmp_path / "log.sqlite").read_bytes()
    with pytest.raises(InputError, match="which is the bench log"):
        bench("clock", "export", "Lamp", str(tmp_path / "log.sqlite"), "--overwrite")
    assert (tmp_path / "log.sqlite").read_bytes() == before


@pytest.mark.parametrize("target", ["lamp.json", "lamp"])
def test_a_history_goes_elsewhere(bench, tmp_path, target):
    bench("clock", "add", "Lamp", "--period", "60")
    bench("note", "Lamp", "Seen [at] noon", "--when", "2026-03-01 12:00")
    before = bench("clock", "show", "Lamp", "--json")
    said = words(bench("clock", "export", "Lamp", str(tmp_path / target)))
    assert said.endswith(": 1 note.")
    elsewhere = str(tmp_path / "elsewhere.sqlite")
    bench("clock", "import", str(tmp_path / target), "--log", elsewhere)
    assert bench("clock", "show", "Lamp", "--log", elsewhere, "--json") == before
    with pytest.raises(InputError, match="a clock is named 'Lamp' already"):
        bench("clock", "import", str(tmp_path / target))
    bench("clock", "import", str(tmp_path / target), "--name", "Lamp two")
    assert "Seen [at] noon" in bench("clock", "show", "Lamp two")


def test_eighteen_seconds_in_a_week(bench):
    said = words(bench("handcheck", "0h 0", "168h 18", "--within", "1"))
    # 18/7 = 2.571; u = sqrt(2/3)/7 = 0.117, times 1.96 is 0.229
    assert (
        said
        == "The hand went from 0 s to +18 s in 168 h: the clock gains 2.57 s a day, between 2.34 and 2.80."
    )
    assert bench("handcheck", "0d 0 within 1", "7 d +18 s within 1 s") == bench(
        "handcheck", "0h 0", "168h 18", "--within", "1"
    )


@pytest.mark.parametrize(
    ("last", "ahead_s"),
    [
        ("2026-03-08 20:00:00Z 20:00:18", 18),
        ("2026-03-08 20:00:00Z 8:00:18", 18),  # a dial of 12 hours
        ("2026-03-08 23:59:50Z 00:00:08", 18),
        ("2026-03-08T20:00:00+00:00 19:59:42.5", -17.5),
        ("2026-03-08 20:00Z -17.5", -17.5),
        ("2026-03-08 20:00:00.5Z 20:00", -0.5),
    ],
)
def test_what_the_hand_showed(bench, last, ahead_s):
    found = json.loads(bench("handcheck", "2026-03-01 20:00Z +0", last, "--json"))
    assert found["sightings"][1]["hand_minus_true_s"] == pytest.approx(ahead_s)
    assert found["rate_s_per_day"]["value"] == pytest.approx(ahead_s / (found["span_h"] / 24))


def test_a_hand_check_is_held_against_the_last_reading(bench, tmp_path):
    bench("clock", "add", "Lamp")
    week = ("0h 0", "168h 18", "--within", "1", "--clock", "Lamp")
    assert "No reading of Lamp has a rate to compare it with. Kept for Lamp" in words(
        bench("handcheck", *week)
    )
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_reading("Lamp", document(2.4))
    assert "says it gains 2.4 s a day, between 1.9 and 2.9: the two agree." in words(
        bench("handcheck", *week)
    )
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_reading("Lamp", document(18 / 7 - 0.0864 * 40))
    said = words(bench("handcheck", *week))
    assert "they differ by 3.5 s a day, more than their intervals allow" in said  # 40 ppm is 3.456 s/day
    assert (
        "the recorder's crystal ran fast by another 40 ppm, give or take 6" in said
    )  # hypot(0.25, 0.117) x 1.96
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_reading("Lamp", document(900.0))
    assert "crystal" not in bench("handcheck", *week)
    with open_log(tmp_path / "log.sqlite") as log:
        assert len(log.handchecks("Lamp")) == 4
        assert log.handchecks("Lamp")[0].sightings[1]["elapsed_h"] == 168.0


@pytest.fixture
def central_europe(monkeypatch):
    """Set this computer's time to one that has summer time from 29 March 2026."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0")
        time.tzset()
        yield
    time.tzset()


@pytest.mark.usefixtures("central_europe")
def test_summer_time_is_minded(bench):
    said = words(bench("handcheck", "2026-03-28 20:00 +0", "2026-04-04 20:00 +18"))
    assert "Summer time began or ended between the sightings" in said
    assert "in 167 h" in said
    said = words(bench("handcheck", "2026-03-28 20:00+01:00 +0", "2026-04-04 20:00+01:00 +18"))
    assert "Summer time" not in said
    assert "in 168 h" in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ["clock", "add", "x", "--period", "6000"],
            "period is 6000; it must lie between 0.1 and 600 s",
        ),
        (["clock", "add", "x", "--kind", "grandfather"], "kind is 'grandfather'; use one of"),
        (["clock", "add", "lamp"], "a clock is named 'Lamp' already"),
        (
            ["clock", "change", "Lamp"],
            "nothing to change on 'Lamp' was given; see torsionbeat clock change --help",
        ),
        (
            ["clock", "change", "Lamp", "--lift", "3", "--forget", "lift"],
            "lift is given and forgotten at once",
        ),
        (["clock", "change", "Lamp", "--forget", "colour"], "no field 'colour'"),
        (["clock", "show", "Lamb"], "no clock is named 'Lamb' .*; near names: Lamp;"),
        (["clock", "import", "/none/here.json"], "here.json cannot be read: No such file"),
        (["note", "Lamb", "text"], "near names: Lamp"),
        (["note", "Lamp", " "], "the note is empty"),
        (["note", "Lamp", "x", "--work", "magic"], "kind of work is 'magic'; use one of spring"),
        (["note", "Lamp", "x", "--detail", "a=1"], "--detail was given without --work"),
        (
            ["note", "Lamp", "x", "--work", "other", "--detail", "a"],
            "--detail is 'a'; write it as NAME=VALUE",
        ),
        (["note", "Lamp", "x", "--when", "yesterday"], "--when is 'yesterday'; write it as 2026-03-01 20:00"),
        (["note", "Lamp", "x", "--when", "1066-10-14"], "must lie after 1800 and not in the future"),
        (["note", "Lamp", "x", "--when", "9999-12-31"], "must lie after 1800 and not in the future"),
        (["handcheck", "0h 0"], "1 sighting was given; at least 2"),
        (
            ["handcheck", "2026-03-01 20:00", "2026-03-02 20:00"],
            "'2026-03-01 20:00' cannot be read; write it as",
        ),
        (
            ["handcheck", "0h 0", "2026-03-01 20:00 +3"],
            "some sightings have a date and some have hours gone by",
        ),
        (["handcheck", "0h 0", "24h 20:00"], "hours gone by and a time on the dial"),
        (["handcheck", "2026-03-01 20:00 20:61", "2026-03-02 20:00 +3"], "hand at 20:61; no dial shows that"),
        (["handcheck", "0h 0", "168h 18", "--within", "0"], "reading error is 0 s"),
        (["handcheck", "168h 0", "0h 18"], "not in order of time"),
        (["handcheck", "0h 0", "1h 18000"], "a rate of 432000 s/day"),
        (["handcheck", "0h 0", "168h 18", "--clock", "Lamb"], "near names: Lamp"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(bench, arguments, message):
    bench("clock", "add", "Lamp")
    before = bench("clock", "show", "Lamp", "--json")
    with pytest.raises(InputError, match=message):
        bench(*arguments)
    assert bench("clock", "show", "Lamp", "--json") == before


def test_a_moment_just_ahead_of_this_computer_s_clock_is_taken(bench):
    bench("clock", "add", "Lamp")
    soon = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    assert "Noted on Lamp" in bench("note", "Lamp", "x", "--when", soon)


def test_importing_the_commands_brings_no_database_in():
    import subprocess
    import sys
    from pathlib import Path

    import torsionbeat

    script = (
        "import sys, torsionbeat.cli.clock, torsionbeat.cli.note, torsionbeat.cli.by_hand\n"
        "heavy = {'sqlalchemy', 'alembic', 'numpy', 'scipy', 'uncertainties'} & sys.modules.keys()\n"
        "print(sorted(heavy))"
    )
    root = Path(torsionbeat.__file__).parents[1]
    result = subprocess.run(
        [sys.executable, "-c", script], cwd=root, capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "[]"


# Putting right


# Texts and places


def test_minutes_of_a_hand(bench):
    found = json.loads(bench("handcheck", "0h 0", "168h +1min", "--json"))
    assert found["sightings"][1]["hand_minus_true_s"] == 60
    found = json.loads(bench("handcheck", "0h 0", "168h -1.5 min within 30 s", "--json"))
    assert found["sightings"][1]["hand_minus_true_s"] == -90
