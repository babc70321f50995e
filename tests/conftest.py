"""What all tests share: one thread for linear algebra, set before numpy is imported, and a room with a sound server."""

from __future__ import annotations

import contextlib
import importlib.util
import os
from pathlib import Path

import pytest

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")


@pytest.fixture
def pulse_room():
    """Give what starts a ``PulseRoom`` (see ``tests/sound_server.py``) and ends it with the test."""
    spec = importlib.util.spec_from_file_location("sound_server", Path(__file__).parent / "sound_server.py")
    sound_server = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sound_server)
    if not sound_server.pulse_is_here():
        pytest.skip("pulseaudio or pulseaudio-utils is not installed")
    with contextlib.ExitStack() as rooms:

        def start(sound, channels=1):
            try:
                return rooms.enter_context(sound_server.PulseRoom(sound, channels))
            except TimeoutError as error:
                pytest.skip(f"{error} here")

        yield start
