"""One mark of every beat, whether its contact was heard or not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from torsionbeat.reading.beats import middles_s
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


def test_a_side_without_contacts_is_told_by_its_drops(make_night):
    reading = make_night(3, hours=1)
    swings = without_contacts(reading, np.flatnonzero(reading.swings.side == "b"))
    middles = middles_s(swings)
    np.testing.assert_allclose(middles, reading.swings.time_s + reading.swings.lift_passage_s / 2, atol=1e-9)
    assert fit_beats(middles, swings.number, swings.side).sigma_s < 3e-3


def test_drops_alone_stay_as_they_are(make_night):
    swings = make_night(3, hours=1, contact=False).swings
    np.testing.assert_array_equal(middles_s(swings), swings.time_s)
