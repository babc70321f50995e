"""The recording folder: what was kept is there again, whatever ended the recording."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
from collections import deque
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.sound.block import Block
from torsionbeat.sound.journal import read_journal
from torsionbeat.sound.keeper import RESERVE_BYTES, Keeper, planned_bytes
from torsionbeat.sound.kept import readable_frames
from torsionbeat.sound.recording import open_recording
from torsionbeat.sound.timebase import ClockRow, host_timebase

RATE_HZ = 8000


def noise(frames, channels=1, seed=1):
    """Sound in 24-bit steps, as a microphone gives it."""
    steps = np.random.default_rng(seed).integers(-(2**20), 2**20, (frames, channels))
    return (steps / 2**23).astype(np.float32)


def blocks_of(sound, length=1000, start=0):
    return [Block(start + at, sound[at : at + length]) for at in range(0, len(sound), length)]


def record(folder, blocks, **options):
    with Keeper(folder, RATE_HZ, blocks[0].samples.shape[1], **options) as keeper:
        for block in blocks:
            keeper.hear(block)


def gathered(folder, frames=262_144):
    with open_recording(folder) as recording:
        return list(recording.blocks(frames)), recording


def on_the_time_line(blocks, length):
    line = np.full((length, blocks[0].samples.shape[1]), np.nan, np.float32)
    for block in blocks:
        line[block.start_frame : block.stop_frame] = block.samples
    return line


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("frames", [700, 262_144])
def test_sound_comes_back_bit_for_bit(tmp_path, channels, frames):
    sound = noise(50_000, channels)
    record(tmp_path / "night", blocks_of(sound), segment_s=2.0)
    blocks, recording = gathered(tmp_path / "night", frames)
    assert np.array_equal(np.concatenate([block.samples for block in blocks]), sound)
    assert (recording.name, recording.sample_rate_hz, recording.channels) == ("night", RATE_HZ, channels)
    assert recording.frames_stated == 50_000
    assert recording.remarks == []
    assert recording.not_kept == ()
    assert len(list((tmp_path / "night").glob("sound-*.flac"))) == 4  # 50 000 frames in files of 16 000


def test_full_scale_and_beyond_is_clipped_not_wrapped(tmp_path):
    sound = np.array([[1.0], [-1.0], [1.5], [-1.5], [np.inf], [np.nan]], np.float32)
    record(tmp_path / "night", [Block(0, sound)])
    heard = gathered(tmp_path / "night")[0][0].samples[:, 0]
    top = 1 - 2.0**-23
    assert heard.tolist() == [top, -1.0, top, -1.0, top, 0.0]


def test_sixteen_bit_sound_takes_no_more_room_in_24_bits(tmp_path):
    steps = np.random.default_rng(1).integers(-300, 300, (80_000, 1)).astype(np.int16)
    soundfile.write(tmp_path / "plain.flac", steps, RATE_HZ)
    record(tmp_path / "night", blocks_of((steps / 32768).astype(np.float32)))
    kept = (tmp_path / "night" / "sound-0001.flac").stat().st_size
    assert kept < 1.02 * (tmp_path / "plain.flac").stat().st_size  # headers and the tag


def test_gaps_are_jumps_and_are_told(tmp_path):
    sound = noise(30_000)
    with Keeper(tmp_path / "night", RATE_HZ, 1, segment_s=2.0) as keeper:
        for block in blocks_of(sound[:10_000]):
            keeper.hear(block)
        keeper.note("gap", start_frame=10_000, stop_frame=15_000, why="the microphone was away")
        for block in blocks_of(sound[15_000:], start=15_000):
            keeper.hear(block)
    blocks, recording = gathered(tmp_path / "night")
    assert [(block.start_frame, block.stop_frame) for block in blocks] == [(0, 10_000), (15_000, 30_000)]
    line = on_the_time_line(blocks, 30_000)
    assert np.isnan(line[10_000:15_000]).all()
    assert np.array_equal(line[15_000:], sound[15_000:])
    assert recording.remarks == ["Nothing was heard for 0.62 s at 1.2 s: the microphone was away."]


def test_beats_only(tmp_path):
    sound = noise(80_000)
    with Keeper(tmp_path / "night", RATE_HZ, 1, keeps="beats", segment_s=1.0, memory_s=2.0) as keeper:
        for block in blocks_of(sound):
            keeper.hear(block)
            if block.stop_frame % 20_000 == 0:  # a beat every 20 000 frames, known 3000 frames later
                assert keeper.keep(block.stop_frame - 5000, block.stop_frame - 2000) == 3000
        assert keeper.keep(77_000, 79_000) == 1000  # up to 78 000 was kept before
        assert keeper.keep(0, 5000) == 0  # long gone
    blocks, recording = gathered(tmp_path / "night")
    stretches = [(15_000, 18_000), (35_000, 38_000), (55_000, 58_000), (75_000, 79_000)]
    assert [(block.start_frame, block.stop_frame) for block in blocks] == stretches
    for block in blocks:
        assert np.array_equal(block.samples, sound[block.start_frame : block.stop_frame])
    assert recording.not_kept == (
        (0, 15_000), (18_000, 35_000), (38_000, 55_000), (58_000, 75_000), (79_000, 80_000)
    )  # fmt: skip
    assert recording.remarks == [
        "Only the sound around the beats was kept. The other 8 s were heard at the time but are not here: room sound "
        "stands for them, and they are no gaps."
    ]


def test_a_gap_among_beats_is_not_called_not_kept(tmp_path):
    with Keeper(tmp_path / "night", RATE_HZ, 1, keeps="beats") as keeper:
        keeper.hear(Block(0, noise(10_000)))
        keeper.keep(0, 8000)
        keeper.note("gap", start_frame=10_000, stop_frame=50_000, why="the microphone was away")
        keeper.hear(Block(50_000, noise(10_000)))
        keeper.keep(52_000, 60_000)
    assert gathered(tmp_path / "night")[1].not_kept == ((8000, 10_000), (50_000, 52_000))


def test_what_was_kept_and_is_gone_is_a_gap(tmp_path):
    """A file deleted among the beats: what it held was kept, so nothing stands for it; its neighbours' rooms do."""
    with Keeper(tmp_path / "night", RATE_HZ, 1, keeps="beats", segment_s=0.1) as keeper:
        for start in (0, 10_000, 20_000):
            keeper.hear(Block(start, noise(10_000)))
            keeper.keep(start + 1000, start + 6000)
    (tmp_path / "night" / "sound-0002.flac").unlink()
    recording = gathered(tmp_path / "night")[1]
    assert recording.not_kept == ((0, 1000), (6000, 11_000), (16_000, 21_000), (26_000, 30_000))
    assert any("Missing from the folder, which counts as a gap" in remark for remark in recording.remarks)


