"""Writes in doubt are remembered for a week under what was to be written; a broken file of them harms nothing."""

from __future__ import annotations

import json
import time

import pytest

from torsionbeat.benchlog.doubt import DoubtBook, fingerprint

WEEK_S = 7 * 24 * 3600


def test_what_is_remembered_is_found_until_it_is_forgotten(tmp_path):
    book = DoubtBook(tmp_path / "state" / "doubt.json")
    assert book.find("one") is None
    book.remember("one", "id-1")
    book.remember("two", "id-2")
    again = DoubtBook(tmp_path / "state" / "doubt.json")
    assert (again.find("one"), again.find("two")) == ("id-1", "id-2")
    again.forget("one")
    assert (book.find("one"), book.find("two")) == (None, "id-2")


@pytest.mark.parametrize(("age_s", "known"), [(WEEK_S - 60, True), (WEEK_S + 60, False)])
def test_after_a_week_the_same_words_are_meant_anew(tmp_path, age_s, known):
    path = tmp_path / "doubt.json"
    path.write_text(json.dumps({"one": ["id-1", time.time() - age_s]}))
    assert (DoubtBook(path).find("one") == "id-1") is known


@pytest.mark.parametrize("text", ["", "{", "[]", '{"one": 3}', '{"one": ["id"]}', "null", "\x00"])
def test_a_file_that_cannot_be_read_remembers_nothing_and_is_written_anew(tmp_path, text):
    path = tmp_path / "doubt.json"
    path.write_text(text)
    book = DoubtBook(path)
    assert book.find("one") is None
    book.remember("one", "id-1")
    assert book.find("one") == "id-1"


def test_where_nothing_can_be_written_nothing_fails(tmp_path):
    (tmp_path / "file").write_text("")
    book = DoubtBook(tmp_path / "file" / "doubt.json")
    book.remember("one", "id-1")
    book.forget("one")
    assert book.find("one") is None


def test_a_write_is_known_by_its_log_table_and_content_whatever_its_order():
    first = fingerprint("log", "notes", {"a": 1, "b": 2})
    assert first == fingerprint("log", "notes", {"b": 2, "a": 1})
    others = [fingerprint("log2", "notes", {"a": 1, "b": 2}), fingerprint("log", "works", {"a": 1, "b": 2})]
    others.append(fingerprint("log", "notes", {"a": 1, "b": 3}))
    assert len({first, *others}) == 4


def test_the_file_is_for_its_user_alone(tmp_path):
    path = tmp_path / "doubt.json"
    DoubtBook(path).remember("one", "id-1")
    assert path.stat().st_mode & 0o077 == 0
