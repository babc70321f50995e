"""The frames of a FLAC file found by their headers, with libsndfile as the judge of what stands where."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from torsionbeat.sound.flacframes import FlacFrames, Frame

BLOCK = 4096
"""libsndfile's encoder writes frames of so many samples."""


class Sequential(soundfile.SoundFile):
    def seekable(self):
        return False


@pytest.fixture(params=[("PCM_16", 1), ("PCM_24", 2), ("PCM_S8", 6)], ids=["16 bit", "24 bit stereo", "six"])
def path(tmp_path, request):
    subtype, channels = request.param
    path = tmp_path / "night.flac"
    sound = 0.1 * np.random.default_rng(1).standard_normal((200_000, channels))
    soundfile.write(path, sound, 48_000, subtype=subtype)
    return path


def frames_of(path):
    return list(FlacFrames(path).after(-1))


def test_example_of_the_standard(tmp_path):
    """RFC 9639, appendix D.1 (bytes from memory; libsndfile decodes them): one frame of one sample at byte
    42.
    """
    path = tmp_path / "example.flac"
    info = "664c614380000022 1000 1000 00000f 00000f 0ac442f000000001 3e84b41807dc690307586a3dad1a2e0f"
    path.write_bytes(bytes.fromhex(info + "fff869180000bf0358fd03128baa9a"))
    assert soundfile.read(path, dtype="int16")[0].tolist() == [[25588, 10416]]
    assert frames_of(path) == [Frame(42, 0)]


def test_every_frame_is_found_and_nothing_else(path):
    frames = frames_of(path)
    assert [frame.sample for frame in frames] == list(range(0, 200_000, BLOCK))
    assert FlacFrames(path).stated == 200_000


@pytest.mark.parametrize("sample", [0, 1, 4095, 4096, 100_000, 199_999])
def test_splice_gives_what_libsndfile_gives_there(path, sample):
    frames = FlacFrames(path)
    frame = frames.last_until(sample)
    assert frame.sample == sample - sample % BLOCK
    whole = soundfile.read(path, dtype="float32")[0]
    with Sequential(frames.spliced(frame)) as file:
        assert file.frames == 200_000 - frame.sample
        assert np.array_equal(file.read(200_000, dtype="float32"), whole[frame.sample :])


@pytest.mark.parametrize("fill", ["zeros", "noise", "sync codes"])
def test_frames_are_found_across_damage(path, fill):
    before = frames_of(path)
    content = bytearray(path.read_bytes())
    low, high = before[10].byte + 7, before[30].byte + 7
    noise = np.random.default_rng(2).bytes(high - low)
    content[low:high] = {
        "zeros": bytes(high - low),
        "noise": noise,
        "sync codes": b"\xff\xf8" * ((high - low) // 2) + bytes((high - low) % 2),
    }[fill]
    path.write_bytes(content)
    frames = FlacFrames(path)
    # a chance header in noise has to pass a check sum of 8 bits and twenty fixed ones besides
    assert list(frames.after(-1)) == before[:11] + before[31:]
    assert next(frames.after(10 * BLOCK)) == before[31]
    assert frames.last_until(25 * BLOCK) == before[10]


def test_count_that_was_never_written_does_not_matter(path):
    before = frames_of(path)
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0
    content[22:26] = bytes(4)
    path.write_bytes(content)
    assert frames_of(path) == before
    assert FlacFrames(path).stated == 0


def test_frame_numbers_of_several_bytes(tmp_path):
    """Frame 128 is the first whose number takes two bytes, frame 2048 the first with three."""
    path = tmp_path / "long.flac"
    soundfile.write(path, np.zeros(2100 * BLOCK, np.int16), 48_000)
    assert [frame.sample for frame in frames_of(path)] == list(range(0, 2100 * BLOCK, BLOCK))


@pytest.mark.parametrize("content", [b"", b"fLaC", b"RIFF" + bytes(100), b"fLaC\x04" + bytes(100)])
def test_no_flac(tmp_path, content):
    path = tmp_path / "other"
    path.write_bytes(content)
    with pytest.raises(ValueError, match=r"does not begin as FLAC|empty file"):
        FlacFrames(path)