def test_nothing_is_said_of_what_follows_the_last_sound_of_a_broken_off_recording(tmp_path):
    keeper = Keeper(tmp_path / "night", RATE_HZ, 1, keeps="beats", segment_s=0.1)
    keeper.hear(Block(0, noise(10_000)))
    keeper.keep(1000, 6000)
    keeper.hear(Block(10_000, noise(10_000)))
    keeper.note("clock", stretch=0, frame=20_000, monotonic_ns=0, utc_ns=0)
    assert gathered(tmp_path / "night")[1].not_kept == ((0, 1000),)
    keeper.close()
    assert gathered(tmp_path / "night")[1].not_kept == ((0, 1000), (6000, 20_000))


def test_figures_only(tmp_path):
    record(tmp_path / "night", blocks_of(noise(9000)), keeps="figures")
    assert [path.name for path in (tmp_path / "night").iterdir()] == ["journal.jsonl"]
    with pytest.raises(InputError, match="figures only were kept; record again"):
        open_recording(tmp_path / "night")


def test_the_journal_gives_the_timebase(tmp_path):
    """30 ppm fast: what the journal gives is what its rows give, and true."""
    rows = [
        ClockRow(0, round(second * RATE_HZ * (1 + 30e-6)), second * 10**9, second * 10**9 + 10**18)
        for second in range(600)
    ]
    with Keeper(tmp_path / "night", RATE_HZ, 1, synchronised=True) as keeper:
        keeper.hear(Block(0, noise(1000)))
        for row in rows:
            keeper.clock(row)
    assert open_recording(tmp_path / "night").begun_utc_ns == 10**18
    found = open_recording(tmp_path / "night").timebase
    assert (found.source, found.synchronised) == ("host clock", True)
    assert found == host_timebase(rows, RATE_HZ, True)
    assert abs(found.offset_ppm - 30) < 1.96 * found.standard_uncertainty_ppm
    with Keeper(tmp_path / "second", RATE_HZ, 1, synchronised=True) as keeper:
        keeper.hear(Block(0, noise(1000)))
        keeper.note("network time", frame=500, synchronised=False)
        for second in range(600):
            keeper.clock(ClockRow(0, second * RATE_HZ, second * 10**9, 0))
    assert open_recording(tmp_path / "second").timebase.synchronised is False


