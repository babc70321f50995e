"""The command compare: recordings kept as readings, folders, dates of a clock; words, JSON, plot, errors."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
import typer

from torsionbeat.benchlog import open_log
from torsionbeat.cli.compare import compare_command
from torsionbeat.errors import InputError

app = typer.Typer()
app.command("compare")(compare_command)

MAY = datetime(2026, 5, 1, 19, 0, tzinfo=UTC)


def document(rate, arc, source="unknown", name="", u_rate=2.5):
    return {
        "schema": 1,
        "recording": {"name": name, "duration_s": 3600.0},
        "timebase": {"source": source, "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
        "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0},
        "period_s": {"value": 60 / (1 + rate / 86_400), "standard_uncertainty": 0.001},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": u_rate},
        "arc_deg": {"value": arc, "standard_uncertainty": 0.8},
        "beats": {"expected": 120, "heard": 120},
        "swings": [],
        "remarks": [],
    }


@pytest.fixture
def bench(output_of, tmp_path, monkeypatch):
    """Give what runs the command on an empty log, in an empty folder, and gives its output."""
    monkeypatch.chdir(tmp_path)
    return output_of(app)


def keep(path, *figures, **more):
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(document(*figures, **more)))


def words(text):
    return " ".join(text.split())


def test_two_readings_are_compared_in_words(bench, tmp_path):
    keep(tmp_path / "before.json", 14.0, 430.0)
    keep(tmp_path / "after.json", 29.0, 431.0)
    said = words(bench("before.json", "after.json"))
    assert said.startswith(
        "Before: before.json. After: after.json. Changed: rate (+ gains) by +15 s/day, between +8 and"
    )
    assert "No change to be seen: arc (amplitude end to end)" in said
    assert "--same-recorder" in said


def test_a_recording_itself_is_heard(bench, tmp_path):
    recording = Path(__file__).parents[2] / "samples" / "glass-shelf-15s.flac"
    keep(tmp_path / "after.json", -52.0, 284.0)
    result = json.loads(bench(str(recording), "after.json", "--period", "15", "--json"))
    rows = {row["name"]: row for row in result["rows"]}
    rate = rows["rate (+ gains)"]
    assert rate["before"]["low"] <= -52.0 <= rate["before"]["high"]  # samples/README.md
    assert rate["verdict"] == "no change to be seen"
    assert rows["drop, side a, above the room"]["before"] is not None
    assert rows["arc (amplitude end to end)"]["before"] is None  # only the drop is heard
    assert any("nominal period differs" in remark for remark in result["remarks"])


def test_folders_are_groups(bench, tmp_path):
    for i in range(3):
        keep(tmp_path / "old" / f"{i}.json", 14.0 + i / 10, 430.0 + i)
        keep(tmp_path / "new" / f"{i}.json", 15.0 + i / 10, 460.0 + i)
    result = json.loads(bench("old", "new", "--same-recorder", "--json"))
    assert [night["recording"] for night in result["before"]["nights"]] == ["0.json", "1.json", "2.json"]
    verdicts = {row["name"]: row["verdict"] for row in result["rows"]}
    assert verdicts["rate (+ gains)"] == "changed"
    assert verdicts["arc (amplitude end to end)"] == "changed"


def test_what_is_no_night_in_a_folder_is_left_out_and_told(bench, tmp_path):
    """Notes, a sheet of truth, a damaged recording and an hour of silence among the nights: the rest is compared."""
    for i in range(2):
        keep(tmp_path / "old" / f"{i}.json", 14.0 + i / 10, 430.0 + i)
        keep(tmp_path / "new" / f"{i}.json", 29.0 + i / 10, 431.0 + i)
    (tmp_path / "old" / "notes.txt").write_text("strip of May")
    (tmp_path / "old" / "truth.json").write_text("{}")
    (tmp_path / "old" / "damaged.flac").write_bytes(b"fLaC" + bytes(400))
    soundfile.write(tmp_path / "old" / "silence.wav", np.zeros(80_000, np.float32), 8_000)
    result = json.loads(bench("old", "new", "--same-recorder", "--json"))
    assert [night["recording"] for night in result["before"]["nights"]] == ["0.json", "1.json"]
    (said,) = [remark for remark in result["remarks"] if remark.startswith("Left out of the folder old: ")]
    assert "damaged.flac, notes.txt, truth.json (neither a recording nor a reading that can be read)" in said
    assert said.endswith("; silence.wav (no clock is heard).")
    assert "files-left-out" in result["remark_codes"]
    # A folder of nothing else says what is wrong with the first.
    (tmp_path / "none").mkdir()
    (tmp_path / "none" / "notes.txt").write_text("strip of May")
    with pytest.raises(InputError, match=r"notes\.txt is not a sound file"):
        bench("none", "new")


def test_dates_of_a_clock_in_the_log(bench, tmp_path):
    from uncertainties import ufloat

    with open_log() as log:
        log.add_clock("Harbour lamp", nominal_period_s=60.0, lift_deg=20.0)
        for day, rate, arc in ((0, 14, 430), (1, 14.2, 431), (10, 29, 460), (11, 29.1, 461)):
            log.add_reading("Harbour lamp", document(rate, arc), taken_at=MAY + timedelta(days=day))
        log.add_freeswing("Harbour lamp", {}, law="air", q=ufloat(250, 5), done_at=MAY + timedelta(days=1))
        log.add_freeswing("Harbour lamp", {}, law="air", q=ufloat(320, 5), done_at=MAY + timedelta(days=10))
    result = json.loads(
        bench("2026-05-01..2026-05-02", "2026-05-11..2026-05-12", "--clock", "Harbour lamp", "--json")
    )
    rows = {row["name"]: row for row in result["rows"]}
    assert rows["rate (+ gains)"]["before"]["value"] == pytest.approx(14.1)
    assert rows["Q of the free swing"]["change"]["value"] == pytest.approx(70)
    assert result["before"]["nights"][1]["taken_at"] == (MAY + timedelta(days=1)).isoformat()


def test_a_plot_is_drawn(bench, tmp_path):
    keep(tmp_path / "a.json", 14.0, 430.0)
    bench("a.json", "a.json", "--plot", "both.png")
    assert (tmp_path / "both.png").read_bytes().startswith(b"\x89PNG")


def test_temperatures_are_named(bench, tmp_path):
    keep(tmp_path / "a.json", 14.0, 430.0)
    said = words(bench("a.json", "a.json", "--temperature-before", "18", "--temperature-after", "23"))
    assert "18.0 °C before and 23.0 °C after" in said


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("a.json", "none.flac"), "there is no file or folder none.flac; give a recording"),
        (("a.json", "empty"), "the folder empty holds no file"),
        (("a.json", "broken.json"), "broken.json cannot be read as a reading"),
        (("a.json", "list.json"), "list.json is no reading"),
        (("a.json", "other.json"), "other.json: this is not a reading: its schema is None"),
        (("2026-05-01", "2026-05-02"), "dates were given without --clock"),
        (
            ("a.json", "2026-05-09", "--clock", "Harbour lamp"),
            "no reading of 'Harbour lamp' was taken on 2026-05-09; ",
        ),
        (("a.json", "2026-05-09..2026-05-01", "--clock", "Harbour lamp"), "run backwards"),
        (("a.json", "2026-02-31", "--clock", "Harbour lamp"), "not in the calendar"),
        (("a.json", "a.json", "--clock", "Harbor lamp"), "near names: Harbour lamp"),
        (("a.json", "a.json", "--plot", "x.bmp"), "must end in"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_words(bench, tmp_path, arguments, message):
    keep(tmp_path / "a.json", 14.0, 430.0)
    (tmp_path / "empty").mkdir()
    (tmp_path / "broken.json").write_text("{")
    (tmp_path / "list.json").write_text("[]")
    (tmp_path / "other.json").write_text("{}")
    with open_log() as log:
        log.add_clock("Harbour lamp")
    with pytest.raises(InputError, match=message):
        bench(*arguments)


def test_one_recording_given_twice_is_said_by_whatever_path_or_form(bench, tmp_path):
    sample = Path(__file__).parents[2] / "samples" / "glass-shelf-15s.flac"
    here, link, hard, copy = (tmp_path / f"{name}.flac" for name in ("here", "link", "hard", "copy"))
    here.write_bytes(sample.read_bytes())
    link.symlink_to(here)
    hard.hardlink_to(here)
    copy.write_bytes(sample.read_bytes())
    (tmp_path / "sub").mkdir()
    for other in ("here.flac", "link.flac", "hard.flac", "copy.flac", "sub/../here.flac"):
        said = words(bench("here.flac", other))
        assert "Before and after are one and the same recording: here.flac" in said
        assert "Nothing can be told from it" in said
        assert "Nothing could be compared" in said
        assert "Nothing changed" not in said
    result = json.loads(bench("here.flac", "copy.flac", "--json"))
    assert result["remark_codes"][0] == "one-recording-twice"
    assert {row["verdict"] for row in result["rows"]} == {"not judged"}


def test_a_reading_kept_without_beats_is_known_again_and_left_out_of_folders(bench, tmp_path):
    keep(tmp_path / "one" / "a.json", 14.0, 430.0)
    keep(tmp_path / "one" / "b.json", 15.0, 431.0)
    keep(tmp_path / "two" / "b again.json", 15.0, 431.0)
    keep(tmp_path / "two" / "c.json", 29.0, 431.0)
    assert "one and the same recording: b.json" in words(bench("one/b.json", "one/b.json"))
    said = words(bench("one", "two"))
    assert "Left out, because it stands before and after: b.json = b again.json." in said
    assert "Changed: rate (+ gains) by +15 s/day" in said
