"""A deliberate fault: what ``mutants.py`` puts in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """A text of one file, unique in it, what takes its place, and the tests that belong to it."""

    file: str
    name: str
    text: str
    instead: str
    tests: tuple[str, ...]
    why: str = ""


def of(file: str, *tests: str, **faults: tuple[str, str]) -> list[Fault]:
    """Faults of one file: name = (text, instead)."""
    paths = tuple(f"tests/{test}" for test in tests)
    return [
        Fault(file, name.replace("_", " "), text, instead, paths) for name, (text, instead) in faults.items()
    ]
