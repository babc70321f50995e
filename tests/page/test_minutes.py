"""A night in a minute: put together once, in a process of its own, and a sentence where it cannot be."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from torsionbeat.errors import InputError
from torsionbeat.page.minutes import Minutes
from torsionbeat.page.reader import Limits

NO_READING = {"schema": 1}
STUB = (
    sys.executable, "-c",
    "import sys, json; r = json.loads(sys.stdin.read()); open(r['minute'], 'ab').write(b'x'); print('{\"beats\": 1}')",
)  # fmt: skip
"""Writes one byte more each time it is begun."""


@pytest.fixture
def sound(tmp_path):
    path = tmp_path / "night.flac"
    path.write_bytes(b"no sound at all")
    return path


def minutes(tmp_path, command=None):
    limits = Limits() if command is None else replace(Limits(), command=command)
    return Minutes(tmp_path / "minutes", limits)


def test_it_is_put_together_once_and_anew_where_the_recording_is_another(tmp_path, sound):
    made = minutes(tmp_path, STUB)
    assert made.find("reading-1", sound) is None
    first = made.made("reading-1", sound, NO_READING)
    assert made.made("reading-1", sound, NO_READING) == first == made.find("reading-1", sound)
    assert first.read_bytes() == b"x"
    made.made("reading-12", sound, NO_READING)
    os.utime(sound, (1e9, 1e9))
    assert made.find("reading-1", sound) is None
    second = made.made("reading-1", sound, NO_READING)
    assert second != first
    assert not first.exists()  # what is of a recording that is no more is not kept
    made.forget("reading-1")
    assert [path.name.partition(".")[0] for path in (tmp_path / "minutes").iterdir()] == ["reading-12"]


def test_a_sound_that_is_gone_or_is_none_or_harms_its_decoder_is_a_sentence(tmp_path, sound):
    with pytest.raises(InputError, match="no longer on this computer"):
        minutes(tmp_path).made("reading-1", Path("gone.flac"), NO_READING)
    with pytest.raises(InputError, match="is not a sound file"):
        minutes(tmp_path).made("reading-1", sound, NO_READING)
    for code in ("import os; os.abort()", "print('nonsense')", "pass"):
        with pytest.raises(InputError, match="could not be put together"):
            minutes(tmp_path, (sys.executable, "-c", code)).made("reading-1", sound, NO_READING)
    assert list((tmp_path / "minutes").iterdir()) == []