WRITER = """
    import sys, time
    import numpy as np
    from torsionbeat.sound.block import Block
    from torsionbeat.sound.keeper import Keeper
    steps = np.random.default_rng(1).integers(-(2**20), 2**20, (2_000_000, 1))
    sound = (steps / 2**23).astype(np.float32)
    if len(sys.argv) > 2:
        import resource
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)
    with Keeper(sys.argv[1], 8000, 1, segment_s=20.0) as keeper:
        for at in range(0, len(sound), 1000):
            keeper.hear(Block(at, sound[at : at + 1000]))
            keeper.note("clock", stretch=0, frame=at + 1000, monotonic_ns=at, utc_ns=at)
            print(at + 1000, flush=True)
            time.sleep(0.0002)
"""


def writer(folder, *arguments):
    """Another Python that writes the recording `noise(2_000_000)` and prints how far it is."""
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(folder), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=root,
        text=True,
    )


@pytest.mark.skipif(os.name == "nt", reason="kill -9 is a POSIX signal")
@pytest.mark.parametrize("heard", [1000, 150_000, 161_000, 333_000])
def test_killed_at_any_moment(tmp_path, heard):
    """FLAC holds back at most two blocks of 4096 frames; everything before them must be there."""
    process = writer(tmp_path / "night")
    written = next(int(line) for line in process.stdout if int(line) >= heard)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    sound = noise(2_000_000)
    if written <= 2 * 4096:  # nothing, or as much as the writer went on until it was killed
        with contextlib.suppress(InputError):
            blocks, _ = gathered(tmp_path / "night")
            assert np.array_equal(blocks[0].samples, sound[: blocks[0].stop_frame])
        return
    blocks, recording = gathered(tmp_path / "night")
    assert len(blocks) == 1 + (blocks[-1].stop_frame - 1) // 262_144
    assert blocks[-1].stop_frame >= written - 2 * 4096
    for block in blocks:
        assert np.array_equal(block.samples, sound[block.start_frame : block.stop_frame])
    assert recording.remarks[0].startswith("The recording was not ended properly")
    assert recording.frames_stated is None
    record = read_journal(tmp_path / "night" / "journal.jsonl")
    assert len(record.closed) == written // 160_000 or len(record.closed) == written // 160_000 - 1
    assert all(readable_frames(tmp_path / "night" / name) == frames for name, frames in record.closed.items())
    last = sorted((tmp_path / "night").glob("sound-*.flac"))[-1]
    if last.name not in record.closed:
        assert readable_frames(last) == blocks[-1].stop_frame - 160_000 * len(record.closed)


@pytest.mark.skipif(os.name == "nt", reason="needs a limit on the size of files")
def test_disk_that_takes_no_more(tmp_path):
    """The system refuses to let a file grow past 300 000 bytes: writing fails under libsndfile's hands."""
    process = writer(tmp_path / "night", "300000")
    printed, said = process.communicate()
    assert "DeviceError: writing to" in said.splitlines()[-1]
    assert "What was kept until then is intact" in said.splitlines()[-1]
    heard = int(printed.splitlines()[-1])
    blocks, recording = gathered(tmp_path / "night")
    assert 90_000 < heard < 160_000  # 24-bit noise takes about 2.7 bytes a frame
    assert blocks[-1].stop_frame > heard - 16_384  # what libsndfile and FLAC hold in their buffers
    assert np.array_equal(blocks[0].samples, noise(2_000_000)[: blocks[0].stop_frame])
    assert recording.remarks[0].startswith("The recording stopped before its time")


