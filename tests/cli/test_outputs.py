"""What commands write: nothing that is read, no log and no file of another kind is ever destroyed."""

from __future__ import annotations

import os
import shutil

import pytest

from torsionbeat.benchlog import open_log


@pytest.fixture
def clip(sounds, tmp_path):
    """Give a recording of the small clock that a test may harm."""
    return shutil.copy(sounds / "clock.flac", tmp_path / "x.flac")


def untouched(path, before):
    return path.read_bytes() == before


@pytest.mark.parametrize("option", ["--json", "--events", "--plot"])
@pytest.mark.parametrize("way", ["itself", "link", "hard link", "another spelling"])
def test_a_recording_is_never_overwritten_by_what_is_made_of_it(run, clip, tmp_path, option, way):
    before = clip.read_bytes()
    target = clip
    if way == "link":
        target = tmp_path / "link.png"
        target.symlink_to(clip)
    elif way == "hard link":
        target = tmp_path / "hard.png"
        os.link(clip, target)
    elif way == "another spelling":
        target = tmp_path / "." / "nights" / ".." / "x.flac"
        (tmp_path / "nights").mkdir()
    done = run("analyse", clip, option, target, "--period", "6", "--overwrite")
    assert done.status == 2
    assert done.out == ""
    assert "it would be lost: give another name" in " ".join(done.err.split())
    assert untouched(clip, before)


def test_the_log_is_never_overwritten(run, clip, tmp_path):
    log = tmp_path / "benchlog.sqlite"
    with open_log() as opened:
        opened.add_clock("Alder", nominal_period_s=6.0)
    before = log.read_bytes()
    for more in ([], ["--overwrite"]):
        done = run("analyse", clip, "--json", log, "--clock", "Alder", *more)
        assert done.status == 2
        assert "which is the bench log" in " ".join(done.err.split())
    done = run("report", "Alder", "--output", tmp_path / "r.html")
    assert done.status == 0
    (tmp_path / "page.html").symlink_to(log)
    assert run("report", "Alder", "--output", tmp_path / "page.html", "--overwrite").status == 2
    assert untouched(log, before)


def test_two_outputs_are_two_files(run, clip, tmp_path):
    done = run("analyse", clip, "--json", tmp_path / "one.csv", "--events", tmp_path / "one.csv")
    assert done.status == 2
    assert "--events and --json are both" in " ".join(done.err.split())
    assert not (tmp_path / "one.csv").exists()


@pytest.mark.parametrize(
    ("option", "name"),
    [("--json", "a.json"), ("--events", "a.csv"), ("--events", "a.txt"), ("--plot", "a.svg")],
)
def test_its_own_kind_is_replaced_and_another_is_not(run, clip, tmp_path, option, name):
    target = tmp_path / name
    for _ in range(2):  # the second time the file is there, of its own kind
        assert run("analyse", clip, option, target, "--period", "6").status == 0
    target.write_text("my notes of 1987")
    done = run("analyse", clip, option, target, "--period", "6")
    assert done.status == 2
    assert "choose another name or add --overwrite" in " ".join(done.err.split())
    assert target.read_text() == "my notes of 1987"
    assert run("analyse", clip, option, target, "--period", "6", "--overwrite").status == 0
    assert target.read_bytes() != b"my notes of 1987"


def test_an_empty_file_is_nobody_s(run, clip, tmp_path):
    (tmp_path / "a.json").touch()
    assert run("analyse", clip, "--json", tmp_path / "a.json", "--period", "6").status == 0


def test_two_recordings_of_one_name_have_two_files(run, clip, tmp_path):
    for folder in ("north", "south"):
        (tmp_path / folder).mkdir()
        shutil.copy(clip, tmp_path / folder / "night.flac")
    (tmp_path / "out").mkdir()
    places = [tmp_path / folder / "night.flac" for folder in ("north", "south")]
    done = run("analyse", *places, "--json", tmp_path / "out", "--events", tmp_path / "out", "--period", "6")
    assert done.status == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "north-night.flac.events.csv",
        "north-night.flac.json",
        "south-night.flac.events.csv",
        "south-night.flac.json",
    ]


@pytest.mark.parametrize("count", [1, 2])
def test_a_name_that_ends_in_a_slash_is_a_folder_and_is_made(run, clip, tmp_path, count):
    places = [clip, shutil.copy(clip, tmp_path / "y.flac")][:count]
    asked = [part for kind in ("json", "events", "plot") for part in (f"--{kind}", f"{tmp_path / kind}/")]
    done = run("analyse", *places, *asked, "--period", "6")
    assert done.status == 0
    for kind, ending in (("json", "json"), ("events", "events.csv"), ("plot", "png")):
        written = sorted(path.name for path in (tmp_path / kind).iterdir())
        assert written == [f"x.flac.{ending}", f"y.flac.{ending}"][:count]


def test_a_folder_that_cannot_be_made_is_refused_before_anything_is_read(run, clip, tmp_path):
    (tmp_path / "taken").write_text("mine")
    for name, said in (
        ("no/such/", f"there is no folder {tmp_path / 'no'}; make it first"),
        ("taken/", "which is a file; give a folder"),
    ):
        done = run("analyse", clip, "--json", f"{tmp_path}/{name}", "--period", "6")
        assert done.status == 2
        assert said in " ".join(done.err.split())
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_picture_of_a_comparison_does_not_replace_a_side(run, clip, tmp_path):
    before = clip.read_bytes()
    (tmp_path / "side.png").symlink_to(clip)
    done = run("compare", clip, clip, "--plot", tmp_path / "side.png", "--period", "6")
    assert done.status == 2
    assert untouched(clip, before)


def test_simulate_leaves_the_truth_of_another_alone(run, tmp_path):
    (tmp_path / "new.truth.csv").write_text("mine")
    done = run("simulate", tmp_path / "new.flac", "--minutes", "0.2", "--room", "quiet")
    assert done.status == 2
    assert "new.truth.csv exists and was left alone" in " ".join(done.err.split())
    assert not (tmp_path / "new.flac").exists()


def test_a_status_file_is_not_added_to_a_recording(run, clip):
    before = clip.read_bytes()
    done = run("listen", "--for", "10s", "--status", clip)
    assert done.status == 2
    assert untouched(clip, before)
