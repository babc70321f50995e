"""Options in groups: a frozen dataclass for each group, and what gives a command the options of its groups."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, fields, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from typing import Any, get_type_hints

__all__ = ["takes_groups"]


def takes_groups(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the fields of its dataclass parameters as options, in their order.

    A parameter whose annotation is a dataclass is replaced by that dataclass's fields, each annotated as an option;
    when called, the fields are put together again.
    """
    hints = get_type_hints(command, include_extras=True)
    groups: dict[str, Any] = {}
    parameters: list[Parameter] = []
    for name, parameter in signature(command).parameters.items():
        kind = hints[name]
        if not (isinstance(kind, type) and is_dataclass(kind)):
            parameters.append(parameter.replace(annotation=kind, kind=Parameter.KEYWORD_ONLY))
            continue
        groups[name] = kind
        options = get_type_hints(kind, include_extras=True)
        for field in fields(kind):
            default = Parameter.empty if field.default is MISSING else field.default
            parameters.append(
                Parameter(field.name, Parameter.KEYWORD_ONLY, default=default, annotation=options[field.name])
            )

    @wraps(command)
    def called(**given: Any) -> None:
        together = {
            name: kind(**{field.name: given.pop(field.name) for field in fields(kind)})
            for name, kind in groups.items()
        }
        command(**together, **given)

    called.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in parameters}
    return called
