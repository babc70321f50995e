"""A history from elsewhere is taken whole or not at all, and a row that cannot be hides no other."""

from __future__ import annotations

import copy
import csv
import json
import sqlite3
import stat
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.benchlog.exchange import read_history, write_history
from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.jobs.clock_history import HistoryRequest, clock_history

NAME = "Harbour lamp"


@pytest.fixture
def history(full):
    """Give the history of the clock that has something in every table."""
    return full.export_clock(NAME)


@pytest.fixture
def log_place(tmp_path):
    """Give the place of a log file that is not there yet."""
    return tmp_path / "benchlog.sqlite"


def put(table, row, **values):
    def damage(document):
        (document[table] if table == "clock" else document[table][row - 1]).update(values)

    return damage


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (
            put("clock", 0, nominal_period_s=-1),
            "the history's clock: nominal_period_s is -1; it must lie between 0.1",
        ),
        (put("clock", 0, nominal_period_s=float("nan")), "clock: nominal_period_s is nan"),
        (put("clock", 0, lift_deg=float("inf")), "clock: lift_deg is inf"),
        (
            put("clock", 0, lift_deg="20"),
            "clock, has lift_deg '20', which cannot be read .it is not a number",
        ),
        (put("clock", 0, lift_deg=True), "clock, has lift_deg True"),
        (put("clock", 0, kind="sundial"), "clock: kind is 'sundial'; it must be one of 400-day"),
        (put("clock", 0, arc_low_deg=700.0), "arc low is 700 and arc high is 540"),
        (put("clock", 0, stated=[1]), "clock, has stated"),
        (put("clock", 0, stated={"weight_total_g": {"value": "x"}}), "clock: stated is"),
        (put("clock", 0, name=["a"]), "has name"),
        (put("works", 1, kind="magic"), "works, row 1: kind is 'magic'; it must be one of spring"),
        (put("works", 2, details={"added_g": 9e9}), "works, row 2: added_g is 9000000000.0"),
        (put("works", 1, details=[1]), "works, row 1, has details"),
        (put("works", 1, id=[1]), r"works, row 1, has no number \(id\) of its own"),
        (put("works", 2, id=1), r"works, row 2, has no number \(id\) of its own"),
        (put("works", 1, id=True), r"works, row 1, has no number"),
        (put("works", 1, done_at="9999-12-31T23:59:59+00:00"), "works, row 1, has done_at '9999"),
        (put("works", 1, done_at=5), "works, row 1, has done_at 5"),
        (put("works", 1, what="a\0b"), "works, row 1, has what"),
        (
            put("readings", 1, u_rate_s_per_day=-0.25),
            "readings, row 1, has u_rate_s_per_day -0.25, but its document",
        ),
        (put("readings", 1, rate_s_per_day=0.1), "has rate_s_per_day 0.1, but its document says 1020.0"),
        (
            put("readings", 2, timebase_source="host"),
            "readings, row 2, has timebase_source 'host', but its document",
        ),
        (put("readings", 1, document=None), "readings, row 1: its document is a NoneType"),
        (put("readings", 1, document={"schema": 1}), "readings, row 1: this is not a reading"),
        (put("readings", 3, supersedes_id=9), "readings, row 3, has supersedes_id 9, which cannot be read"),
        (put("readings", 1, supersedes_id=1), "readings, row 1, has supersedes_id 1.*no row 1 before it"),
        (put("readings", 1, temperature_c=900.0), "readings, row 1: temperature_c is 900"),
        (
            put("hand_checks", 1, u_rate_s_per_day=-1.0),
            "hand_checks, row 1: u_rate_s_per_day is -1; it must lie",
        ),
        (put("hand_checks", 1, span_h=0), "hand_checks, row 1: span_h is 0; it must lie between 0.001"),
        (put("hand_checks", 1, rate_s_per_day=10**400), "hand_checks, row 1, has rate_s_per_day 1000"),
        (put("hand_checks", 1, sightings={}), "hand_checks, row 1, has sightings"),
        (put("free_swings", 1, u_q=None), "free_swings, row 1: q has no uncertainty"),
        (put("free_swings", 1, u_q=-3.0), "free_swings, row 1: u_q is -3"),
        (put("trials", 1, reading_id=[1]), "trials, row 1, has reading_id .1., which cannot be read"),
        (put("trials", 1, u_expected_rate_s_per_day=-1.0), "trials, row 1: u_expected_rate_s_per_day is -1"),
        (lambda d: d.pop("notes"), "this history has no list of notes; part of it is missing"),
        (lambda d: d.pop("changes"), "this history has no list of changes; part of it is missing"),
        (lambda d: d.update(works={}), "this history has no list of works"),
        (lambda d: d["works"].append(7), r"works, row 4, has no number \(id\)"),
        (lambda d: d.update(log_schema=["0003"]), "update torsionbeat"),
    ],
)
def test_what_cannot_be_is_named_with_its_place_and_nothing_is_taken(full, history, damage, message):
    document = copy.deepcopy(history)
    damage(document)
    with pytest.raises(InputError, match=message):
        full.import_clock(document, "Copy")
    assert [clock.name for clock in full.clocks()] == [NAME, "Schoolroom"]
    full.import_clock(history, "Copy")  # as it was, it is taken


