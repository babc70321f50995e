"""Saved recordings of every kind, whole and broken: what is read, where it lies, and what is said."""

from __future__ import annotations

import os
import struct
from fractions import Fraction
from pathlib import Path

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


def write_phone(path: Path, codec: str, rate_hz: int, sound: np.ndarray) -> None:
    import av

    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate_hz, layout="mono")
        for first in range(0, len(sound), 1024):
            piece = sound[first : first + 1024].T
            if stream.codec_context.format.name == "s16":
                frame = av.AudioFrame.from_ndarray((piece * 32767).astype(np.int16), "s16", "mono")
            else:
                frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(piece), "fltp", "mono")
            frame.sample_rate, frame.pts, frame.time_base = rate_hz, first, Fraction(1, rate_hz)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("container", "subtype", "tolerance"),
    [
        ("WAV", "FLOAT", 0),
        ("WAV", "PCM_16", 2**-15),
        ("WAV", "PCM_24", 2**-23),
        ("FLAC", "PCM_16", 2**-15),
        ("FLAC", "PCM_24", 2**-23),
        ("AIFF", "PCM_16", 2**-15),
        ("CAF", "PCM_24", 2**-23),
        ("W64", "FLOAT", 0),
        ("RF64", "PCM_24", 2**-23),
    ],
)
def test_samples_come_through_untouched(tmp_path, container, subtype, tolerance):
    """The tolerance is one step of the sample format, by which writing it may round."""
    sound = noise(5000, 2)
    path = tmp_path / "night"
    soundfile.write(path, sound, RATE_HZ, subtype=subtype, format=container)
    blocks, recording = gathered(path, 1024)
    assert [block.start_frame for block in blocks] == [0, 1024, 2048, 3072, 4096]
    assert all(block.samples.dtype == np.float32 and block.samples.shape[1] == 2 for block in blocks)
    np.testing.assert_allclose(joined(blocks), sound, rtol=0, atol=tolerance)
    assert (recording.name, recording.sample_rate_hz, recording.channels) == ("night", RATE_HZ, 2)
    assert recording.frames_stated == 5000
    assert recording.remarks == []


@pytest.mark.parametrize(
    ("container", "subtype"), [("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")]
)
def test_lossy_files_keep_their_time(tmp_path, container, subtype):
    sound = np.zeros((RATE_HZ, 1), np.float32)
    click = np.hanning(48)[:, None].astype(np.float32)
    sound[30_000:30_048] += 0.8 * click
    path = tmp_path / "memo"
    soundfile.write(path, sound, RATE_HZ, format=container, subtype=subtype)
    blocks, recording = gathered(path)
    heard = joined(blocks)[:, 0]
    assert (
        abs(int(np.argmax(np.abs(heard))) - 30_024) < 24
    )  # half the click: coding smears it, but does not move it
    assert recording.remarks == []


@pytest.mark.parametrize("frames", [1, 7, 1000, 4096, 10**6])
def test_block_length_does_not_matter(tmp_path, frames):
    path = tmp_path / "night.flac"
    soundfile.write(path, noise(5000), RATE_HZ)
    blocks, _ = gathered(path, frames)
    assert np.array_equal(joined(blocks), soundfile.read(path, dtype="float32", always_2d=True)[0])
    assert [block.start_frame for block in blocks] == list(range(0, 5000, frames))


def test_recording_can_be_read_twice(tmp_path):
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(5000), RATE_HZ)
    with open_recording(path) as recording:
        assert np.array_equal(joined(recording.blocks(600)), joined(recording.blocks()))


def test_leaving_the_recording_ends_its_blocks(tmp_path):
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(5000), RATE_HZ)
    with open_recording(path) as recording:
        blocks = recording.blocks(100)
        next(blocks)
    assert list(blocks) == []