def test_disk_that_fills_up_while_recording(tmp_path):
    free = [10**9]
    with Keeper(tmp_path / "night", RATE_HZ, 1, free_bytes=lambda _: free[0]) as keeper:
        for block in blocks_of(noise(16_000)):
            keeper.hear(block)
        free[0] = RESERVE_BYTES - 1
        more = iter(blocks_of(noise(16_000), start=16_000))
        with pytest.raises(DeviceError, match=r"the disk is full\. What was kept until then is intact"):
            deque(map(keeper.hear, more))
        with pytest.raises(DeviceError, match="the disk is full"):
            keeper.note("overflow", frame=1)
    blocks, recording = gathered(tmp_path / "night")
    assert blocks[-1].stop_frame == 24_000  # looked at once a second
    assert recording.remarks == ["The recording stopped before its time: the disk is full."]


def test_disk_that_is_pulled_out(tmp_path):
    def free_bytes(_):
        if pulled:
            raise OSError(5, "Input/output error")
        return 10**9

    pulled = False
    keeper = Keeper(tmp_path / "night", RATE_HZ, 1, free_bytes=free_bytes)
    keeper.hear(Block(0, noise(9000)))
    pulled = True
    with pytest.raises(DeviceError, match=r"stopped at 2\.2 s: Input/output error"):
        keeper.hear(Block(9000, noise(9000)))


def test_many_gaps_are_told_in_all(tmp_path):
    with Keeper(tmp_path / "night", RATE_HZ, 1) as keeper:
        for number in range(9):
            keeper.hear(Block(number * 16_000, noise(8000)))
            keeper.note(
                "gap", start_frame=number * 16_000 + 8000, stop_frame=(number + 1) * 16_000, why="away"
            )
    remarks = gathered(tmp_path / "night")[1].remarks
    assert len(remarks) == 6
    assert remarks[-1] == "4 more gaps come to 4.00 s."


def test_too_little_room_for_the_night(tmp_path):
    room = 10**9
    assert planned_bytes("sound", 8 * 3600, 48_000, 1) > room
    with pytest.raises(DeviceError, match=r"has 1\.00 GB free; keeping sound for 8\.0 h can take 4\.17 GB"):
        Keeper(tmp_path / "night", 48_000, 1, planned_s=8 * 3600, free_bytes=lambda _: room)
    Keeper(
        tmp_path / "night", 48_000, 1, keeps="beats", planned_s=8 * 3600, free_bytes=lambda _: room
    ).close()


def test_folder_in_use_is_refused(tmp_path):
    record(tmp_path / "night", blocks_of(noise(9000)))
    with pytest.raises(InputError, match="already holds a recording; give another folder"):
        Keeper(tmp_path / "night", RATE_HZ, 1)
    assert gathered(tmp_path / "night")[0][-1].stop_frame == 9000


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(DeviceError, match="cannot be written"):
        Keeper(tmp_path / "file" / "night", RATE_HZ, 1)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"keeps": "all"}, "'all'; use sound, beats or figures"),
        ({"channels": 9}, "9 channels cannot be kept"),
    ],
)
def test_options_out_of_range(tmp_path, options, message):
    with pytest.raises(InputError, match=message):
        Keeper(tmp_path / "night", **{"sample_rate_hz": RATE_HZ, "channels": 1, **options})


def test_nothing_more_after_the_end(tmp_path):
    keeper = Keeper(tmp_path / "night", RATE_HZ, 1)
    keeper.close()
    keeper.close()
    with pytest.raises(DeviceError, match="is closed"):
        keeper.hear(Block(0, noise(10)))


