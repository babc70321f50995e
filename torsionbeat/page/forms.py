"""Reads the texts typed into forms as numbers and moments; the page parses people's texts only here.

Input: the texts of a form's fields. Output: numbers, moments, or an ``InputError`` that names the field.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from torsionbeat.errors import InputError
from torsionbeat.typed.times import EARLIEST

__all__ = ["choice", "moment", "number", "optional_number", "text"]


def text(form: Mapping[str, str], name: str) -> str:
    """Give a text without leading and trailing blanks; empty if the field is missing."""
    return form.get(name, "").strip()


def optional_number(form: Mapping[str, str], name: str, what: str) -> float | None:
    """Read a number with a decimal comma or point; None where the field is empty.

    Parameters
    ----------
    form : mapping of str to str
    name : str
        Name of the field.
    what : str
        The words for the field on the page, for the message.

    Raises
    ------
    InputError
        It is not a number.

    Examples
    --------
    >>> optional_number({"lift": " 14,5"}, "lift", "the lift"), optional_number({}, "lift", "the lift")
    (14.5, None)
    """
    typed = text(form, name)
    if not typed:
        return None
    try:
        value = float(typed.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{what} is {typed[:40]!r}; write a number such as 14.5")
    return value


def number(form: Mapping[str, str], name: str, what: str) -> float:
    """Read a number that must be there.

    Parameters
    ----------
    form : mapping
        The fields as they were sent.
    name : str
        Name of the field.
    what : str
        The words for the field on the page, for the message.

    Raises
    ------
    InputError
        The field is empty or holds no number.
    """
    value = optional_number(form, name, what)
    if value is None:
        raise InputError(f"{what} is not filled in; write a number")
    return value


def choice(form: Mapping[str, str], name: str, allowed: tuple[str, ...], what: str) -> str:
    """Give one of the texts that a list offers.

    Parameters
    ----------
    form : mapping
        The fields as they were sent.
    name : str
        Name of the field.
    allowed : tuple of str
        What the list offers.
    what : str
        The words for the field on the page, for the message.

    Raises
    ------
    InputError
        Another text was sent.
    """
    value = text(form, name)
    if value not in allowed:
        raise InputError(f"{what} is {value[:40]!r}; choose one from the list")
    return value


def moment(form: Mapping[str, str], name: str, what: str) -> datetime | None:
    """Read day and hour as a browser's field gives them, in this computer's time; None where it is empty.

    Parameters
    ----------
    form : mapping
        The fields as they were sent.
    name : str
        Name of the field.
    what : str
        The words for the field on the page, for the message.

    Raises
    ------
    InputError
        It cannot be read, lies in the future or before 1800.
    """
    typed = text(form, name)
    if not typed:
        return None
    try:
        read = datetime.fromisoformat(typed).astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(f"{what} is {typed[:40]!r}; choose day and hour") from error
    if not EARLIEST <= read <= datetime.now(UTC) + timedelta(minutes=5):
        raise InputError(f"{what} is {typed[:40]!r}; it must lie after 1800 and not in the future")
    return read
