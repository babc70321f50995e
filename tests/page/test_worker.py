"""The process that reads an upload: one line of JSON for each thing it tells, limits before anything is read."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from torsionbeat.page.worker import SAMPLE_MINUTES, SAMPLE_RATE_HZ, make_sample

GENEROUS = {"reading_s": 300.0, "memory_bytes": 3_000_000_000}


def run(request, code="from torsionbeat.page import worker; raise SystemExit(worker.main())"):
    done = subprocess.run(
        [sys.executable, "-c", code], input=json.dumps(GENEROUS | request), capture_output=True, text=True, timeout=300
    )  # fmt: skip
    return done, [json.loads(line) for line in done.stdout.splitlines()]


def asked(path, **more):
    usual = {"clock": None, "period_s": 60.0, "lift_deg": 20.0, "log": None, "make_sample": False}
    return usual | {"path": str(path)} | more


@pytest.fixture(scope="module")
def read(tmp_path_factory):
    """The sample made and read: its file, and what was told."""
    path = tmp_path_factory.mktemp("worker") / "sample.flac"
    done, told = run(asked(path, make_sample=True))
    assert done.returncode == 0, done.stderr
    return path, told


def test_the_sample_is_read_to_the_figures_it_was_made_with(read):
    path, told = read
    found = told[-1]
    document = found["document"]
    # It is made with a period of 59.974 s: 86 400 (60 / 59.974 - 1) is 37.5 s a day. A crystal of which nothing is
    # known adds 2.5 s a day of standard uncertainty, but here there is no crystal: the file's rate is true.
    assert document["rate_s_per_day"]["value"] == pytest.approx(37.46, abs=0.5)
    assert document["arc_deg"]["value"] == pytest.approx(438.0, abs=4.0)
    assert document["offset_deg"]["value"] == pytest.approx(3.0, abs=0.1)
    assert "gains 37" in " ".join(found["sentences"])
    assert set(found["plots"]) == {"remainder", "arc", "sound"}
    assert soundfile.info(path).frames == SAMPLE_MINUTES * 60 * SAMPLE_RATE_HZ


def test_it_tells_how_far_it_is_in_steps_and_ends_with_all(read):
    _, told = read
    shares = [row["share"] for row in told[:-1]]
    assert shares[-1] == 1.0
    assert all(later - earlier >= 0.019 for earlier, later in itertools.pairwise(shares[:-1]))
    assert shares == sorted(shares)


def test_a_minute_is_put_together_of_a_recording_and_its_reading(read, tmp_path):
    path, told = read
    output = tmp_path / "minute.flac"
    done, (made,) = run(
        {"path": str(path), "minute": str(output), "document": told[-1]["document"], "beats": 6}
    )
    assert done.returncode == 0, done.stderr
    assert made["beats"] == 6
    assert soundfile.info(output).frames > 0


def test_what_cannot_be_read_is_a_sentence_and_no_traceback(tmp_path):
    path = tmp_path / "night.wav"
    path.write_bytes(b"this is no sound")
    done, told = run(asked(path))
    assert done.returncode == 0
    assert list(told[-1]) == ["error"]
    assert "night.wav" in told[-1]["error"]
    assert done.stderr == ""


def test_silence_is_told_as_an_error_too(tmp_path):
    path = tmp_path / "quiet.flac"
    soundfile.write(path, np.zeros(16_000 * 30), 16_000)
    _, told = run(asked(path))
    assert "error" in told[-1]


def test_a_file_that_asks_for_all_memory_is_told_to_be_exported_anew():
    code = (
        "from torsionbeat.page import worker\n"
        "worker._read = lambda *_: bytearray(10**12)\n"
        "raise SystemExit(worker.main())"
    )
    done, told = run(asked("night.wav"), code)
    assert done.returncode == 0
    assert told == [
        {"error": "The file asks for more memory than a recording needs. Export it anew as WAV or FLAC and send that."}
    ]  # fmt: skip


def test_the_limits_hold_before_anything_is_read():
    pytest.importorskip("resource", reason="this system has no such limits")
    code = (
        "import os, resource, json; from torsionbeat.page import worker; before = os.nice(0)\n"
        "worker._read = lambda *_: {'cpu': resource.getrlimit(resource.RLIMIT_CPU), 'nice': os.nice(0) - before,\n"
        "  'memory': resource.getrlimit(resource.RLIMIT_AS), 'core': resource.getrlimit(resource.RLIMIT_CORE),\n"
        "  'threads': os.environ['OPENBLAS_NUM_THREADS']}\n"
        "raise SystemExit(worker.main())"
    )
    _, (told,) = run(asked("night.wav", reading_s=77.9, memory_bytes=2_500_000_000), code)
    assert told["cpu"] == [77, 82]
    assert told["memory"] == [2_500_000_000] * 2
    assert told["core"] == [0, 0]
    assert 0 < told["nice"] <= 10  # nothing is nicer than 19: less where this ran nicely already
    assert told["threads"] == "1"


def test_another_seed_is_another_night_of_the_same_clock(tmp_path):
    sounds = []
    for number, seed in enumerate((7, 7, 8)):
        path = tmp_path / f"{number}.flac"
        make_sample(path, seed)
        sounds.append(soundfile.read(path, frames=160_000)[0])
    np.testing.assert_array_equal(sounds[0], sounds[1])
    assert not np.array_equal(sounds[0], sounds[2])
