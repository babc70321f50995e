"""Every remark of a reading has a stable code, in the JSON too, and nothing decides by its wording."""

from __future__ import annotations

import ast
import pickle
import re
from pathlib import Path

import pytest

import torsionbeat.reading.remarks
from torsionbeat.history.nights import reading_from_document
from torsionbeat.reading.document import reading_document
from torsionbeat.sound.remarks import Remark, as_remark

PACKAGE = Path(torsionbeat.reading.remarks.__file__).parents[1]


def test_codes_go_through_the_document_and_back(make_night):
    from dataclasses import replace

    night = replace(
        make_night(1), remarks=(Remark("gap", "Nothing was heard."), "A sentence without a code.")
    )
    document = reading_document(night)
    assert document["remarks"] == ["Nothing was heard.", "A sentence without a code."]
    assert document["remark_codes"] == ["gap", "unnamed"]
    again = reading_from_document(document)
    assert [remark.code for remark in again.remarks] == ["gap", "unnamed"]
    del document["remark_codes"]  # as it was kept before there were codes
    assert [remark.code for remark in reading_from_document(document).remarks] == ["unnamed", "unnamed"]


def test_a_remark_is_its_sentence_and_keeps_its_code():
    remark = Remark("gap", "Nothing was heard.")
    assert remark == "Nothing was heard."
    assert pickle.loads(pickle.dumps(remark)).code == "gap"
    assert as_remark(remark) is remark


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE))
)
def test_codes_are_words_joined_by_hyphens_and_sentences_end(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Remark" and node.args:
            code = node.args[0]
            if isinstance(code, ast.Constant):
                assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code.value), code.value


def test_nothing_is_decided_by_the_wording_of_a_remark():
    """The package asks for no word in a remark or a sentence, neither by ``in`` nor by how it begins or ends."""
    asked = re.compile(
        r"""["'] (?:not )?in (?:remark|sentence)\b|(?:remark|sentence)\.(?:lower|startswith|endswith|split)\(["']"""
    )
    for path in PACKAGE.rglob("*.py"):
        assert not asked.search(path.read_text(encoding="utf-8")), path
