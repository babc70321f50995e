"""A strip as one call: loads that break it and measures that cannot belong together are told."""

from __future__ import annotations

import pytest

from torsionbeat.jobs.strip import StripRequest, strip


def codes(**given):
    measures = {"thickness_um": 100.0, "width_mm": 0.6, "length_mm": 105.0, "load_g": 300.0} | given
    return {remark.code: str(remark) for remark in strip(StripRequest(**measures)).remarks}


def test_a_strip_as_found_in_a_clock_raises_nothing():
    assert codes(period_s=15.0, arc_deg=300.0) == {}


@pytest.mark.parametrize(
    ("load_g", "code"),
    [
        (1000.0, None),  # 163 MPa
        (4000.0, "strip-loaded-high"),  # 654 MPa, above half of what a soft temper bears
        (7000.0, "strip-may-yield"),  # 1144 MPa, between the tempers
        (15_000.0, "strip-breaks"),  # 2452 MPa
    ],
)
def test_the_load_is_held_against_the_strength(load_g, code):
    found = {one for one in codes(load_g=load_g) if one.startswith("strip-")}
    assert found == ({code} if code else set())


def test_sixty_kilograms_are_told_to_break_it():
    said = codes(width_mm=2.5, length_mm=120.0, load_g=60_000.0)["strip-breaks"]
    stress = 60 * 9.80665 / (0.1 * 2.5)  # N over mm2: mean tension alone
    assert f"strained by {stress:.0f} MPa" in said
    assert "Do not hang it" in said


def test_twist_counts_with_the_load():
    alone, twisted = codes(load_g=2800.0), codes(load_g=2800.0, arc_deg=1200.0)
    assert "strip-loaded-high" not in alone
    assert twisted.keys() & {"strip-loaded-high", "strip-may-yield"}


def test_the_other_strip_is_judged_too():
    assert "the other strip" in codes(load_g=7000.0, thicker_um=-40.0)["strip-breaks"]


def test_measures_that_cannot_belong_together_are_told_with_the_likely_slip():
    said = codes(width_mm=2.5, length_mm=120.0, period_s=60.0)["measures-apart"]
    assert "321 mm from the axis" in said  # radius of gyration of 30.98e6 g mm2 under 300 g
    assert "a width of 0.25 mm" in said


def test_half_a_period_given_for_a_whole_one_is_named():
    assert "a period of 5 s" in codes(period_s=2.5)["measures-apart"]
