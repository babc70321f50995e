"""The table of deliberate faults: each can be put in, and the tests that must notice are there."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
PACKAGE = TESTS.parent / "torsionbeat"


@pytest.fixture(scope="module")
def faults():
    sys.path.insert(0, str(TESTS / "benchmarks"))
    try:
        from faults import FAULTS
    finally:
        sys.path.pop(0)
    return FAULTS


def test_each_text_stands_once_in_its_file(faults):
    texts = {one.file: (PACKAGE / one.file).read_text() for one in faults}
    assert [(one.file, one.name) for one in faults if texts[one.file].count(one.text) != 1] == []


def test_each_fault_changes_something_and_its_tests_are_there(faults):
    assert [one.name for one in faults if one.text == one.instead] == []
    assert [
        path for one in faults for path in one.tests if not (TESTS.parent / path.split("::")[0]).exists()
    ] == []
