"""Where the page keeps sound, and what it says of a log that it began."""

from __future__ import annotations

import pytest

from torsionbeat.page.access import Access
from torsionbeat.page.bench import Bench, sounds_folder


@pytest.fixture
def plain(monkeypatch, tmp_path):
    monkeypatch.delenv("TORSIONBEAT_SOUNDS", raising=False)
    monkeypatch.setenv("TORSIONBEAT_NIGHTS", str(tmp_path / "nights"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def test_sound_lies_beside_the_log_unless_another_folder_is_named(plain, monkeypatch):
    assert sounds_folder(str(plain / "bench.sqlite")) == plain / "bench-sounds"
    monkeypatch.setenv("TORSIONBEAT_SOUNDS", str(plain / "other"))
    assert sounds_folder(str(plain / "bench.sqlite")) == plain / "other"


def test_sound_of_a_database_lies_in_the_user_s_folder_whatever_its_password(plain):
    one, two = (sounds_folder(f"postgresql://u:{word}@h/d") for word in ("first", "second"))
    assert one == two
    assert one.parent == plain / "data" / "torsionbeat"
    assert sounds_folder("postgresql://u@h/other") != one


def test_a_log_that_was_not_there_is_begun_and_said_and_one_that_was_is_not(plain):
    log = str(plain / "new.sqlite")
    for is_new in (True, False):
        told = []
        bench = Bench(log, Access())
        bench.open(told.append)
        bench.close(told.append)
        assert bool(bench.begun) is is_new
        assert any("an empty one was begun there" in one and "check --log" in one for one in told) is is_new