class TestDamagedFolder:
    """A recording of three files with a gap, and then something happens to it."""

    @pytest.fixture
    def sound(self):
        return noise(48_000)

    @pytest.fixture
    def folder(self, tmp_path, sound):
        with Keeper(tmp_path / "night", RATE_HZ, 1, segment_s=2.0) as keeper:
            for block in blocks_of(sound[:20_000]):
                keeper.hear(block)
            keeper.note("gap", start_frame=20_000, stop_frame=21_000, why="the microphone was away")
            for block in blocks_of(sound[21_000:], start=21_000):
                keeper.hear(block)
        return tmp_path / "night"

    def check(self, folder, sound):
        blocks, recording = gathered(folder)
        for block in blocks:
            assert np.array_equal(block.samples, sound[block.start_frame : block.stop_frame])
        return blocks, recording

    def test_lines_of_the_journal_damaged(self, folder, sound):
        path = folder / "journal.jsonl"
        lines = path.read_bytes().splitlines()
        lines[2:2] = [b"\x00\x00\x00\x00", b'{"what":"clock","frame":12', b"[1]", b'{"what":"closed"}', b"7"]
        path.write_bytes(b"\n".join(lines))
        blocks, recording = self.check(folder, sound)
        assert [block.start_frame for block in blocks] == [0, 21_000]
        assert recording.remarks[0] == "5 lines of the journal cannot be read; the rest was used."

    def test_first_line_of_the_journal_lost(self, folder, sound):
        path = folder / "journal.jsonl"
        path.write_bytes(b"\n".join(path.read_bytes().splitlines()[1:]))
        _, recording = self.check(folder, sound)
        assert (recording.sample_rate_hz, recording.channels) == (RATE_HZ, 1)
        assert "first line is lost" in recording.remarks[0]

    def test_journal_lost_altogether(self, folder, sound):
        """Each file carries the place of its beginning; the gap within the second file is no longer known."""
        (folder / "journal.jsonl").unlink()
        blocks, recording = gathered(folder)
        line = on_the_time_line(blocks, 48_000)
        assert np.array_equal(line[:20_000], sound[:20_000])
        assert np.array_equal(line[33_000:], sound[33_000:])
        assert recording.timebase.source == "unknown"

    def test_file_lost(self, folder, sound):
        (folder / "sound-0001.flac").unlink()
        blocks, recording = self.check(folder, sound)
        assert blocks[0].start_frame == 16_000
        assert "Missing from the folder, which counts as a gap: sound-0001.flac." in recording.remarks

    def test_file_damaged(self, folder, sound):
        path = folder / "sound-0002.flac"
        content = bytearray(path.read_bytes())
        middle = len(content) // 2
        content[middle : middle + 50] = bytes(50)
        path.write_bytes(content)
        blocks, recording = self.check(folder, sound)
        assert blocks[-1].stop_frame == 48_000
        assert any("sound-0002.flac: The file is damaged" in sentence for sentence in recording.remarks)

    def test_file_emptied(self, folder, sound):
        (folder / "sound-0002.flac").write_bytes(b"")
        blocks, recording = self.check(folder, sound)
        assert [(block.start_frame, block.stop_frame) for block in blocks] == [(0, 16_000), (33_000, 48_000)]
        assert "sound-0002.flac cannot be read and counts as a gap." in recording.remarks

    def test_files_swapped_never_go_back_in_time(self, folder, sound):
        first, second = folder / "sound-0001.flac", folder / "sound-0002.flac"
        first.rename(folder / "other")
        second.rename(first)
        (folder / "other").rename(second)
        (folder / "journal.jsonl").unlink()
        blocks, recording = gathered(folder)
        assert all(a.stop_frame <= b.start_frame for a, b in pairwise(blocks))
        assert any("at a place that is taken" in sentence for sentence in recording.remarks)

    def test_everything_lost(self, folder):
        for path in folder.iterdir():
            path.write_bytes(b"")
        with pytest.raises(InputError, match="neither a journal nor sound"):
            open_recording(folder)


def test_journal_lines_are_json(tmp_path):
    record(tmp_path / "night", blocks_of(noise(9000)))
    lines = (tmp_path / "night" / "journal.jsonl").read_text().splitlines()
    assert [json.loads(line)["what"] for line in lines] == ["begun", "sound", "closed", "ended"]


