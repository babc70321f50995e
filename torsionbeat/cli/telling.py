"""Sentences on standard error: errors and remarks, one a line, so that standard output holds results alone."""

from __future__ import annotations

import sys

__all__ = ["tell"]


def tell(sentence: str) -> None:
    """Print one sentence on standard error, in one line."""
    line = " ".join(sentence.split())
    print(line if line.endswith((".", "?", "!")) else line + ".", file=sys.stderr)