def test_a_reading_with_a_negative_uncertainty_in_its_document_is_refused(full, history):
    history["readings"][0]["document"]["arc_deg"]["standard_uncertainty"] = -0.8
    history["readings"][0]["u_arc_deg"] = -0.8
    with pytest.raises(InputError, match=r"readings, row 1: u_arc_deg is -0\.8; it must lie between 0"):
        full.import_clock(history, "Copy")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[" * 200_000 + "]" * 200_000, "it is nested beyond reading"),
        ('{"log_schema": "0003", "clock": {"lift_deg": %s}}' % ("9" * 400), "a number of 400 digits"),
        ('{"log_schema": "0003", "clock": {}', "is not a clock's history"),
    ],
)
def test_a_file_that_no_export_wrote_is_refused_in_a_sentence(tmp_path, text, message):
    path = tmp_path / "history.json"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_history(path)


WRONG = (
    None,
    -1,
    1e400,
    float("nan"),
    True,
    "",
    "x" * 30_000,
    "\0",
    [],
    [[1]],
    {},
    {"a": {}},
    10**400,
    "2026",
    "é",
)


def test_five_hundred_hostile_documents_end_in_a_sentence_or_in_a_clock_that_can_be_shown(
    full, history, tmp_path
):
    """Any value in place of any other: refused in words, or kept and readable."""
    from torsionbeat.jobs.clock_history import HistoryRequest, clock_history

    rng = np.random.default_rng(31)
    taken = 0
    for number in range(500):
        document = copy.deepcopy(history)
        at, key = document, ""
        while True:
            keys = list(at) if isinstance(at, dict) else list(range(len(at)))
            key = keys[rng.integers(len(keys))]
            inner = at[key]
            if not isinstance(inner, dict | list) or not inner or rng.random() < 0.1:
                break
            at = inner
        at[key] = WRONG[rng.integers(len(WRONG))]
        try:
            full.import_clock(document, f"Copy {number}")
        except InputError:
            continue
        taken += 1
        shown = clock_history(HistoryRequest(f"Copy {number}", log=full.where))
        assert shown.remarks == ()
        full.export_clock(f"Copy {number}")
    assert 20 < taken < 400  # some changes are harmless (a text for a text); most are not


# A row that cannot be


