"""Listen to a clock for a minute and say how it goes: through the microphone, or to a recording played in its place.

python notebooks/listen_for_a_minute.py                                     the default microphone
python notebooks/listen_for_a_minute.py samples/glass-shelf-15s.flac        a recording, as fast as it is heard
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import torsionbeat as tb


def show(state):
    """Say what is heard at each new figure."""
    heard = "nothing yet" if state.reading is None else f"{state.reading.beats_heard} beats"
    print(f"{state.heard_s:4.0f} s, level {state.level.rms_db:.0f} dB, {heard}", file=sys.stderr)


def main():
    """Listen, and print the reading."""
    clock = tb.KnownClock(nominal_period_s=15)  # a 400-day clock; its lift would give the arc too
    sound = tb.Playback(Path(sys.argv[1])) if len(sys.argv) > 1 else tb.Microphone()
    with tempfile.TemporaryDirectory() as folder:
        request = tb.ListenRequest(clock, sound, duration_s=60, folder=Path(folder) / "minute")
        result = tb.listen(request, on_state=show)
    tb.print_reading(result.reading)


if __name__ == "__main__":
    main()
