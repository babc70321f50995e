"""Sound files that libsndfile decodes: read past whatever is broken in them, and said."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import soundfile

from torsionbeat.errors import InputError
from torsionbeat.sound.recording import open_recording

RATE_HZ = 48_000


def noise(frames: int, channels: int = 1, seed: int = 1) -> np.ndarray:
    return (0.1 * np.random.default_rng(seed).standard_normal((frames, channels))).astype(np.float32)


def gathered(path, frames=262_144):
    """All blocks of a recording, and the recording."""
    with open_recording(path) as recording:
        return list(recording.blocks(frames)), recording


def joined(blocks):
    return np.concatenate([block.samples for block in blocks])


@pytest.mark.parametrize("damaged_bytes", [16, 200, 20_000, 200_000])
@pytest.mark.parametrize("frames", [1000, 262_144])
def test_flac_damaged_in_the_middle_is_read_around(tmp_path, damaged_bytes, frames):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(480_000), RATE_HZ)
    whole = soundfile.read(path, dtype="float32", always_2d=True)[0]
    content = bytearray(path.read_bytes())
    size = len(content)
    content[300_000 : 300_000 + damaged_bytes] = np.random.default_rng(2).bytes(damaged_bytes)
    path.write_bytes(content)
    blocks, recording = gathered(path, frames)
    for block in blocks:
        assert np.array_equal(block.samples, whole[block.start_frame : block.stop_frame])
    read = sum(len(block.samples) for block in blocks)
    frames_per_byte = 480_000 / size
    # at most: the damage itself, a FLAC block of 4096 frames at either end, and one probe of 512
    assert 0 < 480_000 - read <= damaged_bytes * frames_per_byte + 2 * 4096 + 512
    assert blocks[-1].stop_frame == 480_000
    assert len(recording.remarks) == 1
    assert "damaged" in recording.remarks[0]


def test_flac_damaged_near_its_end_is_read_to_its_end(tmp_path):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(480_000), RATE_HZ)
    whole = soundfile.read(path, dtype="float32", always_2d=True)[0]
    content = bytearray(path.read_bytes())
    at = round(len(content) * 460_000 / 480_000)
    content[at : at + 5000] = bytes(5000)
    path.write_bytes(content)
    blocks, recording = gathered(path)
    assert blocks[-1].stop_frame == 480_000
    assert np.array_equal(blocks[-1].samples, whole[blocks[-1].start_frame :])
    assert len(recording.remarks) == 1


def test_flac_damaged_in_many_places_is_told_in_all(tmp_path):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(960_000), RATE_HZ)
    whole = soundfile.read(path, dtype="float32", always_2d=True)[0]
    content = bytearray(path.read_bytes())
    for at in range(100_000, len(content) - 100_000, 150_000):
        content[at] ^= 0xFF
    path.write_bytes(content)
    blocks, recording = gathered(path)
    for block in blocks:
        assert np.array_equal(block.samples, whole[block.start_frame : block.stop_frame])
    holes = [
        (b.start_frame - a.stop_frame) / RATE_HZ for a, b in pairwise(blocks) if a.stop_frame < b.start_frame
    ]
    assert len(holes) > 5
    assert len(recording.remarks) == 6
    assert recording.remarks[-1] == f"{len(holes) - 5} more damaged stretches come to {sum(holes[5:]):.3f} s."


def test_flac_damaged_twice_says_so_twice(tmp_path):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(480_000), RATE_HZ)
    content = bytearray(path.read_bytes())
    content[200_000:200_100] = bytes(100)
    content[500_000:500_100] = bytes(100)
    path.write_bytes(content)
    blocks, recording = gathered(path)
    assert len(recording.remarks) == 2
    jumps = [(a.stop_frame, b.start_frame) for a, b in pairwise(blocks) if a.stop_frame != b.start_frame]
    assert len(jumps) == 2


@pytest.mark.parametrize("stated", ["as written", "nothing", "all ones"])
def test_killed_flac_is_read_to_its_end(tmp_path, stated):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(480_000), RATE_HZ)
    whole = soundfile.read(path, dtype="float32", always_2d=True)[0]
    content = bytearray(path.read_bytes())
    fill = {"as written": None, "nothing": 0x00, "all ones": 0xFF}[stated]
    if fill is not None:  # STREAMINFO keeps the count in the low 36 bits of bytes 21 to 25 (RFC 9639, 8.2)
        content[21] = content[21] & 0xF0 | fill & 0x0F
        content[22:26] = bytes([fill] * 4)
    path.write_bytes(content[:300_000])
    blocks, recording = gathered(path)
    heard = joined(blocks)
    assert 160_000 < len(heard) < 180_000
    assert np.array_equal(heard, whole[: len(heard)])
    assert recording.frames_stated == (480_000 if stated == "as written" else None)
    assert len(recording.remarks) == 1
    assert f"{len(heard) / RATE_HZ:.3f} s" in recording.remarks[0]


def test_wav_shorter_than_its_header(tmp_path):
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(48_000), RATE_HZ, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[:60_044])
    blocks, recording = gathered(path)
    assert len(joined(blocks)) == 30_000
    assert recording.remarks == [
        "The file is cut short: 60000 of the 96000 bytes of sound that its header states are there."
    ]


def test_lossy_file_with_a_hole_says_that_times_may_be_early(tmp_path):
    path = tmp_path / "memo.ogg"
    soundfile.write(path, 0.1 * noise(480_000), RATE_HZ, format="OGG", subtype="VORBIS")
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 3000] = np.random.default_rng(1).bytes(3000)
    path.write_bytes(content)
    blocks, recording = gathered(path)
    missing = 480_000 - len(joined(blocks))
    assert missing > 0
    assert len(recording.remarks) == 1
    assert recording.remarks[0].startswith(f"{missing / RATE_HZ:.3f} s of the 10.000 s")
    assert "may stand too early" in recording.remarks[0]


def test_flac_with_nothing_readable(tmp_path):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(100_000), RATE_HZ)
    content = bytearray(path.read_bytes())
    content[100:] = bytes(len(content) - 100)
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"night\.flac "):
        list(open_recording(path).blocks())
