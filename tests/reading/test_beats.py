"""One mark of every beat, whether its contact was heard or not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import Swings
from torsionbeat.theory.rate import fit_beats


def without_contacts(reading, rows):
    """Give the swings with the drop's time where the contact of these rows is taken away."""
    swings = reading.swings
    time, passage, arc = swings.time_s.copy(), swings.lift_passage_s.copy(), swings.arc_deg.copy()
    time[rows] += passage[rows] / 2
    passage[rows] = arc[rows] = np.nan
    return replace(swings, time_s=time, lift_passage_s=passage, arc_deg=arc)


def test_a_contact_not_heard_moves_no_beat(make_night):
    reading = make_night(3, hours=1)
    swings = without_contacts(reading, [3, 40, 41, 90])
    middles = middles_s(swings)
    # jitter of 0.5 ms on two sounds makes 0.5 ms of half a passage, and the arc wanders a little
    np.testing.assert_allclose(middles, reading.swings.time_s, atol=3e-3)
    assert np.ptp(swings.time_s - reading.swings.time_s) > 0.4  # what it is for
    np.testing.assert_array_equal(middles_s(reading.swings), reading.swings.time_s)


def test_a_side_without_contacts_takes_the_passages_of_the_other(make_night):
    reading = make_night(3, hours=1)
    swings = without_contacts(reading, np.flatnonzero(reading.swings.side == "b"))
    middles = middles_s(swings)
    # jitter of 0.5 ms on two sounds makes 0.5 ms of half a passage, and the arc wanders a little
    np.testing.assert_allclose(middles, reading.swings.time_s, atol=3e-3)
    assert fit_beats(middles, swings.number, swings.side).sigma_s < 3e-3


@pytest.mark.parametrize("silent", [0, 1])
def test_an_arc_that_travels_moves_no_middle_where_one_side_alone_has_contacts(silent):
    """The drop comes later as the arc falls, by half of what the passage grows; the middle does not: exact geometry."""
    n = np.arange(60)
    middle, passage = 30.0 * n, 0.8 * (1 + 0.002 * n)
    heard = n % 2 != silent
    swings = Swings(
        n,
        np.where(heard, middle, middle + passage / 2),
        np.where(n % 2 == 0, "a", "b"),
        np.full(60, np.nan),
        np.where(heard, passage, np.nan),
        np.full(60, np.nan),
    )
    # the passage of the beat before or after it differs by 1.6 ms: half of that
    np.testing.assert_allclose(middles_s(swings), middle, atol=0.9e-3)
    drops = fit_beats(middle + passage / 2, n, swings.side).period_s.nominal_value
    assert abs(drops / 60 - 1) > 20e-6  # what it is for: 1.7 s a day
    found = fit_beats(middles_s(swings), n, swings.side).period_s.nominal_value
    assert abs(found / 60 - 1) < 1e-6


def test_two_contacts_of_a_night_move_no_beat(make_night):
    reading = make_night(3, hours=1)
    swings = without_contacts(reading, np.flatnonzero(~np.isin(reading.swings.number, [4, 5])))
    drops = reading.swings.time_s + reading.swings.lift_passage_s / 2
    np.testing.assert_allclose(middles_s(swings), drops, atol=1e-9)


def test_drops_alone_stay_as_they_are(make_night):
    swings = make_night(3, hours=1, contact=False).swings
    np.testing.assert_array_equal(middles_s(swings), swings.time_s)
