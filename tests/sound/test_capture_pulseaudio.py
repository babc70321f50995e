"""Listening live through real PortAudio and a real sound server, broken on purpose.

What the microphone hears is the number of each frame as sound, in two channels of 16 bits, paced by the clock, so
every sample that arrives tells when it was "recorded".
"""

from __future__ import annotations

import json
import textwrap
import time

import numpy as np
import pytest

RATE_HZ = 48_000


def numbered(first, stop):
    """Number of each frame: the lower 15 bits in one channel, those above in the other."""
    number = np.arange(first, stop, dtype=np.uint32)
    return np.stack([number & 0x7FFF, number >> 15], axis=1).astype("<i2")


@pytest.fixture
def room(pulse_room):
    return pulse_room(numbered, channels=2)


LISTENER = """
    import json, sys
    import numpy as np
    from torsionbeat.sound.capture import LiveSource
    events = []
    source = LiveSource("pulse", channels=2, silence_s=1.0, rejoin_every_s=0.3,
                        on_event=lambda what, **details: events.append([what, details]))
    heard = []
    with source:
        for block in source.blocks():
            number = np.round(block.samples * 2**15).astype(int)
            number = number[:, 0] + (number[:, 1] << 15)
            steps = np.unique(np.diff(number)).tolist()
            heard.append([block.start_frame, int(number[0]), len(number), steps])
            print(block.stop_frame, flush=True)
            if block.stop_frame >= int(sys.argv[1]):
                break
    json.dump({"heard": heard, "events": events, "remarks": source.remarks,
               "rate": source.sample_rate_hz}, open(sys.argv[2], "w"))
"""


class Listener:
    def __init__(self, room, until_s):
        self.answer = room.folder / "answer.json"
        self.process = room.python(textwrap.dedent(LISTENER), until_s * RATE_HZ, self.answer)

    def wait_for(self, seconds):
        for line in self.process.stdout:
            if int(line) >= seconds * RATE_HZ:
                return
        pytest.fail(f"the listener ended: {self.process.stderr.read()}")

    def result(self):
        _, said = self.process.communicate(timeout=60)
        assert self.process.returncode == 0, said
        return json.loads(self.answer.read_text())


def test_server_that_dies_and_a_source_that_falls_silent(room):
    """Sound, 2 s without a server, sound, 2.5 s of a source that delivers nothing, sound.

    After each the place on the time line must agree with the true frame to within 0.1 s, the time that a
    sound server may hold sound back before it delivers it.
    """
    listener = Listener(room, 11)
    listener.wait_for(1)
    room.stop_server()
    time.sleep(2)
    room.start_server()
    listener.wait_for(6)
    room.silent.set()
    time.sleep(2.5)
    room.silent.clear()
    result = listener.result()
    assert result["rate"] == RATE_HZ
    place, true, length = np.array([row[:3] for row in result["heard"]]).T
    assert all(steps == [1] for *_, steps in result["heard"])  # bit for bit within each block
    gaps = [details for what, details in result["events"] if what == "gap"]
    assert 1 <= len(gaps) <= 3
    assert gaps[0]["why"] == "the microphone was away"
    assert sum(what == "device lost" for what, _ in result["events"]) >= 1
    breaks = np.flatnonzero(place[1:] != place[:-1] + length[:-1]) + 1
    assert len(breaks) == len(gaps)
    for stretch in np.split(place - true, breaks):
        assert np.ptp(stretch) == 0  # no sample lost or doubled between gaps
    assert np.ptp(place - true) < 0.1 * RATE_HZ
    assert len(result["remarks"]) == len(gaps)
