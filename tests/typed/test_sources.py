"""What a word stands for."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from torsionbeat.errors import InputError
from torsionbeat.typed.sources import document_of, entry_of, side_of
from torsionbeat.typed.times import whole_days


def test_a_document_comes_from_a_file_or_from_standard_input(tmp_path, monkeypatch):
    path = tmp_path / "reading.json"
    path.write_text('{"schema": 1}', encoding="utf-8")
    assert document_of(path) == {"schema": 1}
    monkeypatch.setattr("sys.stdin", io.StringIO('{"schema": 2}'))
    assert document_of(Path("-")) == {"schema": 2}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "cannot be read as a reading"),
        ("[1]", "is no reading"),
        ("", "cannot"),
        ("[" * 100_000, "cannot be read as a reading"),
    ],
)
def test_a_document_that_is_none_is_refused(tmp_path, text, said):
    path = tmp_path / "reading.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        document_of(path)


def test_a_document_that_is_not_there_or_far_too_large_is_refused(tmp_path, monkeypatch):
    with pytest.raises(InputError, match=r"give what analyse --json wrote"):
        document_of(tmp_path / "none.json")
    monkeypatch.setattr("torsionbeat.jobs.compare.LARGEST_JSON_BYTES", 4)
    path = tmp_path / "reading.json"
    path.write_text("[1, 2, 3]", encoding="utf-8")
    with pytest.raises(InputError, match=r"has 9 bytes; a reading has less than 500 MB"):
        document_of(path)


def test_a_side_is_a_file_where_there_is_one_else_days(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    days = side_of("2026-03-01")
    assert (days.start, days.end) == whole_days("2026-03-01")
    Path("2026-03-01").mkdir()
    assert side_of("2026-03-01") == Path("2026-03-01")
    assert side_of("before.flac") == Path("before.flac")


@pytest.mark.parametrize(
    ("words", "kind", "number"),
    [
        (["note", "3"], "note", 3),
        (["Work 12"], "work", 12),
        (["hand", "check", "1"], "hand check", 1),
        (["handcheck 1"], "hand check", 1),
        (["freeswing", "2"], "free swing", 2),
        (["clock"], "clock", None),
    ],
)
def test_an_entry_is_its_kind_and_number(words, kind, number):
    entry = entry_of(words)
    assert entry.kind == kind
    assert number is None or entry.number == number


@pytest.mark.parametrize(
    "words", [[], [""], ["3"], ["note"], ["note", "three"], ["note", "1234567890"], ["note", "-3"]]
)
def test_an_entry_that_cannot_be_read_is_refused(words):
    with pytest.raises(InputError, match=r"write it as clock show does"):
        entry_of(words)
