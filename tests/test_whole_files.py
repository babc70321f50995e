"""A file is there whole or not at all."""

from __future__ import annotations

import os

import pytest

from torsionbeat.whole_files import written_whole


@pytest.mark.parametrize("private", [True, False])
@pytest.mark.parametrize("secure", [True, False])
def test_takes_the_place_of_the_old_one_at_the_end(tmp_path, private, secure):
    path = tmp_path / "reading.json"
    path.write_text("old")
    with written_whole(path, private=private, secure=secure) as part:
        part.write_text("new")
        assert path.read_text() == "old"
    assert path.read_text() == "new"
    if private and os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o600
    assert [one.name for one in tmp_path.iterdir()] == ["reading.json"]


def test_an_error_on_the_way_leaves_the_old_one(tmp_path):
    path = tmp_path / "reading.json"
    path.write_text("old")

    def write(part):
        part.write_text("ne")
        raise ZeroDivisionError("midway")

    with pytest.raises(ZeroDivisionError, match="midway"), written_whole(path) as part:
        write(part)
    assert path.read_text() == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["reading.json"]


def test_a_folder_that_is_gone_is_told(tmp_path):
    with pytest.raises(OSError, match="No such file"), written_whole(tmp_path / "gone" / "a") as part:
        part.write_text("x")


def test_a_folder_appears_whole_or_not_at_all(tmp_path):
    place = tmp_path / "export"
    with written_whole(place) as part:
        part.mkdir()
        (part / "a.csv").write_text("1")
        assert not place.exists()
    assert [one.name for one in place.iterdir()] == ["a.csv"]

    def break_off(part):
        part.mkdir()
        (part / "a.csv").write_text("1")
        raise RuntimeError("on the way")

    with pytest.raises(RuntimeError, match="on the way"), written_whole(tmp_path / "other") as part:
        break_off(part)
    assert [one.name for one in tmp_path.iterdir()] == ["export"]
