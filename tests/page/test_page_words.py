"""What the page says names no option of a command: every sentence below it that does is said otherwise."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from torsionbeat.page.page_words import COMMANDS, page_words

PACKAGE = Path(__file__).parents[2] / "torsionbeat"
BELOW = (
    "jobs",
    "reading",
    "regulation",
    "history",
    "benchlog",
    "bench",
    "live",
    "hearing",
    "display/judgement.py",
    "display/changes.py",
    "display/words.py",
)
NAMES_AN_OPTION = re.compile(rf"--[a-z]|-high\b|torsionbeat ({COMMANDS})\b")
NEVER_ON_THE_PAGE = (
    "compare.py",  # of two files on a command line; the page compares two nights of the log
    "cluster.py",
    "temperature.py",  # a logger's record of the room
    "exchange.py",
    "imports.py",
    "sound/hostclock.py",
)
FILES_ALONE = re.compile(
    r"analyse (--json|--events)? ?wrote|--events|--room|--towards|--cold|--swap-sides or|Give --lift if|or use --mark"
)
"""Sentences on files and options that only a command line takes."""


def sentences():
    for folder in BELOW:
        for path in sorted((PACKAGE / folder).rglob("*.py")) or [PACKAGE / folder]:
            if path.name in NEVER_ON_THE_PAGE:
                continue
            tree = ast.parse(path.read_text(encoding="utf-8"))
            docs = {
                id(node.body[0].value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
                and node.body
                and isinstance(node.body[0], ast.Expr)
            }
            docs |= {id(one.value) for one in ast.walk(tree) if isinstance(one, ast.Expr)}
            inside = {
                id(part) for one in ast.walk(tree) if isinstance(one, ast.JoinedStr) for part in one.values
            }
            for node in ast.walk(tree):
                if isinstance(node, ast.JoinedStr):
                    said = "".join(
                        part.value if isinstance(part, ast.Constant) else "7" for part in node.values
                    )
                elif (
                    isinstance(node, ast.Constant)
                    and isinstance(node.value, str)
                    and id(node) not in docs | inside
                ):
                    said = node.value
                else:
                    continue
                if (
                    NAMES_AN_OPTION.search(said)
                    and not FILES_ALONE.search(said)
                    and not said.startswith("--")
                    and " " in said.strip()
                ):
                    yield f"{path.relative_to(PACKAGE)}: {said}"


FOUND = tuple(sentences())


def test_there_are_such_sentences():
    assert len(FOUND) > 30


@pytest.mark.parametrize("said", FOUND)
def test_no_sentence_names_an_option(said):
    assert NAMES_AN_OPTION.search(page_words(said)) is None, page_words(said)


def test_what_is_said_reads_well():
    here = "start it with torsionbeat page --lan to open it on a phone"
    assert page_words(here) == here  # that is done in the terminal and nowhere else
    assert page_words("check --period.") == "check the period."
    assert page_words("it is locked. Set that right and try again, or pass --log PATH for another log.") == (
        "it is locked. Set that right and try again, or start the page with another log."
    )
    assert page_words("'A' has no note 3; it has 1, 2: torsionbeat clock show says which is which") == (
        "'A' has no note 3; it has 1, 2: its life says which is which"
    )
    assert page_words(
        "was taken back already (no reason); bring it back with: torsionbeat clock restore"
    ) == ("was taken back already (no reason); set it right in its life")