def spoil(place, sql):
    connection = sqlite3.connect(place)
    connection.execute("PRAGMA ignore_check_constraints = ON")
    connection.execute(sql)
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        (
            "UPDATE readings SET u_rate_s_per_day = -0.25 WHERE id = 2",
            "reading 2 of 'Harbour lamp': u_rate_s_per_day is",
        ),
        (
            "UPDATE readings SET rate_s_per_day = 'fast' WHERE id = 2",
            "reading 2 of 'Harbour lamp': rate_s_per_day is 'f",
        ),
        ("UPDATE works SET kind = 'magic' WHERE id = 2", "work 2 of 'Harbour lamp': kind is 'magic'"),
        ("UPDATE works SET done_at = 'soon' WHERE id = 2", "work 2 of 'Harbour lamp'"),
        (
            "UPDATE notes SET written_at = '0001-01-01 00:00:00.000000' WHERE id = 2",
            "note 2 of 'Harbour lamp'",
        ),
        (
            "UPDATE hand_checks SET u_rate_s_per_day = -1",
            "hand check 1 of 'Harbour lamp': u_rate_s_per_day is -1",
        ),
        ("UPDATE free_swings SET u_q = -1", "free swing 1 of 'Harbour lamp': u_q is -1"),
        ("UPDATE works SET details = '{torn' WHERE id = 2", "work 2 of 'Harbour lamp'"),
        ("UPDATE clocks SET lift_deg = -3 WHERE id = 1", "the clock 'Harbour lamp': lift_deg is -3"),
        ("UPDATE clocks SET added_at = 'soon' WHERE id = 1", "the clock 1"),
    ],
)
def test_a_row_that_cannot_be_is_named_and_hides_nothing_else(full, log_place, sql, said):
    from torsionbeat.jobs.clock_history import HistoryRequest, ListRequest, clock_history, list_clocks

    spoil(log_place, sql)
    listed = list_clocks(ListRequest(str(log_place)))
    assert "Schoolroom" in [one.clock.name for one in listed.clocks]
    remarks = list(listed.remarks)
    if "clocks" not in sql:
        whole = clock_history(HistoryRequest(NAME, log=str(log_place)))
        remarks += whole.remarks
        assert len(whole.entries) >= 8  # of ten
    assert any(said in remark for remark in remarks), remarks


# Files


def test_cells_that_a_spreadsheet_would_run_are_marked_and_come_back(full, tmp_path):
    texts = ["=1+1", "+1", "-2 g", "@SUM(A1)", "'quoted", "\tx", "plain", "''"]
    for text in texts:
        full.add_note("Schoolroom", text if text.strip() == text else f"={text}")
    before = full.export_clock("Schoolroom")
    folder = write_history(before, tmp_path / "export")
    with (folder / "notes.csv").open(newline="", encoding="utf-8") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    assert read_history(folder) == before


def test_an_older_export_keeps_its_quotes(full, tmp_path):
    document = full.export_clock("Schoolroom")
    folder = write_history(document, tmp_path / "export")
    text = (folder / "notes.csv").read_text()
    (folder / "notes.csv").write_text(text.replace("Waiting", "'Waiting"))
    schema = folder / "torsionbeat_schema.csv"
    schema.write_text(schema.read_text().replace("0003", "0002"))
    assert read_history(folder)["notes"][0]["text"].startswith("'Waiting")


@pytest.mark.parametrize("target", ["history.json", "history"])
def test_an_export_is_for_its_owner_alone(history, tmp_path, target):
    written = write_history(history, tmp_path / target)
    files = list(written.iterdir()) if written.is_dir() else [written]
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    if written.is_dir():
        assert stat.S_IMODE(written.stat().st_mode) == 0o700


def test_many_readings_are_written_while_others_wait_only_a_moment(full, history, log_place):
    """The writing itself is short: another bench's note is kept while an import of 3000 readings goes on."""
    import threading
    import time

    row = history["readings"][0]
    history["readings"] = [
        row | {"id": number, "recording_sha256": "", "recording_id": f"night {number}"}
        for number in range(1, 3001)
    ]
    history["trials"] = []
    done = threading.Thread(target=full.import_clock, args=(history, "Copy"))
    longest = 0.0
    with open_log(log_place) as other:
        done.start()
        while done.is_alive():
            begun = time.monotonic()
            other.add_note("Schoolroom", "meanwhile")
            longest = max(longest, time.monotonic() - begun)
        done.join()
    assert len(full.readings("Copy", documents=False)) == 3000
    assert longest < 10.0  # a third of a second a thousand here; a writer gives up after 20 s


