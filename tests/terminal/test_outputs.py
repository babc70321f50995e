"""Where a command's files go and what they may replace: its own kind and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import Outputs, drawn_to, refuse_harm, refuse_log, refuse_taken


@pytest.fixture(autouse=True)
def no_log(monkeypatch, tmp_path):
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.sqlite"))


@pytest.mark.parametrize(
    ("name", "content", "own"),
    [
        ("a.json", b' {"schema": 1}', True),
        ("a.json", b'[{"schema": 1}]', True),
        ("a.json", b'{"name": 1}', False),
        ("a.json", b'x {"schema": 1}', False),
        ("a.csv", b"time_s,side\n", True),
        ("a.csv", b"number,period\n", True),
        ("a.csv", b"name,time_s\n", False),
        ("a.txt", b"1.0\t1.0\ta contact\n", True),
        ("a.txt", b"1.0\t1.0\tb drop\n", True),
        ("a.txt", b"my notes", False),
        ("a.svg", b"<svg><!-- Created with matplotlib -->", True),
        ("a.svg", b"<svg>mine</svg>", False),
        ("a.png", b"\x89PNG" + b"x" * 9000 + b"Software matplotlib", True),  # the mark stands at the end
        ("a.html", b"<!-- torsionbeat -->", True),
        ("a.html", b"<html>mine</html>", False),
        ("a.json", b"", True),  # an empty file is nobody's
    ],
)
def test_a_file_is_replaced_where_it_is_of_the_output_s_own_kind(tmp_path, name, content, own):
    path = tmp_path / name
    path.write_bytes(content)
    if own:
        refuse_taken("--json", path)
    else:
        with pytest.raises(
            InputError, match="was not written by this command; choose another name or add --overwrite"
        ):
            refuse_taken("--json", path)
    refuse_taken("--json", tmp_path / "not-there.json")


def test_an_input_the_log_and_another_output_are_never_written_over(tmp_path):
    night, log, out = tmp_path / "night.flac", tmp_path / "log.sqlite", tmp_path / "out.json"
    for path in (night, log):
        path.write_bytes(b"x")
    link = tmp_path / "link.json"
    link.hardlink_to(night)
    for path, what in (
        (night, "the recording"),
        (link, "the recording"),
        (log, "the bench log"),
        (tmp_path / "log.sqlite-wal", "the bench log"),
    ):
        with pytest.raises(InputError, match=f"which is {what} .*; it would be lost: give another name"):
            refuse_harm([("--json", path)], [night], overwrite=True)
    with pytest.raises(InputError, match=r"--plot and --json are both .*; give each a file of its own"):
        refuse_harm([("--json", out), ("--plot", tmp_path / "." / "out.json")])
    with pytest.raises(InputError, match=r"there is no folder .*; make it first"):
        refuse_harm([("--json", tmp_path / "none" / "out.json")])
    refuse_harm([("--json", out)], [night])
    with pytest.raises(InputError, match="which is the bench log"):
        refuse_log("--json", log, None)


def test_a_folder_of_sound_is_an_input_but_for_its_readings(tmp_path):
    folder = tmp_path / "night"
    folder.mkdir()
    for name in ("sound-0000.flac", "reading.json"):
        (folder / name).write_bytes(b'{"schema": 1}')
    with pytest.raises(InputError, match="which is the recording"):
        refuse_harm([("--json", folder / "sound-0000.flac")], [folder], overwrite=True)
    refuse_harm([("--json", folder / "reading.json")], [folder])


def test_several_recordings_need_a_folder_and_a_plot_its_ending(tmp_path):
    two = (Path("north/night.flac"), Path("south/night.flac"))
    with pytest.raises(InputError, match="for several recordings give a folder that exists"):
        Outputs(two, None, str(tmp_path / "events.csv"), None)
    made = Outputs(two, None, f"{tmp_path / 'events'}/", None)
    assert [path.name for path in made._places(tmp_path / "events", "--events")] == [
        "north-night.flac.events.csv",
        "south-night.flac.events.csv",
    ]
    with pytest.raises(InputError, match=r"its name must end in \.png, \.svg or \.pdf"):
        Outputs(two[:1], None, None, str(tmp_path / "plot.gif"))
    assert Outputs(two, "-", None, None).json_only
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match="there is no folder"):
        Outputs(two[:1], f"{tmp_path}/none/there/", None, None)


def test_no_picture_is_made_where_none_is_asked_for(tmp_path):
    def never():
        raise AssertionError("was drawn")

    drawn_to(None, None, False)(never)
    taken = tmp_path / "plot.svg"
    taken.write_bytes(b"mine")
    with pytest.raises(InputError, match="add --overwrite"):
        drawn_to(taken, None, False)


def test_links_in_a_ring_are_refused_in_words(tmp_path):
    """A link to itself, and two to each other, as an output; as a recording beside an output they are read later, and refused."""
    for name, target in (("loop", "loop"), ("here", "there"), ("there", "here")):
        (tmp_path / name).symlink_to(tmp_path / target)
    for name in ("loop", "here"):
        with pytest.raises(InputError, match="leads back to itself"):
            refuse_harm([("--json", tmp_path / name)])
    (tmp_path / "out").mkdir()
    Outputs((tmp_path / "loop", tmp_path / "night.flac"), str(tmp_path / "out"), None, None)


@pytest.mark.parametrize("asked", [("", None, None), (None, "", None), (None, None, ""), (None, None, "-")])
def test_an_output_without_a_name_is_refused_before_anything_is_read(asked):
    with pytest.raises(InputError, match=r"empty name|must end in"):
        Outputs((Path("night.flac"),), *asked)
