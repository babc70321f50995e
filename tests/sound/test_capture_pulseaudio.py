"""Listening live through real PortAudio and a real sound server, started here and broken on purpose.

A pipe source of PulseAudio takes what a feeder writes into a fifo as its microphone. The feeder writes the
number of each frame as sound, in two channels of 16 bits, paced by the clock, so every sample that arrives
tells when it was "recorded". The daemon runs in its own runtime folder and is ended by its own process id.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import numpy as np
import pytest

RATE_HZ = 48_000

pytestmark = [
    pytest.mark.skipif(shutil.which("pulseaudio") is None, reason="pulseaudio is not installed"),
    pytest.mark.skipif(shutil.which("pactl") is None, reason="pulseaudio-utils is not installed"),
]


class Room:
    """A sound server with one microphone, and the feeder behind it."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.fifo = folder / "mic.fifo"
        self.environment = dict(os.environ, XDG_RUNTIME_DIR=str(folder), HOME=str(folder))
        for name in ("PULSE_SERVER", "PULSE_RUNTIME_PATH", "DISPLAY", "DBUS_SESSION_BUS_ADDRESS"):
            self.environment.pop(name, None)
        self.silent = threading.Event()
        self.over = threading.Event()
        self.daemon: subprocess.Popen[bytes] | None = None
        self.feeder = threading.Thread(target=self._feed, daemon=True)

    def start_server(self):
        form = f"format=s16le rate={RATE_HZ} channels=2"
        self.daemon = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
                "-L", f"module-pipe-source source_name=mic file={self.fifo} {form}",
                "-L", "module-native-protocol-unix",
            ],
            env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(100):
            asked = subprocess.run(["pactl", "info"], env=self.environment, capture_output=True, check=False)
            if asked.returncode == 0:
                return
            time.sleep(0.1)
        pytest.skip("pulseaudio does not start here")

    def stop_server(self):
        if self.daemon is not None:
            self.daemon.kill()
            self.daemon.wait()
            self.daemon = None
            self.fifo.unlink(missing_ok=True)

    def _feed(self):
        begun, sent, fifo = time.monotonic(), 0, None
        while not self.over.wait(0.01):
            due = int((time.monotonic() - begun) * RATE_HZ)
            number = np.arange(sent, due, dtype=np.uint32)
            sent = due
            if self.silent.is_set():
                continue
            words = np.stack([number & 0x7FFF, number >> 15], axis=1).astype("<i2")
            with contextlib.suppress(OSError):
                if fifo is None:
                    fifo = os.open(self.fifo, os.O_WRONLY | os.O_NONBLOCK)
                os.write(fifo, words.tobytes())
                continue
            if fifo is not None:
                os.close(fifo)
            fifo = None


@pytest.fixture
def room(tmp_path):
    room = Room(tmp_path)
    room.start_server()
    room.feeder.start()
    yield room
    room.over.set()
    room.feeder.join(5)
    room.stop_server()


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
        self.process = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(LISTENER), str(until_s * RATE_HZ), str(self.answer)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
            env=room.environment,
            text=True,
        )

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
