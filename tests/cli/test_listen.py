"""listen, inbeat and devices: through a stand-in for the sound system, and through real PortAudio.

The stand-in plays a simulated clock as fast as it is taken, with faults on command. The real one is PulseAudio with
a pipe for a microphone (``tests/sound_server.py``).
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import torsionbeat.sound.capture
from torsionbeat.cli import main
from torsionbeat.errors import DeviceError
from torsionbeat.reading.analysis import analyse
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.devices import Device
from torsionbeat.sound.hostclock import HostClock
from torsionbeat.sound.recording import open_recording
from torsionbeat.twin import Recorder, simulate

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")
live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)

RATE_HZ = 16_000
CLOCK = Clock(nominal_period_s=15.0, lift_deg=20.0)
OPTIONS = ["--period", "15", "--lift", "20", "--sample-rate", str(RATE_HZ), "--quiet"]


class Bench:
    """A sound system that plays a sound at full speed; ``script`` says at which second what happens.

    ``lose`` seconds are skipped without a word; ``unplug`` takes the device away for so many seconds; ``hang`` makes
    it deliver nothing for so many.
    """

    def __init__(self, sound, script=()):
        self.sound, self.script = sound, sorted(script)
        self.frame = 0
        self.plugged = True

    def clock(self):
        return HostClock(
            lambda: round(1e9 * self.frame / RATE_HZ),
            lambda: round(1e9 * (self.frame / RATE_HZ + 1e9)),
            lambda: True,
        )

    def devices(self):
        return [Device(0, "Bench microphone", "stand-in", 1, float(RATE_HZ), True)] if self.plugged else []

    def accepts(self, _device, sample_rate_hz, channels):
        return (sample_rate_hz, channels) == (RATE_HZ, 1)

    def restart(self):
        self.plugged = True

    def open(self, _device, _rate, _channels, block_frames, on_block, on_end):
        if not self.plugged:
            raise DeviceError("unplugged")
        return _Stream(self, block_frames, on_block, on_end)


class _Stream:
    def __init__(self, bench, block_frames, on_block, on_end):
        self.going = True
        self.thread = threading.Thread(
            target=self.run, args=(bench, block_frames, on_block, on_end), daemon=True
        )
        self.thread.start()

    def run(self, bench, block_frames, on_block, on_end):
        while self.going:
            if bench.script and bench.frame >= bench.script[0][0] * RATE_HZ:
                _, what, seconds = bench.script.pop(0)
                bench.frame += round(seconds * RATE_HZ)
                if what == "unplug":
                    bench.plugged = False
                    on_end()
                if what in ("unplug", "hang"):
                    return
            piece = bench.sound[bench.frame : bench.frame + block_frames]
            if len(piece) < block_frames:
                return
            bench.frame += block_frames
            on_block(piece[:, None], False)

    def abort(self):
        self.going = False

    def close(self):
        self.thread.join(5)


@pytest.fixture
def bench(monkeypatch, tmp_path):
    """Put a stand-in in place of PortAudio; the sound waits in the queue, so nothing is lost by speed."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.db"))
    monkeypatch.setattr(
        "torsionbeat.live.session.ASKING_AHEAD_S", 0.0
    )  # figures on the way are dear, and not the point
    source = torsionbeat.sound.capture.LiveSource

    def set_up(sound, script=()):
        bench = Bench(sound, script)

        def make(device, **options):
            options |= {"queue_blocks": 10**6, "silence_s": 0.5, "rejoin_every_s": 0.01}
            return source(device, backend=bench, clock=bench.clock(), **options)

        monkeypatch.setattr(torsionbeat.sound.capture, "LiveSource", make)
        return bench

    return set_up


@pytest.fixture(scope="module")
def sound():
    return live_parts.rendered(15.0, 200.0)[0]