def test_journal_says_what_a_reference_clock_told_and_counts_what_cannot_be(tmp_path):
    lines = (
        '{"what":"reference","offset_ppm":12.5,"standard_uncertainty_ppm":0.4}',
        '{"what":"reference","offset_ppm":49.9,"standard_uncertainty_ppm":0.1}',
        '{"what":"reference","offset_ppm":9e9,"standard_uncertainty_ppm":0.1}',
        '{"what":"reference","offset_ppm":"fast"',
    )
    path = tmp_path / "journal.jsonl"
    path.write_text("\n".join(lines), encoding="utf-8")
    record = read_journal(path)
    timebase = record.timebase(48_000)
    assert (timebase.source, timebase.offset_ppm) == ("reference ticks", 49.9)  # the last, from most ticks
    assert record.lines_lost == 2


def test_of_two_at_the_same_instant_one_has_the_folder(tmp_path):
    """Thirty races of four; each folder is made by one, and the others are refused in words."""
    for race in range(30):
        ready, outcomes = threading.Barrier(4), []

        def begin(folder=tmp_path / f"night-{race}", ready=ready, outcomes=outcomes):
            ready.wait(5)
            try:
                outcomes.append(Keeper(folder, RATE_HZ, 1))
            except InputError as error:
                outcomes.append(str(error))

        runners = [threading.Thread(target=begin) for _ in range(4)]
        for runner in runners:
            runner.start()
        for runner in runners:
            runner.join()
        won = [outcome for outcome in outcomes if isinstance(outcome, Keeper)]
        assert len(won) == 1
        won[0].close()
        lost = [outcome for outcome in outcomes if not isinstance(outcome, Keeper)]
        assert all("already holds a recording" in said for said in lost)


def test_of_nothing_heard_nothing_is_left(tmp_path):
    with Keeper(tmp_path / "night", RATE_HZ, 1) as keeper:
        assert keeper.kept_frames == 0
    assert not (tmp_path / "night").exists()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "note.txt").write_text("mine")
    Keeper(tmp_path / "other", RATE_HZ, 1).close()
    assert [path.name for path in (tmp_path / "other").iterdir()] == ["note.txt"]


def test_removed_folder_is_not_called_intact(tmp_path):
    keeper = Keeper(tmp_path / "night", RATE_HZ, 1, segment_s=1.0)
    keeper.hear(Block(0, noise(4000)))
    shutil.rmtree(tmp_path / "night")
    more = iter(blocks_of(noise(36_000), start=4000))
    with pytest.raises(DeviceError, match=r"the folder was removed .* What was kept went with it"):
        deque(map(keeper.hear, more))


def test_withdrawn_permission_is_not_called_a_full_disk(tmp_path, monkeypatch):
    """The administrator of this computer may write everywhere, so the refusal is the stand-in's."""
    keeper = Keeper(tmp_path / "night", RATE_HZ, 1, segment_s=1.0)
    keeper.hear(Block(0, noise(4000)))

    def refused(*_, **__):
        raise PermissionError(13, "Permission denied")

    def broken(*_, **__):
        raise soundfile.LibsndfileError(2)

    monkeypatch.setattr(tempfile, "mkstemp", refused)
    monkeypatch.setattr(soundfile.SoundFile, "write", broken)
    with pytest.raises(
        DeviceError, match=r"Permission denied\. What was kept until then is intact; mend that"
    ):
        keeper.hear(Block(4000, noise(4000)))


def test_kept_sound_is_the_owners_alone(tmp_path):
    record(tmp_path / "night", blocks_of(noise(10_000)))
    if os.name == "posix":
        assert {path.stat().st_mode & 0o777 for path in (tmp_path / "night").iterdir()} == {0o600}


def told_by(folder, **entry):
    """A kept folder whose journal holds one more line, put behind the first."""
    path = folder / "journal.jsonl"
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], json.dumps(entry), *lines[1:]]) + "\n")


