"""An entry shown after it was kept or turned: by its name, in words, or as JSON alone."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.jobs.keep import EntryName, TurnRequest, WorkRequest, keep_work, undo_entry
from torsionbeat.terminal.entries_shown import called, kept_document, show_entry

WHEN = datetime(2026, 3, 2, 20, tzinfo=UTC)


@pytest.fixture
def log(tmp_path):
    path = str(tmp_path / "log.sqlite")
    with open_log(path) as opened:
        opened.add_clock(
            "Lamp", regulator_unit="turns", regulator_low=-5.0, regulator_high=5.0, regulator_setting=1.0
        )
    return path


def test_an_entry_is_called_by_kind_and_number():
    assert called(EntryName("note", 3), "Lamp") == "note 3 of Lamp"
    assert called(EntryName("clock", None), "Lamp") == "the clock Lamp"


def test_what_was_kept_is_given_as_json_has_it(log):
    kept = keep_work(WorkRequest("Lamp", "regulator", "half a turn", {"moved": -0.5}, WHEN, log))
    document = kept_document(kept, "Lamp")
    assert (document["clock"], document["kind"], document["what"]) == ("Lamp", "regulator", "half a turn")
    assert document["details"]["moved"] == -0.5
    assert datetime.fromisoformat(document["done_at"]) == WHEN


def test_a_work_taken_back_says_where_the_regulator_stands_now(log, capsys):
    keep_work(WorkRequest("Lamp", "regulator", "half a turn", {"moved": -0.5}, WHEN, log))
    turned = undo_entry(TurnRequest("Lamp", EntryName("work", 1), "slip", log))
    show_entry(turned, False, "work 1 of Lamp is taken back.")
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("work 1 of Lamp is taken back. half a turn (moved -0.5")
    assert "In the record now: " in said
    assert "1 turns" in said
    show_entry(turned, True, "not said")
    document = json.loads(capsys.readouterr().out)
    assert (document["clock"], document["kind"], document["retracted_because"]) == ("Lamp", "work", "slip")
