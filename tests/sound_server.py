"""A room with a sound server: PulseAudio with a pipe for a microphone, and a feeder that plays into it, paced by the clock.

The server runs in a runtime folder of its own and is ended by its own process id.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

__all__ = ["RATE_HZ", "PulseRoom", "pulse_is_here"]

RATE_HZ = 48_000
ROOT = Path(__file__).parents[1]


def pulse_is_here():
    """Whether PulseAudio and its control program are installed."""
    return shutil.which("pulseaudio") is not None and shutil.which("pactl") is not None


def _played(sound):
    words = (np.clip(sound, -1, 1) * 32767).astype("<i2")
    return lambda first, stop: words[first:stop]


class PulseRoom:
    """One microphone and what it hears; a context manager.

    Parameters
    ----------
    sound : array, shape (n,), or callable
        Heard once, full scale 1; or ``sound(first, stop)`` gives frames as int16, shape (stop - first, channels).
    channels : int

    Attributes
    ----------
    folder : Path
        Runtime folder of the server, working folder of what listens here; short, for a socket lies in it.
    silent : threading.Event
        While it is set the microphone delivers nothing and sound is lost.
    """

    def __init__(self, sound, channels=1):
        self._words = sound if callable(sound) else _played(sound)
        self.channels = channels
        self.folder = Path(tempfile.mkdtemp(prefix="tb-"))
        self.fifo = self.folder / "mic.fifo"
        self.environment = dict(os.environ, XDG_RUNTIME_DIR=str(self.folder), HOME=str(self.folder))
        for name in ("PULSE_SERVER", "PULSE_RUNTIME_PATH", "DISPLAY", "DBUS_SESSION_BUS_ADDRESS"):
            self.environment.pop(name, None)
        self.silent, self._over = threading.Event(), threading.Event()
        self._feeder = threading.Thread(target=self._feed, daemon=True)
        self._server = None

    def __enter__(self):
        try:
            self.start_server()
        except BaseException:
            self._clear()
            raise
        self._feeder.start()
        return self

    def __exit__(self, *_):
        self._over.set()
        self._feeder.join(5)
        self._clear()

    def _clear(self):
        self.stop_server()
        shutil.rmtree(self.folder, ignore_errors=True)

    def start_server(self):
        """Start the server; TimeoutError where it does not answer within ten seconds."""
        form = f"format=s16le rate={RATE_HZ} channels={self.channels}"
        self._server = subprocess.Popen(
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
        raise TimeoutError("pulseaudio does not answer")

    def stop_server(self):
        """Kill the server; the microphone is gone."""
        if self._server is not None:
            self._server.kill()
            self._server.wait()
            self._server = None
            self.fifo.unlink(missing_ok=True)

    def _feed(self):
        begun, sent, fifo = time.monotonic(), 0, None
        while not self._over.wait(0.01):
            due = int((time.monotonic() - begun) * RATE_HZ)
            if self.silent.is_set():
                sent = due
                continue
            try:
                if fifo is None:
                    fifo = os.open(self.fifo, os.O_WRONLY | os.O_NONBLOCK)
                piece = np.asarray(self._words(sent, due), "<i2").tobytes()
                whole = 2 * self.channels
                sent = due - (len(piece) - os.write(fifo, piece)) // whole if piece else due
            except BlockingIOError:
                continue  # the pipe is full because the server is busy: what is due waits
            except OSError:  # no server: what it would have heard is lost
                sent = due
                if fifo is not None:
                    os.close(fifo)
                fifo = None
        if fifo is not None:
            os.close(fifo)

    def python(self, code, *arguments, **more):
        """Start a Python program that hears this microphone as the device ``pulse``."""
        return subprocess.Popen(
            [sys.executable, "-c", code, *map(str, arguments)],
            env=dict(self.environment, PYTHONPATH=str(ROOT)),
            cwd=self.folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **more,
        )

    def listen(self, *options, **more):
        """Start ``torsionbeat listen`` to a clock of 6 s and a lift of 20 deg."""
        code = "import sys; from torsionbeat.cli import main; sys.exit(main(sys.argv[1:]))"
        known = ("--device", "pulse", "--period", "6", "--lift", "20")
        return self.python(code, "listen", *known, *options, **more)

    def wait_until_heard(self, folder, seconds):
        """Until so much was heard, by the recording's own journal; TimeoutError after 90 s more."""
        journal = self.folder / folder / "journal.jsonl"
        last = time.monotonic() + seconds + 90
        while time.monotonic() < last:
            with contextlib.suppress(FileNotFoundError):
                rows = [json.loads(line) for line in journal.read_text().splitlines() if line.endswith("}")]
                if max((row.get("frame", 0) for row in rows), default=0) >= seconds * RATE_HZ:
                    return
            time.sleep(0.1)
        raise TimeoutError(f"{seconds} s were not heard")