def test_errors_are_of_this_package(full):
    with pytest.raises(TorsionbeatError, match=r"JSON object|history"):
        full.import_clock(json.loads("[]"), "x")


def test_report_and_advice_go_on_without_a_row_that_cannot_be_and_say_so(
    full, log_place, tmp_path, capsys, monkeypatch
):
    from torsionbeat.cli import main

    monkeypatch.setenv("TORSIONBEAT_LOG", str(log_place))
    spoil(log_place, "UPDATE hand_checks SET u_rate_s_per_day = -1")
    for arguments in (
        ["report", NAME, "--output", str(tmp_path / "report.html")],
        ["correct", "--clock", NAME],
        ["clock", "show", NAME],
        ["clock", "show", "Schoolroom"],
        ["clock", "list"],
    ):
        assert main(arguments) == 0, capsys.readouterr()
        out, err = capsys.readouterr()
        said = " ".join((out + err).split())
        assert ("Left out, since it cannot be: hand check 1 of 'Harbour lamp'" in said) == (
            NAME in arguments
        ), said


def test_a_reading_whose_document_is_damaged_ends_nothing_and_can_be_taken_back(log, reading, log_place):
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.jobs.advise import AdviseRequest, advise
    from torsionbeat.jobs.compare import CompareRequest, Days, compare

    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    log.add_clock("Pier", nominal_period_s=60.0, lift_deg=20.0)
    for day in range(4):
        log.add_reading("Pier", reading(2.0 + day), taken_at=start + timedelta(days=day))
    spoil(log_place, "UPDATE readings SET document = '{torn' WHERE id = 2")
    said = "Left out, since it cannot be: reading 2 of 'Pier': it cannot be read."
    assert [row.rate_s_per_day for row in log.readings("Pier")] == [2.0, 4.0, 5.0]
    assert list(map(str, log.left_out)) == [said]
    days = [Days(start + timedelta(days=first), start + timedelta(days=first + 2)) for first in (0, 2)]
    told = compare(CompareRequest(*days, KnownClock("Pier", log=str(log_place))))
    assert [str(one) for one in told.remarks].count(said) == 1
    assert [len(group.nights) for group in (told.before, told.after)] == [1, 2]
    assert said in map(str, advise(AdviseRequest("Pier", log=str(log_place))).remarks)
    assert log.retract("Pier", "reading", 2, "torn").retracted_because == "torn"
    # what was taken back is missed by nobody
    told = compare(CompareRequest(*days, KnownClock("Pier", log=str(log_place))))
    assert said not in map(str, told.remarks)
    assert said not in map(str, advise(AdviseRequest("Pier", log=str(log_place))).remarks)
    with open_log(str(log_place)) as again:
        assert len(again.readings("Pier")) == 3
        assert not again.left_out
        assert len(again.readings("Pier", retracted=True)) == 3
        assert not again.left_out


def test_a_damaged_reading_is_named_by_what_is_shown_until_it_is_taken_back(log, reading, log_place):
    start = datetime(2026, 3, 1, 20, tzinfo=UTC)
    log.add_clock("Pier", nominal_period_s=60.0, lift_deg=20.0)
    for day in range(3):
        log.add_reading("Pier", reading(2.0 + day), taken_at=start + timedelta(days=day))
    spoil(log_place, "UPDATE readings SET arc_deg = -4000 WHERE id = 2")
    request = HistoryRequest("Pier", log=str(log_place))
    before = clock_history(request)
    assert "reading 2 of 'Pier'" in " ".join(map(str, before.remarks))
    log.retract("Pier", "reading", 2, "torn")
    after = clock_history(request)
    assert not after.remarks
    assert [entry.number for entry in after.of_kind("reading")] == [1, 3]
    assert [change.row_id for change in log.changes("Pier")] == [2]
    with pytest.raises(InputError, match="arc_deg is -4000"):
        log.restore("Pier", "reading", 2, "not torn")
