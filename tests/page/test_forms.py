"""What people type into the page's forms: numbers with comma or point, moments, choices; what is refused names the field."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from torsionbeat.errors import InputError
from torsionbeat.page.forms import choice, moment, number, optional_number, text


def test_a_text_is_without_blanks_about_it():
    assert text({"name": "  Gate house \n"}, "name") == "Gate house"
    assert text({}, "name") == ""


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("14.5", 14.5),
        (" 14,5 ", 14.5),
        ("-3", -3.0),
        ("\N{MINUS SIGN}3,25", -3.25),
        ("+7", 7.0),
        ("0", 0.0),
        ("", None),
        ("  ", None),
    ],
)
def test_a_number_has_a_comma_or_a_point_and_either_minus(typed, value):
    assert optional_number({"x": typed}, "x", "the lift") == value


@pytest.mark.parametrize("typed", ["much", "1,2,3", "1 5", "nan", "inf", "-Infinity", "1e999"])
def test_what_is_no_number_is_refused_by_the_field_s_name(typed):
    with pytest.raises(InputError, match=r"the lift is .*; write a number such as 14.5"):
        optional_number({"x": typed}, "x", "the lift")


def test_a_number_that_must_be_there():
    assert number({"x": "3"}, "x", "the arc") == 3.0
    for form in ({}, {"x": " "}):
        with pytest.raises(InputError, match="the arc is not filled in; write a number"):
            number(form, "x", "the arc")


def test_a_choice_is_one_of_the_list():
    assert choice({"kind": " note "}, "kind", ("note", "weights"), "it") == "note"
    with pytest.raises(InputError, match="it is 'other'; choose one from the list"):
        choice({"kind": "other"}, "kind", ("note", "weights"), "it")


def test_a_moment_is_in_this_computer_s_time():
    read = moment({"when": "2024-03-02T09:30"}, "when", "when it was")
    assert read.replace(tzinfo=None) == datetime(2024, 3, 2, 9, 30)
    assert read.utcoffset() == datetime(2024, 3, 2, 9, 30).astimezone().utcoffset()
    assert moment({"when": ""}, "when", "when it was") is None


def test_a_moment_that_cannot_be_is_refused():
    now = datetime.now()
    assert moment({"when": (now + timedelta(minutes=4)).isoformat()}, "when", "it") is not None
    for typed in ((now + timedelta(minutes=6)).isoformat(), "1799-12-30T00:00"):
        with pytest.raises(InputError, match="it must lie after 1800 and not in the future"):
            moment({"when": typed}, "when", "it")
    for typed in ("yesterday", "2024-02-30T09:00", "9999-12-31T23:59:59.999999+99:00"):
        with pytest.raises(InputError, match=r"it is .*; choose day and hour"):
            moment({"when": typed}, "when", "it")