def test_the_night_is_kept_printed_and_read_again(bench, sound, tmp_path, capsys):
    bench(sound)
    status = tmp_path / "status.jsonl"
    assert main(["listen", *OPTIONS, "--for", "180s", "--folder", "night", "--status", str(status)]) == 0
    said = capsys.readouterr()
    assert "Heard 24 of 24 beats" in said.out
    assert "Timebase: host clock." in said.out
    kept = json.loads((tmp_path / "night/reading.json").read_text())
    again = analyse(tmp_path / "night", CLOCK)
    assert kept["period_s"]["value"] == again.period_s.nominal_value
    assert kept["arc_deg"]["value"] == again.arc_deg.nominal_value
    assert kept["timebase"]["source"] == again.timebase.source == "host clock"
    lines = [json.loads(line) for line in status.read_text().splitlines()]
    assert len(lines) == 3  # at the beginning, after one minute and after two
    assert lines[-1]["heard_s"] >= lines[0]["heard_s"] + 119


def test_reading_goes_into_the_bench_log(bench, sound, capsys):
    assert main(["clock", "add", "Alder", "--period", "15", "--lift", "20"]) == 0
    bench(sound)
    options = [
        "--clock",
        "Alder",
        "--sample-rate",
        str(RATE_HZ),
        "--quiet",
        "--for",
        "120s",
        "--keep",
        "figures",
    ]
    assert main(["listen", *options]) == 0
    from torsionbeat.benchlog import open_log

    with open_log() as log:
        (kept,) = log.readings("Alder")
    assert abs(kept.document["period_s"]["value"] - 15) < 0.01
    assert "Alder-20" in kept.recording_path
    capsys.readouterr()


def test_clock_that_is_not_in_the_log_is_told_before_listening(bench, sound, capsys):
    listening = bench(sound)
    assert main(["listen", "--clock", "Nobody", "--for", "60s"]) == 2
    assert listening.frame == 0
    assert "Nobody" in capsys.readouterr().err