def test_six_channels_and_nan_come_through(tmp_path):
    sound = noise(4000, 6)
    sound[10, 3], sound[11, 0], sound[12, 5] = np.nan, np.inf, -np.inf
    path = tmp_path / "six.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    blocks, recording = gathered(path)
    assert recording.channels == 6
    assert np.array_equal(joined(blocks), sound, equal_nan=True)


@pytest.mark.parametrize(
    ("rate_hz", "allowed"), [(5000, False), (7999, False), (8000, True), (384_000, True), (400_000, False)]
)
def test_sample_rates_allowed(tmp_path, rate_hz, allowed):
    path = tmp_path / "rate.wav"
    soundfile.write(path, noise(400), rate_hz)
    if allowed:
        assert open_recording(path).sample_rate_hz == rate_hz
    else:
        with pytest.raises(InputError, match=f"{rate_hz} Hz; rates from 8000 to 384000 Hz can be used"):
            open_recording(path)


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"gone\.wav does not exist; check"):
        open_recording(tmp_path / "gone.wav")


def test_folder_without_recording(tmp_path):
    with pytest.raises(InputError, match="is a folder without a recording"):
        open_recording(tmp_path)


def test_empty_file(tmp_path):
    (tmp_path / "empty.wav").touch()
    with pytest.raises(InputError, match=r"empty\.wav is an empty file; give a recording"):
        open_recording(tmp_path / "empty.wav")


@pytest.mark.parametrize("container", ["WAV", "AIFF", "OGG"])
def test_file_of_no_frames(tmp_path, container):
    path = tmp_path / "nothing"
    soundfile.write(path, noise(0), RATE_HZ, format=container)
    with pytest.raises(InputError, match="nothing holds no sound"):
        list(open_recording(path).blocks())


@pytest.mark.parametrize("name", ["letter.txt", "letter.wav", "letter.raw", "letter.m4a", "letter"])
def test_not_sound(tmp_path, name):
    path = tmp_path / name
    path.write_text("Dear sir, your clock is ready. " * 200)
    with pytest.raises(InputError, match=f"{name} is not a sound file"):
        list(open_recording(path).blocks())


@pytest.mark.parametrize("seed", range(5))
def test_noise_bytes_end_in_a_sentence(tmp_path, seed):
    path = tmp_path / "bytes.mp3"
    path.write_bytes(np.random.default_rng(seed).bytes(50_000))
    with pytest.raises(InputError, match=r"bytes\.mp3 "):
        list(open_recording(path).blocks())


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read every file")
def test_file_that_may_not_be_read(tmp_path):
    path = tmp_path / "locked.wav"
    soundfile.write(path, noise(400), RATE_HZ)
    path.chmod(0)
    with pytest.raises(InputError, match="cannot be opened"):
        open_recording(path)


def test_block_length_must_be_positive(tmp_path):
    path = tmp_path / "night.wav"
    soundfile.write(path, noise(400), RATE_HZ)
    with pytest.raises(InputError, match="block length is 0 frames; it must be at least 1"):
        open_recording(path).blocks(0)


