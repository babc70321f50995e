"""WAV files whose header states less sound than there is are read whole; all others are left alone."""

from __future__ import annotations

import struct
import tracemalloc

import numpy as np
import pytest
import soundfile

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


def test_wav_whose_header_was_never_finished(tmp_path):
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(48_000), RATE_HZ, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[40:44] = struct.pack("<I", 0xFFFF_FFFF)
    path.write_bytes(content)
    blocks, recording = gathered(path)
    assert len(joined(blocks)) == 48_000
    assert len(recording.remarks) == 1
    assert "never finished" in recording.remarks[0]


@pytest.mark.parametrize("stated_bytes", [0, 2000, 50_001])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_wav_that_holds_more_than_its_header_states(tmp_path, stated_bytes, subtype):
    """A recorder that lost power has written its header at the start, or some minutes ago."""
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(48_000, 2), RATE_HZ, subtype=subtype)
    whole = soundfile.read(path, dtype="float32", always_2d=True)[0]
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", stated_bytes)
    path.write_bytes(content + b"x")  # half a frame at the end, too
    blocks, recording = gathered(path, 10_000)
    assert np.array_equal(joined(blocks), whole)
    assert (recording.channels, recording.sample_rate_hz, recording.frames_stated) == (2, RATE_HZ, 48_000)
    assert len(recording.remarks) == 1
    assert f"states {stated_bytes} bytes of sound" in recording.remarks[0]


def test_wav_beyond_4_gb_is_read_whole(tmp_path):
    """The length in the header has wrapped round; the file is sparse, so it takes no room on the disk."""
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(100), 384_000, subtype="PCM_32")
    size = (1 << 32) + 4_000_000
    with path.open("r+b") as file:
        head = file.read(200)
        at = head.index(b"data") + 8
        file.seek(at - 4)
        file.write(struct.pack("<I", size - (1 << 32)))
        try:
            file.truncate(at + size)
        except OSError as error:
            pytest.skip(f"no sparse files of this size here: {error}")
    with open_recording(path) as recording:
        assert recording.frames_stated == size // 4


def test_wav_with_other_chunks_after_the_sound_is_left_alone(tmp_path):
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(4001), RATE_HZ, subtype="PCM_U8")
    path.write_bytes(path.read_bytes() + b"LIST" + struct.pack("<I", 4) + b"INFO")
    blocks, recording = gathered(path)
    assert len(joined(blocks)) == 4001
    assert recording.remarks == []


@pytest.mark.parametrize("before", [b"fmt ", b"data"])
def test_wav_whose_titles_claim_two_gigabytes(tmp_path, before):
    plain = tmp_path / "plain.wav"
    sound = noise(20_000)
    soundfile.write(plain, sound, RATE_HZ, subtype="PCM_16")
    content = plain.read_bytes()
    at = content.index(before)
    path = tmp_path / "titled.wav"
    path.write_bytes(content[:at] + b"LIST" + struct.pack("<I", 2_000_000_000) + b"INFO" + content[at:])
    tracemalloc.start()
    blocks, recording = gathered(path)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert np.array_equal(joined(blocks), gathered_samples(plain))
    assert [remark.code for remark in recording.remarks] == ["header-damaged"]
    assert most < 20e6  # 20 000 samples are 80 kB as read; the first import of a library takes the most


def gathered_samples(path):
    return joined(gathered(path)[0])