def test_every_fault_keeps_the_beats_in_place(bench, tmp_path, capsys):
    """15 s lost without a word, the device away for 15 s, and 15 s of a device that delivers nothing."""
    sound, truth = live_parts.rendered(15.0, 300.0)
    bench(sound, [(60.0, "lose", 15.0), (120.0, "unplug", 15.0), (200.0, "hang", 15.0)])
    assert main(["listen", *OPTIONS, "--for", "285s", "--folder", "night"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "sound was lost without a word" in out
    assert "the microphone was away" in out
    kept = json.loads((tmp_path / "night/reading.json").read_text())
    true_s = truth.column("middle_s") - 2.0  # the first two seconds are left out
    heard_s = np.array([row["time_s"] for row in kept["swings"]])
    miss_s = heard_s - true_s[np.abs(heard_s[:, None] - true_s).argmin(axis=1)]
    assert len(heard_s) >= 28  # 38 beats less some 45 to 50 s of them
    # the edges of the sounds lie a ms or two from the twin's; a beat out of place would be off by more than 10
    assert np.abs(miss_s - np.median(miss_s)).max() < 0.01


def test_disk_that_fills_up_is_told_and_the_reading_still_comes(bench, sound, monkeypatch, tmp_path, capsys):
    free = iter([10**12] * 90 + [0] * 10**6)
    import torsionbeat.sound.keeper as keeper

    keeper_class = keeper.Keeper
    monkeypatch.setattr(
        keeper, "Keeper", lambda *given, **more: keeper_class(*given, **more, free_bytes=lambda _: next(free))
    )
    bench(sound)
    assert main(["listen", *OPTIONS, "--for", "180s", "--folder", "night"]) == 4
    said = capsys.readouterr()
    assert "Heard 24 of 24 beats" in said.out
    assert "the disk is full" in said.err
    assert analyse(tmp_path / "night", CLOCK).beats_heard >= 9


def test_no_clock_is_status_3_and_the_sound_stays(bench, tmp_path, capsys):
    noise = np.random.default_rng(5).normal(0, 1e-3, 70 * RATE_HZ).astype(np.float32)
    bench(noise)
    assert main(["listen", *OPTIONS, "--for", "60s", "--folder", "night"]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "What was heard is kept in night." in " ".join(said.err.split())
    assert list((tmp_path / "night").glob("*.flac"))


def test_check_answers(bench, sound, capsys):
    bench(sound)
    assert main(["listen", "--check", *OPTIONS]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert re.search(r"The tick is heard: 1[56] of 16 beats, the drop 3\d dB above the room", said)
    assert "Each beat has two sounds: the contact" in said
    assert "So the arc can be measured: it is about 4" in said


def test_check_names_clipping_and_hum(bench, sound, capsys):
    hum = 0.05 * np.sin(2 * np.pi * 60 * np.arange(len(sound)) / RATE_HZ)
    bench(np.clip(sound * 40 + hum, -1, 1).astype(np.float32))
    main(["listen", "--check", *OPTIONS])
    said = " ".join(capsys.readouterr().out.split())
    assert "The loudest sounds are cut off" in said
    assert "There is mains hum, 60 Hz at -29 dB" in said  # 0.05 rms 0.0354: -29.0 dB


def test_check_without_a_clock(bench, capsys):
    bench(np.random.default_rng(5).normal(0, 1e-5, 70 * RATE_HZ).astype(np.float32))
    assert main(["listen", "--check", "--for", "60s", "--sample-rate", str(RATE_HZ)]) == 3
    said = capsys.readouterr()
    assert "The sound is faint" in said.out
    assert "no tick is heard" in said.err


def test_inbeat_follows_a_change_within_two_swings(bench, capsys):
    from torsionbeat.twin.parts import BeatShift

    clock, room = live_parts.bench_clock(12.0, changes=(BeatShift(90.0, 4.0),))
    rendering = simulate(clock, room, Recorder(RATE_HZ), 170.0, 3)
    bench(np.asarray(rendering.samples(), np.float32).reshape(-1))
    options = ["--period", "12", "--lift", "20", "--for", "160s"]
    assert main(["inbeat", *options]) == 0
    said = [line for line in capsys.readouterr().out.splitlines() if line.startswith("side ")]
    shown = [float(line.split()[2]) for line in said]
    before = [value for value in shown if abs(value - 2.0) < 0.2]
    after = [value for value in shown if abs(value - 6.0) < 0.2]
    assert len(before) >= 8
    assert len(after) >= 6
    assert len(shown) - len(before) - len(after) <= 2  # the two swings that the change lies in
    assert any("Turn the fork 6.0 deg" in line or "Out of beat by 6.0" in line for line in said)


def test_inbeat_without_a_clock(bench, capsys):
    bench(np.random.default_rng(5).normal(0, 1e-3, 40 * RATE_HZ).astype(np.float32))
    assert main(["inbeat", "--for", "30s", "--period", "12"]) == 3
    assert "no clock was heard" in capsys.readouterr().err


def test_devices(monkeypatch, capsys):
    here = [Device(3, "USB mic", "ALSA", 1, 48_000.0, True)]
    monkeypatch.setattr("torsionbeat.sound.devices.list_devices", lambda: here)
    assert main(["devices"]) == 0
    assert "USB mic" in capsys.readouterr().out
    assert main(["devices", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["name"] == "USB mic"
    monkeypatch.setattr("torsionbeat.sound.devices.list_devices", lambda: [])
    assert main(["devices"]) == 4


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--for", "9 parsecs"], "--for is '9 parsecs'; write it as 9h"),
        (["--for", "1s"], "at least 10 s"),
        (["--until", "25:00"], "write it as 07:00"),
        (["--for", "9h", "--until", "07:00"], "give one of --for, --until and --every-night"),
        (["--every-night", "22:00"], "write it as 22:00-07:00"),
        (["--every-night", "22:00-22:00"], "begin and end at different hours"),
        (["--check", "--until", "07:00"], "leave --until and --every-night out"),
        (["--keep", "everything", "--for", "60s"], "use sound, beats or figures"),
        (["--reference-interval", "60", "--for", "60s"], "it must lie between 0.2 and 10 s"),
        (
            ["--reference-interval", "1", "--reference-tolerance-ppm", "-1", "--for", "60s"],
            "between 0 and 1000",
        ),
        (["--reference-tolerance-ppm", "2", "--for", "60s"], "does nothing without --reference-interval"),
        (["--log", "x.db", "--for", "60s"], "--log belongs to --clock"),
    ],
)
def test_options_that_cannot_be(bench, sound, options, said, capsys):
    bench(sound)
    assert main(["listen", *OPTIONS, *options]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_every_night_until_a_signal(bench, sound, monkeypatch, capsys):
    """Three nights without a microphone, the last of them ended by a signal: each costs only itself."""
    bench(sound)
    now = datetime.now().astimezone()
    asked, nights = [], []

    def next_night(_, after):
        asked.append(after)
        begin = now + timedelta(hours=24 * (len(asked) - 1)) if after > now + timedelta(hours=1) else now
        return min(begin, now), now + timedelta(hours=9)

    def listen(request, *, cancel, **_):
        nights.append(request)
        if len(nights) == 3:
            cancel.set()
        raise DeviceError("the microphone is away")

    monkeypatch.setattr("torsionbeat.typed.times.next_night", next_night)
    monkeypatch.setattr("torsionbeat.jobs.listen.listen", listen)
    monkeypatch.setattr("torsionbeat.cli.listen.AGAIN_S", 0.0)
    assert main(["listen", *OPTIONS, "--every-night", "22:00-07:00", "--folder", "nights"]) == 0
    assert len(nights) == 3
    assert all(request.parent == Path("nights") and request.folder is None for request in nights)
    assert 8.9 * 3600 < nights[0].duration_s <= 9 * 3600
    assert "the microphone is away" in capsys.readouterr().err


def unit_of(monkeypatch, capsys, *options):
    monkeypatch.setattr(sys, "argv", ["torsionbeat", "listen", *options, "--print-unit"])
    status = main(["listen", *options, "--print-unit"])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_unit(capsys, monkeypatch):
    status, unit, _ = unit_of(monkeypatch, capsys, "--every-night", "22:00-07:00")
    assert status == 0
    assert "listen --every-night 22:00-07:00 --quiet" in unit
    for part in ("[Unit]", "[Service]", "[Install]", "KillSignal=SIGTERM"):
        assert part in unit
    (start,) = [line for line in unit.splitlines() if line.startswith("ExecStart=")]
    assert Path(start.removeprefix("ExecStart=").split()[0]).is_absolute()


def test_nothing_that_is_typed_makes_a_second_directive_or_a_specifier(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.db"))
    hostile = 'listen\nExecStart=/bin/false %h $HOME "x" \\'
    status, unit, _ = unit_of(monkeypatch, capsys, "--clock", hostile, "--for", "9h")
    assert status == 0
    assert len([line for line in unit.splitlines() if line.startswith("ExecStart=")]) == 1
    assert '--clock "listen\\x0aExecStart=/bin/false %%h $$HOME \\"x\\" \\\\"' in unit
    (tmp_path / "t.service").write_text(unit)
    if shutil.which("systemd-analyze"):
        checked = subprocess.run(
            ["systemd-analyze", "--user", "verify", str(tmp_path / "t.service")],
            capture_output=True,
            text=True,
            env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},
            check=False,
        )
        assert "t.service" not in checked.stderr, checked.stderr


def test_unit_of_what_cannot_be_is_refused_and_holds_no_password(capsys, monkeypatch):
    assert unit_of(monkeypatch, capsys, "--for", "9 parsecs")[0] == 2
    url = "postgresql+psycopg://bench:s3cret@db/log?password=s3cret"
    status, unit, _ = unit_of(monkeypatch, capsys, "--clock", "Alder", "--log", url, "--for", "9h")
    assert status == 0
    assert "s3cret" not in unit
    assert "bench@db/log" in unit


# Real parts: PortAudio, a sound server, a process that is killed


@pytest.fixture(scope="module")
def six_second_sound():
    return live_parts.rendered(6.0, 110.0, 48_000)[0]


@pytest.fixture
def room(pulse_room, six_second_sound):
    return pulse_room(six_second_sound)


def test_a_minute_through_portaudio_and_a_kill(room):
    """SIGTERM after a minute: the reading is printed, and analyse of the folder gives the same figures."""
    process = room.listen("--folder", "night", "--quiet")
    room.wait_until_heard("night", 60)
    process.send_signal(signal.SIGTERM)
    out, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert "beats in" in out
    kept = json.loads((room.folder / "night/reading.json").read_text())
    again = analyse(room.folder / "night", Clock(nominal_period_s=6.0, lift_deg=20.0))
    assert kept["beats"] == {"expected": again.beats_expected, "heard": again.beats_heard}
    assert kept["beats"]["heard"] >= 0.9 * kept["beats"]["expected"] >= 17
    # the same samples; the journal may hold one clock row more than the reading in the morning had seen
    assert kept["period_s"]["value"] == pytest.approx(again.period_s.nominal_value, rel=1e-7)
    assert kept["arc_deg"]["value"] == pytest.approx(again.arc_deg.nominal_value, rel=1e-6)


def stretches(folder):
    """Sound kept, joined where nothing is missing between."""
    with open_recording(folder) as recording:
        blocks = list(recording.blocks())
    starts = [
        place
        for place, block in enumerate(blocks)
        if not place or blocks[place - 1].stop_frame < block.start_frame
    ]
    return [
        np.concatenate([block.samples[:, 0] for block in blocks[first:last]])
        for first, last in zip(starts, [*starts[1:], len(blocks)], strict=True)
    ]


def was_played(stretch, sound):
    """Whether a stretch is part of a sound, bit for bit."""
    played = (np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes()
    return np.rint(stretch * 2**15).astype("<i2").tobytes() in played


def test_kill_9_leaves_what_was_heard(room, six_second_sound):
    """At most the last second or two of the open file are lost; what is kept is what was played, bit for bit."""
    process = room.listen("--folder", "night", "--quiet")
    room.wait_until_heard("night", 45)
    process.kill()
    process.communicate(timeout=10)
    again = analyse(room.folder / "night", Clock(nominal_period_s=6.0, lift_deg=20.0))
    assert again.recording.duration_s > 43
    assert again.recording.gaps == ()
    assert again.beats_heard == again.beats_expected >= 14
    assert any("was not ended properly" in remark for remark in again.remarks)
    (stretch,) = stretches(room.folder / "night")
    assert was_played(stretch, six_second_sound)


def test_server_that_dies_and_feeder_that_stalls_and_a_full_disk(room, six_second_sound):
    """The server is away for 2 s and the feeder for 4; at last the file may not grow and keeping ends."""

    def small_files():
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_600_000, 1_600_000))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)

    process = room.listen("--folder", "night", "--for", "55s", "--quiet", preexec_fn=small_files)
    room.wait_until_heard("night", 8)
    room.stop_server()
    time.sleep(2)
    room.start_server()
    room.wait_until_heard("night", 14)
    room.silent.set()
    time.sleep(4)
    room.silent.clear()
    out, said = process.communicate(timeout=120)
    assert process.returncode == 4, said
    assert "Writing to night stopped at" in said
    said_once = " ".join(out.split())
    assert "the microphone was away" in said_once
    assert "Listening went on without keeping." in said_once
    kept = stretches(room.folder / "night")
    assert len(kept) >= 3
    assert all(was_played(stretch, six_second_sound) for stretch in kept)
    assert sum(map(len, kept)) > 20 * 48_000  # 1.6 MB hold some 32 s of it


def readme_lines(name):
    """Give README's own command lines of that name, as words."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    lines = [line.split()[1:] for line in readme.splitlines() if line.startswith("    torsionbeat ")]
    return [line for line in lines if line[0] == name]


def test_readme_s_lines_for_the_microphone_run(bench, monkeypatch, capsys):
    sound = live_parts.rendered(60.0, 330.0)[0]
    here = [Device(3, "USB mic", "ALSA", 1, 48_000.0, True)]
    with monkeypatch.context() as patched:
        patched.setattr("torsionbeat.sound.devices.list_devices", lambda: here)
        assert [main(line) for line in readme_lines("devices")] == [0]
    more = {"listen": ["--sample-rate", str(RATE_HZ)], "inbeat": []}
    said = []
    for name in ("listen", "inbeat"):
        for line in readme_lines(name):
            bench(sound)
            # A night is long for a test, and inbeat goes on until it is stopped: five minutes of it.
            shown = [word for word in line if word not in ("--for", "9h")]
            assert main([*shown, "--for", "5min", *more[name]]) == 0, line
            said.append(" ".join(capsys.readouterr().out.split()))
    check, night, beat = said
    assert "The tick is heard" in check
    assert "The clock " in night
    assert "side " in beat
