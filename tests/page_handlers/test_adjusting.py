"""The form of the next adjustment: what is asked of the job by what is filled in."""

from __future__ import annotations

import pytest

from torsionbeat.errors import InputError
from torsionbeat.page_handlers.adjusting import INPUTS, _asked


def asked(**given):
    return _asked("Lamp", "log.sqlite", {name: given.get(name, "") for name in INPUTS})


def test_nothing_filled_in_asks_by_the_log_alone_with_any_weights():
    request = asked()
    assert (request.clock, request.log, request.rate_s_per_day, request.earlier) == (
        "Lamp",
        "log.sqlite",
        None,
        None,
    )
    assert request.stock.can_cut
    assert (request.share_above_fork, request.tolerance_s_per_day) == (1.0, 0.5)


def test_a_rate_typed_in_is_95_percent_sure_within_what_is_filled_in():
    rate = asked(rate="-12,5", rate_within="3.92").rate_s_per_day
    # 1.96 standard uncertainties either side hold 95 % of a normal distribution
    assert (rate.nominal_value, rate.std_dev) == (-12.5, pytest.approx(2.0, rel=1e-4))


@pytest.mark.parametrize("within", ["", "0", "-1"])
def test_a_rate_without_its_doubt_is_refused(within):
    with pytest.raises(InputError, match="a rate typed by hand needs how far off it may be"):
        asked(rate="5", rate_within=within)


def test_a_change_remembered_is_grams_and_seconds_a_day():
    assert asked(earlier_g="3", earlier_s="-900").earlier == (3.0, -900.0)
    for half in ({"earlier_g": "3"}, {"earlier_s": "-900"}):
        with pytest.raises(InputError, match="needs both its grams and its seconds a day"):
            asked(**half)


def test_weights_are_read_in_grams_or_left_alone():
    pieces = asked(weights="0.1 x 4  0,3; 1").stock.pieces
    assert [(one.mass_g, one.count, one.thickness_mm) for one in pieces] == [
        (0.1, 4, None),
        (0.3, None, None),
        (1.0, None, None),
    ]
    assert asked(weights="1", leave="yes").stock is None


def test_weights_that_the_page_cannot_tell_in_grams_are_refused_without_naming_an_option():
    for text, words in (("0.3mm", "0.3 mm cannot be told in grams here"), ("1,5", "can be read in two ways")):
        with pytest.raises(InputError, match=words) as refused:
            asked(weights=text)
        assert "--" not in str(refused.value)


def test_the_share_above_the_fork_and_the_tolerance_are_what_is_filled_in():
    request = asked(share="0.6", tolerance="2")
    assert (request.share_above_fork, request.tolerance_s_per_day) == (0.6, 2.0)
