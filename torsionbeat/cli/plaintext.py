"""Commands that take a sentence: one that begins with a minus sign is a sentence, not an option."""

from __future__ import annotations

import re
from typing import Any

from typer.core import TyperCommand

__all__ = ["TakesTexts"]

MARK = "\0"
"""Stands before a text while options are told from arguments: no command line can hold it."""

TEXT = re.compile(r"-(\S*\s|\.?\d)")
"""Begins with a minus sign and has a blank, or goes on with a number: no option of ours does."""


class TakesTexts(TyperCommand):
    """A command whose arguments are texts, such as ``"-0.5 turn at the regulator"``."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Tell texts from options, then parse."""
        marked, before = [], ""
        for one in args:
            is_text = TEXT.match(one) is not None and not before.startswith("-") and not one.startswith("--")
            marked.append(MARK + one if is_text else one)
            before = one if not is_text else ""
        rest = super().parse_args(ctx, marked)
        ctx.params = {name: _bare(value) for name, value in ctx.params.items()}
        return rest


def _bare(value: Any) -> Any:
    if isinstance(value, str):
        return value.removeprefix(MARK)
    return type(value)(map(_bare, value)) if isinstance(value, list | tuple) else value