@pytest.mark.parametrize(
    "entry",
    [
        {"what": "sound", "file": "sound-0001.flac", "file_frame": 5000, "start_frame": 10**10},
        {"what": "sound", "file": "sound-0001.flac", "file_frame": 5000, "start_frame": -7},
        {"what": "clock", "stretch": 0, "frame": 10**10, "monotonic_ns": 10**9, "utc_ns": 10**18},
        {"what": "clock", "stretch": 0, "frame": 1, "monotonic_ns": 10**30, "utc_ns": 10**40},
        {"what": "gap", "start_frame": 10**20, "stop_frame": 10**21, "why": "away"},
        {"what": "clock set", "frame": 1, "step_s": float("inf")},
        {"what": "reference", "offset_ppm": 1e9, "standard_uncertainty_ppm": -1},
        {"what": "begun", "sample_rate_hz": float("nan"), "channels": -1, "keeps": "all"},
        {"what": "network time", "synchronised": [1]},
        {"what": ["a"], "frame": {}},
        {"what": "host clock", "maxerror_s": "x"},
    ],
    ids=lambda entry: f"{entry['what']}",
)
def test_a_damaged_line_costs_only_itself(tmp_path, entry):
    sound = noise(10_000)
    with Keeper(tmp_path / "night", RATE_HZ, 1) as keeper:
        keeper.clock(ClockRow(0, 8000, 10**9, 10**18))
        keeper.clock(ClockRow(0, 16_000, 2 * 10**9, 10**18))
        for block in blocks_of(sound):
            keeper.hear(block)
    told_by(tmp_path / "night", **entry)
    blocks, recording = gathered(tmp_path / "night")
    assert np.array_equal(np.concatenate([block.samples for block in blocks]), sound)
    assert blocks[-1].stop_frame == 10_000
    assert recording.timebase.source == "unknown"


def test_a_line_too_deep_and_a_clock_of_day_in_the_year_2265(tmp_path):
    with Keeper(tmp_path / "night", RATE_HZ, 1) as keeper:
        for second in range(1, 100):
            keeper.clock(ClockRow(0, RATE_HZ * second, second * 10**9, 2**63 + second * 10**9))
        keeper.hear(Block(0, noise(5000)))
    with (tmp_path / "night" / "journal.jsonl").open("a") as journal:
        journal.write("[" * 200_000 + "]" * 200_000 + "\n")
    blocks, recording = gathered(tmp_path / "night")
    assert blocks[-1].stop_frame == 5000
    assert recording.begun_utc_ns is None
    assert recording.timebase.source == "host clock"
    assert any("1 lines of the journal" in remark for remark in recording.remarks)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes in the file system here")
def test_pipes_in_place_of_files_are_not_waited_for(tmp_path):
    record(tmp_path / "night", blocks_of(noise(5000)))
    os.mkfifo(tmp_path / "night" / "sound-0002.flac")
    assert gathered(tmp_path / "night")[0][-1].stop_frame == 5000
    (tmp_path / "night" / "journal.jsonl").unlink()
    os.mkfifo(tmp_path / "night" / "journal.jsonl")
    assert gathered(tmp_path / "night")[0][-1].stop_frame == 5000


def test_journal_of_before_is_read_as_ever(tmp_path):
    """Clock rows of four columns, no system, no recorder: as written until now."""
    record(tmp_path / "night", blocks_of(noise(5000)))
    path = tmp_path / "night" / "journal.jsonl"
    first, *rest = path.read_text().splitlines()
    begun = {key: value for key, value in json.loads(first).items() if key not in ("recorder", "identity")}
    begun["synchronised"] = True
    rows = [
        {
            "what": "clock",
            "stretch": 0,
            "frame": RATE_HZ * n,
            "monotonic_ns": n * 10**9,
            "utc_ns": 10**18 + n * 10**9,
        }
        for n in range(1, 700)
    ]
    path.write_text("\n".join([json.dumps(begun), *map(json.dumps, rows), *rest]) + "\n")
    recording = gathered(tmp_path / "night")[1]
    assert recording.recorder == ""
    assert recording.timebase.synchronised is True
    same = [ClockRow(0, RATE_HZ * n, n * 10**9, 10**18 + n * 10**9) for n in range(1, 700)]
    assert recording.timebase == host_timebase(same, RATE_HZ, True)
    # known better than by 30 ms at either end of 700 s, as rectangles: the recorder's crystal was sold as one
    assert 10 < recording.timebase.standard_uncertainty_ppm < 30e-3 * np.sqrt(2 / 3) / 690 * 1e6