@pytest.mark.parametrize(
    ("name", "codec", "rate_hz"),
    [
        ("memo.m4a", "aac", 48_000),
        ("memo.m4a", "aac", 16_000),
        ("film.mov", "aac", 44_100),
        ("memo.3gp", "libopencore_amrnb", 8000),
    ],
)
def test_phone_memo_keeps_its_time(tmp_path, name, codec, rate_hz):
    av = pytest.importorskip("av")
    if codec not in av.codecs_available:
        pytest.skip(f"this PyAV has no {codec}")
    sound = 1e-3 * noise(3 * rate_hz)
    tone = np.sin(2 * np.pi * 1000 / rate_hz * np.arange(rate_hz // 50))[:, None].astype(np.float32)
    first = 2 * rate_hz
    sound[first : first + len(tone)] += 0.5 * tone
    path = tmp_path / name
    write_phone(path, codec, rate_hz, sound)
    blocks, recording = gathered(path, 10_000)
    heard = joined(blocks)[:, 0]
    assert recording.sample_rate_hz == rate_hz
    assert recording.channels == 1
    assert recording.remarks == []
    assert [block.start_frame for block in blocks] == list(range(0, len(heard), 10_000))
    assert abs(len(heard) - len(sound)) <= 1024  # the last packet is filled up
    # where the sound agrees best with what went in: AAC must be exact, AMR's own filter delays by up to 5 ms
    window = slice(first - rate_hz // 50, first + rate_hz // 25)
    lags = np.arange(-rate_hz // 100, rate_hz // 100)
    match = [np.dot(heard[window.start + lag : window.stop + lag], sound[window, 0]) for lag in lags]
    assert abs(lags[int(np.argmax(match))]) <= (0 if codec == "aac" else 40)


def test_phone_memo_with_lost_packets_keeps_its_time(tmp_path):
    av = pytest.importorskip("av")
    sound = np.zeros((3 * RATE_HZ, 1), np.float32)
    click = np.hanning(48)[:, None].astype(np.float32)
    for first in (20_000, 100_000):
        sound[first : first + 48] = 0.8 * click
    whole, path = tmp_path / "whole.m4a", tmp_path / "memo.m4a"
    write_phone(whole, "aac", RATE_HZ, sound)
    with av.open(str(whole)) as source, av.open(str(path), "w") as target:
        template = source.streams.audio[0]
        if hasattr(target, "add_stream_from_template"):
            stream = target.add_stream_from_template(template)
        else:  # PyAV before 14
            stream = target.add_stream(template=template)
        for number, packet in enumerate(source.demux(source.streams.audio[0])):
            if packet.dts is not None and not 50 <= number < 60:
                packet.stream = stream
                target.mux(packet)
    blocks, recording = gathered(path)
    assert len(blocks) == 2
    assert blocks[1].start_frame - blocks[0].stop_frame == 10 * 1024
    for block, first in zip(blocks, (20_000, 100_000), strict=True):
        heard = block.start_frame + int(np.argmax(np.abs(block.samples[:, 0])))
        assert abs(heard - (first + 24)) < 24  # half the click
    assert len(recording.remarks) == 1
    assert "count as a gap" in recording.remarks[0]


def test_phone_memo_damaged_in_the_middle_keeps_its_time(tmp_path):
    pytest.importorskip("av")
    sound = np.zeros((6 * RATE_HZ, 1), np.float32)
    click = np.hanning(48)[:, None].astype(np.float32)
    for first in (20_000, 250_000):
        sound[first : first + 48] = 0.8 * click
    path = tmp_path / "memo.m4a"
    write_phone(path, "aac", RATE_HZ, sound + 1e-3 * noise(6 * RATE_HZ))
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 4000] = bytes([255] * 4000)
    path.write_bytes(content)
    blocks, recording = gathered(path)
    line = np.zeros(7 * RATE_HZ)
    for block in blocks:
        line[block.start_frame : block.stop_frame] = block.samples[:, 0]
    assert abs(int(np.argmax(np.abs(line[:100_000]))) - 20_024) < 24  # half the click
    assert abs(200_000 + int(np.argmax(np.abs(line[200_000:]))) - 250_024) < 24
    assert any("damaged" in sentence or "gap" in sentence for sentence in recording.remarks)


def test_phone_memo_that_was_never_finished(tmp_path):
    """A phone writes the table of contents last; without it nothing can be found."""
    pytest.importorskip("av")
    path = tmp_path / "memo.m4a"
    write_phone(path, "aac", RATE_HZ, noise(3 * RATE_HZ))
    path.write_bytes(path.read_bytes()[:10_000])
    with pytest.raises(InputError, match=r"memo\.m4a is not a sound file, or it is damaged beyond reading"):
        open_recording(path)


def test_aac_stream_cut_short_is_read_to_its_end(tmp_path):
    pytest.importorskip("av")
    path = tmp_path / "memo.aac"
    write_phone(path, "aac", RATE_HZ, noise(3 * RATE_HZ))
    size = path.stat().st_size
    path.write_bytes(path.read_bytes()[: size // 2])
    blocks, _ = gathered(path)
    assert RATE_HZ < blocks[-1].stop_frame < 2 * RATE_HZ


def test_video_without_sound(tmp_path):
    av = pytest.importorskip("av")
    path = tmp_path / "film.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=10)
        stream.width = stream.height = 64
        for _ in range(10):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), "rgb24")))
        container.mux(stream.encode(None))
    with pytest.raises(InputError, match=r"film\.mp4 is not a sound file"):
        open_recording(path)


def damaged_mp3(path, sound, at, damage):
    whole = path.with_suffix(".whole")
    soundfile.write(whole, sound, RATE_HZ, format="MP3", subtype="MPEG_LAYER_III")
    content = bytearray(whole.read_bytes())
    first = int(at * len(content))
    content[first : first + len(damage)] = damage
    path.write_bytes(content)


@pytest.mark.parametrize("damage", [bytes(3000), b"\xff" * 200, np.random.default_rng(4).bytes(20_000)])
def test_mp3_damaged_in_the_middle_is_read_to_its_end_in_silence(tmp_path, capfd, damage):
    """libsndfile's own decoder gives up there, and writes lines of its own to the terminal."""
    path = tmp_path / "night.mp3"
    damaged_mp3(path, noise(20 * RATE_HZ), 0.5, damage)
    blocks, recording = gathered(path)
    # 20 s are 190 kB: 20 000 bytes are 2.1 s; the rest is there
    assert blocks[-1].stop_frame > 17.5 * RATE_HZ
    assert {remark.code for remark in recording.remarks} >= {"file-damaged", "sound-may-stand-early"}
    assert capfd.readouterr() == ("", "")


def wav_of_64_bit_whole_numbers(samples):
    content = (samples.astype(np.float64) * 2.0**63).astype("<i8").tobytes()
    form = struct.pack("<HHIIHH", 1, samples.shape[1], RATE_HZ, 8 * RATE_HZ, 8 * samples.shape[1], 64)
    chunks = b"fmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(content)) + content
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


@pytest.mark.parametrize("channels", [1, 2])
def test_wav_of_64_bit_whole_numbers(tmp_path, channels):
    path = tmp_path / "odd.wav"
    sound = noise(5000 * channels).reshape(-1, channels)
    path.write_bytes(wav_of_64_bit_whole_numbers(sound))
    blocks, _ = gathered(path)
    np.testing.assert_allclose(joined(blocks), sound, atol=1e-7)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("night.m3u8", "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nmemo.ts\n#EXT-X-ENDLIST\n"),
        ("night.m4a", "ffconcat version 1.0\nfile memo.ts\n"),
        ("night.sdp", "v=0\nm=audio 5004 RTP/AVP 0\nc=IN IP4 127.0.0.1\n"),
    ],
)
def test_a_file_that_refers_to_others_is_refused(tmp_path, name, content):
    write_phone(tmp_path / "memo.ts", "aac", RATE_HZ, noise(RATE_HZ))
    (tmp_path / name).write_text(content)
    with pytest.raises(InputError, match=r"is not a sound file"):
        open_recording(tmp_path / name)
    assert gathered(tmp_path / "memo.ts")[0]  # by its own name it is read


def test_a_memo_says_what_recorded_it(tmp_path):
    import av

    with av.open(str(tmp_path / "memo.mov"), "w", options={"movflags": "use_metadata_tags"}) as container:
        container.metadata.update({"make": "Fieldworks", "model": "Pocket 2"})
        stream = container.add_stream("aac", rate=RATE_HZ, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        frame.sample_rate = RATE_HZ
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with open_recording(tmp_path / "memo.mov") as recording:
        assert recording.recorder == "Fieldworks Pocket 2"
