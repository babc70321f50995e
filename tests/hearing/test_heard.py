"""What was heard, laid out anew by what the timebase knows of losses."""

from __future__ import annotations

import numpy as np

from torsionbeat.hearing.heard import Heard, HeardSounds


def test_sounds_behind_a_loss_stand_later_and_the_loss_is_a_gap():
    count = 4
    sounds = HeardSounds(
        np.arange(count),
        np.full(count, "drop"),
        np.array([100.0, 200.0, 300.0, 400.0]),
        *(np.zeros(count), np.zeros(count), np.ones(count, bool), np.zeros(count), np.zeros(count)),
    )
    heard = Heard(500, 1000.0, 0, 1, 200.0, sounds, gaps=((240, 260),))
    assert heard.laid_out((), ()) is heard
    again = heard.laid_out([(150, 30.0), (235, -5.0)], [(150, 30.0)])
    assert again.sounds.sample.tolist() == [100.0, 230.0, 325.0, 425.0]
    assert again.gaps == ((150, 180), (265, 285))
    assert again.samples == 525
