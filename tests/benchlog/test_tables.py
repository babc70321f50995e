"""The tables: moments in UTC whatever the database keeps, pairs of value and uncertainty, names that a reader takes for one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from torsionbeat.benchlog.tables import ClockRecord, Moment, name_key, uncertain


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("Gate House", "gate house", True),
        ("Stra\N{LATIN SMALL LETTER SHARP S}e", "STRASSE", True),
        ("Sa\N{COMBINING DIAERESIS}ule", "s\N{LATIN SMALL LETTER A WITH DIAERESIS}ule", True),
        ("Gate", "Gates", False),
        ("Gate 1", "Gate1", False),
    ],
)
def test_names_are_one_but_for_capitals_and_forms_of_a_letter(one, other, same):
    assert (name_key(one) == name_key(other)) is same


def test_a_value_has_its_uncertainty_and_none_where_it_was_not_measured():
    figure = uncertain(3.0, 0.5)
    assert (figure.nominal_value, figure.std_dev) == (3.0, 0.5)
    assert uncertain(None, 0.5) is None
    for exact in (0.0, None):
        assert 0 < uncertain(3.0, exact).std_dev < 1e-6


def test_moments_go_in_and_come_out_in_utc():
    moment = Moment()
    east = datetime(2026, 3, 2, 20, tzinfo=timezone(timedelta(hours=5, minutes=30)))
    assert moment.process_bind_param(east, None) == datetime(2026, 3, 2, 14, 30, tzinfo=UTC)
    assert moment.process_bind_param(east, None).tzinfo is UTC
    # SQLite gives it back without its zone; a server in its own.
    assert moment.process_result_value(datetime(2026, 3, 2, 14, 30), None) == east
    assert moment.process_result_value(east, None).tzinfo is UTC
    assert moment.process_bind_param(None, None) is None is moment.process_result_value(None, None)


def test_a_record_gives_what_the_hearing_needs():
    record = ClockRecord(
        name="Lamp", nominal_period_s=15.0, lift_deg=20.0, lift_tolerance_deg=0.5, arc_low_deg=200.0, arc_high_deg=300.0,
        knock_arc_deg=500.0, train="",
    )  # fmt: skip
    clock = record.as_clock()
    assert (clock.name, clock.nominal_period_s, clock.lift_deg, clock.lift_tolerance_deg) == (
        "Lamp",
        15.0,
        20.0,
        0.5,
    )
    assert (clock.arc_low_deg, clock.arc_high_deg, clock.knock_arc_deg, clock.train) == (
        200.0,
        300.0,
        500.0,
        None,
    )
