"""One program to one microphone: the second is refused in words, and a killed holder blocks nobody."""

from __future__ import annotations

import subprocess
import sys
import textwrap

import pytest

from torsionbeat.errors import DeviceError
from torsionbeat.sound.devices import hold_device

HOLDER = """
import sys, time
from pathlib import Path
from torsionbeat.sound.devices import hold_device
held = hold_device("USB mic (ALSA)", Path(sys.argv[1]))
print("held", flush=True)
time.sleep(60)
"""


def test_second_is_refused_until_the_first_lets_go(tmp_path):
    first = hold_device("USB mic (ALSA)", tmp_path)
    with pytest.raises(DeviceError, match=r"USB mic \(ALSA\) is being listened to already"):
        hold_device("USB mic (ALSA)", tmp_path)
    with hold_device("another", tmp_path):
        first.close()
    hold_device("USB mic (ALSA)", tmp_path).close()


def test_killed_holder_blocks_nobody(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(HOLDER), str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(DeviceError, match="already"):
            hold_device("USB mic (ALSA)", tmp_path)
        holder.kill()
    hold_device("USB mic (ALSA)", tmp_path).close()


def test_no_place_for_locks_refuses_nobody(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    hold_device("USB mic", tmp_path / "file" / "locks").close()
