"""Reading in a process of its own: what harms a decoder harms nothing else, and reading can be called off."""

from __future__ import annotations

import sys
import threading

import pytest

HANGS = (sys.executable, "-c", "while True: pass")


GROWS = (
    sys.executable, "-c",
    "import sys, json, torsionbeat.page.worker as w; r = json.loads(sys.stdin.read()); "
    "w._limit(r['reading_s'], r['memory_bytes']); x = [bytearray(10**7) for _ in range(10**5)]",
)  # fmt: skip


TALKS = (sys.executable, "-c", "import time\nwhile True: print('not json', flush=True); time.sleep(0.1)")


DIES = (sys.executable, "-c", "import os; os.abort()")


@pytest.mark.parametrize(
    "command", [HANGS, GROWS, TALKS, DIES], ids=["hangs", "grows", "talks nonsense", "dies"]
)
def test_a_file_that_harms_its_decoder_harms_nothing_else(recordings, command, take, wait_until):
    made = recordings(command=command, silence_s=2.0, reading_s=20.0, memory_bytes=400_000_000)
    made.start()
    one = take(made, b"RIFF")
    wait_until(lambda: made.get(one.id).state == "failed", 40)
    assert "took too much time or memory" in made.get(one.id).error


def test_what_is_said_of_a_file_names_it_as_its_sender_does(recordings, take, wait_until):
    says = (
        "import sys, json, pathlib; p = pathlib.Path(json.loads(sys.stdin.read())['path']); "
        "print(json.dumps({'error': f'{p} is not what {p.name} says'}), flush=True)"
    )
    made = recordings(command=(sys.executable, "-c", says))
    made.start()
    one = take(made, b"RIFF")
    wait_until(lambda: made.get(one.id).state == "failed", 40)
    assert made.get(one.id).error == "night.wav is not what night.wav says"


def test_processor_time_is_limited_where_the_file_keeps_telling_how_far_it_is(recordings, take, wait_until):
    busy = (
        "import sys, json, torsionbeat.page.worker as w; r = json.loads(sys.stdin.read()); "
        "w._limit(r['reading_s'], r['memory_bytes'])\nwhile True: print('{\"share\": 0.5}', flush=True)"
    )
    made = recordings(command=(sys.executable, "-c", busy), reading_s=1.0)
    made.start()
    one = take(made, b"RIFF")
    wait_until(lambda: made.get(one.id).state == "failed", 60)


@pytest.mark.parametrize("call_off", ["cancel", "stop"])
def test_reading_that_is_called_off_before_its_process_began_ends_at_once(
    recordings, monkeypatch, call_off, take, wait_until
):
    from torsionbeat.page import reader

    begun, go_on = threading.Event(), threading.Event()
    popen = reader.subprocess.Popen

    def late(*arguments, **options):
        begun.set()
        assert go_on.wait(60)
        return popen(*arguments, **options)

    made = recordings(command=HANGS)
    one = take(made, b"RIFF")
    monkeypatch.setattr(reader.subprocess, "Popen", late)
    made.start()
    assert begun.wait(60)
    threading.Timer(0.2, go_on.set).start()
    if call_off == "cancel":
        made.cancel(one.id)
        wait_until(lambda: made.get(one.id).state == "failed")
        assert "cancelled" in made.get(one.id).error
    else:
        made.stop()
        assert not made._thread.is_alive()
