"""A history that is exported and taken in elsewhere is the same history."""

from __future__ import annotations

import json

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.benchlog.exchange import read_history, write_history
from torsionbeat.errors import BenchLogError, InputError

NAME = "Harbour lamp"


@pytest.mark.parametrize("target", ["history.json", "history"])
def test_a_round_trip_loses_nothing(full, tmp_path, target):
    before = full.export_clock(NAME)
    written = write_history(before, tmp_path / "exports" / target)
    assert read_history(written) == before
    with open_log(tmp_path / "elsewhere.sqlite") as other:
        other.add_clock("Something else")
        assert other.import_clock(read_history(written)).name == NAME
        assert other.export_clock(NAME) == before


def test_a_history_goes_back_to_the_database_it_came_from_under_a_new_name(full):
    before = full.export_clock(NAME)
    with pytest.raises(InputError, match="named 'Harbour lamp' already; choose another name"):
        full.import_clock(before)
    full.import_clock(before, "Copy")
    after = full.export_clock("Copy")
    assert after["clock"].pop("name") == "Copy"
    assert before["clock"].pop("name") == NAME
    assert after == before
    assert full.trials("Copy")[0].work_id != full.trials(NAME)[0].work_id  # rows of its own


@pytest.mark.parametrize("log_place", ["sqlite"], indirect=True)
def test_between_the_two_kinds_of_database(postgres_url, full, tmp_path):
    there, back = postgres_url, tmp_path / "back.sqlite"
    before = full.export_clock(NAME)
    with open_log(there) as server, open_log(back) as file:
        server.import_clock(before, "There")
        file.import_clock(server.export_clock("There"), NAME)
        assert file.export_clock(NAME) == before


def test_the_export_holds_every_column_of_every_table(full):
    from torsionbeat.benchlog.tables import Base

    document = full.export_clock(NAME)
    for table in Base.metadata.tables.values():
        if table.name == "writes":  # identities of this log's own writes: another log has its own
            continue
        rows = [document["clock"]] if table.name == "clocks" else document[table.name]
        assert rows, f"the story has no row in {table.name}"
        left_out = (
            {"id", "name_key"} if table.name == "clocks" else {"clock_id"}
        )  # the key follows from the name
        assert {column.name for column in table.columns} - left_out == rows[0].keys()
    assert [row["id"] for row in document["readings"]] == [1, 2, 3]
    assert document["readings"][2]["supersedes_id"] == 2
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_a_night_of_a_hundred_thousand_numbers_goes_through_csv(tmp_path, reading):
    swings = [
        {"time_s": n / 7, "side": "ab"[n % 2], "period_s": 60 + n / 3, "arc_deg": None} for n in range(6000)
    ]
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_clock("Attic")
        log.add_reading("Attic", reading(swings=swings))
        before = log.export_clock("Attic")
        assert read_history(write_history(before, tmp_path / "night")) == before


@pytest.mark.parametrize("log_place", ["sqlite"], indirect=True)
def test_an_export_replaces_nothing(full, tmp_path):
    (tmp_path / "kept.json").write_text("mine")
    with pytest.raises(InputError, match=r"kept\.json exists already and is not replaced"):
        write_history(full.export_clock(NAME), tmp_path / "kept.json")
    assert (tmp_path / "kept.json").read_text() == "mine"


@pytest.mark.parametrize("log_place", ["sqlite"], indirect=True)
@pytest.mark.parametrize("name", ["kept.json", "kept"])
def test_an_export_replaces_an_earlier_one_when_told(full, tmp_path, name):
    document = full.export_clock(NAME)
    write_history(document | {"clock": document["clock"] | {"notes": "old"}}, tmp_path / name)
    write_history(document, tmp_path / name, overwrite=True)
    assert read_history(tmp_path / name) == document
    assert [one.name for one in tmp_path.iterdir() if "kept" in one.name] == [name]


@pytest.mark.parametrize("log_place", ["sqlite"], indirect=True)
def test_an_export_never_replaces_a_folder_of_something_else(full, tmp_path):
    write_history(full.export_clock(NAME), tmp_path / "kept")
    (tmp_path / "kept" / "letter.txt").write_text("mine")
    with pytest.raises(InputError, match="kept is not what clock export wrote"):
        write_history(full.export_clock(NAME), tmp_path / "kept", overwrite=True)
    assert (tmp_path / "kept" / "letter.txt").read_text() == "mine"


@pytest.mark.parametrize("log_place", ["sqlite"], indirect=True)
def test_an_export_that_fails_leaves_nothing_behind(full, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(
        BenchLogError, match=r"the history was not written to .*: (Not a directory|File exists)"
    ):
        write_history(full.export_clock(NAME), tmp_path / "file" / "history")
    assert [path.name for path in tmp_path.iterdir() if "history" in path.name] == []


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is not a clock's history"),
        ("[1, 2]", "this is not a clock's history; give a file that torsionbeat clock export wrote"),
        ('{"log_schema": "0002"}', "this is not a clock's history"),
        ('{"log_schema": "0002", "clock": 3}', "says nothing of its clock"),
        (
            '{"log_schema": "0099", "torsionbeat": "9.0", "clock": {}}',
            "written by torsionbeat 9.0 .* update torsionbeat",
        ),
        ('{"log_schema": "0002", "clock": {}, "moods": []}', "update torsionbeat"),
    ],
)
def test_a_file_that_is_no_history_is_refused(tmp_path, text, message):
    path = tmp_path / "history.json"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_history(path)


def test_a_missing_export_is_said_so(tmp_path):
    with pytest.raises(InputError, match=r"none\.json cannot be read: No such file"):
        read_history(tmp_path / "none.json")
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_history(tmp_path / "folder")


@pytest.mark.parametrize("log_place", ["sqlite"], indirect=True)
@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (
            lambda d: d["trials"][0].update(reading_id=77),
            "trials, row 1, has reading_id 77, which cannot be read",
        ),
        (lambda d: d["works"][0].pop("id"), r"works, row 1, has no number \(id\)"),
        (
            lambda d: d["works"][0].update(done_at="soon"),
            "works, row 1, has done_at 'soon', which cannot be read",
        ),
        (lambda d: d["works"][0].update(what=None), "works, row 1, lacks what"),
        (lambda d: d["notes"][0].update(text=5), "notes, row 1, has text 5, which cannot be read"),
        (lambda d: d["notes"][0].update(mood="glad"), "notes, row 1, has mood, kept nowhere here"),
        (lambda d: d["clock"].update(name=""), "the clock's name is ''"),
    ],
)
def test_a_history_that_was_edited_wrongly_is_refused_whole(full, damage, message):
    document = full.export_clock(NAME)
    damage(document)
    count = len(full.clocks())
    with pytest.raises(InputError, match=message):
        full.import_clock(document, None if document["clock"]["name"] == "" else "Copy")
    assert len(full.clocks()) == count
