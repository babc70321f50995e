"""What PyAV decodes: samples at full scale 1, places by time stamps, and what is said of damage."""

from __future__ import annotations

import contextlib
from types import SimpleNamespace

import numpy as np
import pytest

av = pytest.importorskip("av")

from torsionbeat.sound.phone import PhoneReader, _as_float32, _maker, _states_its_length  # noqa: E402


def frame(values, kind):
    made = av.AudioFrame.from_ndarray(
        np.asarray(values), format=kind, layout="stereo" if len(values) == 2 else "mono"
    )
    made.sample_rate = 8000
    return made


@pytest.mark.parametrize(
    ("values", "kind", "samples"),
    [
        (np.array([[0, 128, 255]], np.uint8), "u8p", [[-1.0], [0.0], [127 / 128]]),
        (np.array([[-32768, 0, 16384]], np.int16), "s16p", [[-1.0], [0.0], [0.5]]),
        (np.array([[-(2**31), 2**30]], np.int32), "s32p", [[-1.0], [0.5]]),
        (np.array([[0.25, -1.5]], np.float32), "fltp", [[0.25], [-1.5]]),
        (np.array([[0.25, -1.5]], np.float64), "dblp", [[0.25], [-1.5]]),
        (np.array([[1, 2], [3, -1]], np.int16) * 8192, "s16p", [[0.25, 0.75], [0.5, -0.25]]),
    ],
)
def test_samples_are_of_full_scale_one_whatever_their_kind(values, kind, samples):
    found = _as_float32(frame(values, kind))
    assert found.dtype == np.float32
    assert np.array_equal(found, np.array(samples, np.float32))
    assert found.shape == (values.shape[1], values.shape[0])


def test_packed_channels_come_apart():
    made = av.AudioFrame.from_ndarray(
        np.array([[8192, 16384, -8192, -16384]], np.int16), format="s16", layout="stereo"
    )
    assert np.allclose(_as_float32(made), [[0.25, 0.5], [-0.25, -0.5]])


def test_sixty_four_bits_that_pyav_gives_no_array_of():
    plane = (np.array([-(2**63), 2**62, 0, 0], np.int64)).tobytes()
    packed = SimpleNamespace(
        format=SimpleNamespace(name="s64", is_planar=False), planes=[plane], samples=1, layout=SimpleNamespace(channels="ab")
    )  # fmt: skip
    assert _as_float32(packed).tolist() == [[-1.0, 0.5]]
    planar = SimpleNamespace(
        format=SimpleNamespace(name="s64p", is_planar=True),
        planes=[plane, plane],
        samples=2,
        layout=SimpleNamespace(channels="ab"),
    )
    assert _as_float32(planar).tolist() == [[-1.0, -1.0], [0.5, 0.5]]


def reader(*, stated=None, timed=True):
    made = PhoneReader.__new__(PhoneReader)
    made.sample_rate_hz, made.channels, made.frames_stated, made._timed = 8000.0, 1, stated, timed
    made._opened = lambda: contextlib.nullcontext(SimpleNamespace(streams=SimpleNamespace(audio=[None])))
    return made


def read(made, *frames, damage=()):
    """Blocks and remarks of frames given as (time, samples, channels)."""

    def decoded(container, stream, told):
        told += damage
        for time_s, samples, channels in frames:
            one = frame(np.zeros((channels, samples), np.float32), "fltp")
            yield SimpleNamespace(
                sample_rate=8000, layout=one.layout, time=time_s, samples=samples, format=one.format, to_ndarray=one.to_ndarray
            )  # fmt: skip

    made._decoded = decoded
    remarks: list = []
    blocks = [(block.start_frame, len(block.samples)) for block in made.blocks(0, remarks.append)]
    return blocks, [remark.code for remark in remarks], [str(remark) for remark in remarks]


def test_a_step_of_half_a_packet_in_the_time_stamps_is_a_gap_and_less_is_none():
    packet_s = 1000 / 8000
    blocks, codes, texts = read(
        reader(), (0.0, 1000, 1), (packet_s + 0.0624, 1000, 1), (2 * packet_s + 0.0624 + 0.0625, 1000, 1)
    )
    assert blocks == [(0, 1000), (1000, 1000), (2500, 1000)]  # 499 frames late, then 500
    assert codes == ["sound-missing"]
    assert texts[0].startswith("0.062 s of sound are missing at 0.250 s")


def test_a_step_backwards_and_frames_without_a_time_only_count():
    blocks, codes, _ = read(reader(), (0.0, 1000, 1), (0.05, 1000, 1), (None, 1000, 1))
    assert blocks == [(0, 1000), (1000, 1000), (2000, 1000)]
    assert codes == []


def test_what_follows_a_change_of_channels_is_left_out():
    blocks, codes, texts = read(reader(), (0.0, 1000, 1), (0.125, 1000, 2), (0.25, 1000, 1))
    assert blocks == [(0, 1000)]
    assert codes == ["format-changes"]
    assert "at 0.125 s" in texts[0]


@pytest.mark.parametrize(
    ("stated", "timed", "damage", "codes"),
    [
        (9000, True, (), []),  # a second may be missing: encoders round
        (9001, True, (), ["file-ends-early"]),
        (None, True, ("bad",), ["file-damaged"]),
        (9001, True, ("bad",), ["file-damaged", "file-ends-early"]),
        (1001, False, ("bad",), ["file-damaged", "sound-may-stand-early"]),
        (1000, False, ("bad",), ["file-damaged"]),
    ],
)
def test_what_is_missing_is_told_by_what_the_file_states(stated, timed, damage, codes):
    assert read(reader(stated=stated, timed=timed), (0.0, 1000, 1), damage=damage)[1] == codes


def test_the_maker_of_the_device():
    assert _maker({"com.phone.make": " Acorn ", "com.phone.model": "Nine"}) == "Acorn Nine"
    assert _maker({"Manufacturer": "Acorn"}) == "Acorn"
    assert _maker({"model": "Nine", "title": "x"}) == "Nine"
    assert _maker({}) == ""


def test_whether_an_mp3_says_its_length(tmp_path):
    for content, said in (
        (b"..Xing..", True),
        (b"..Info..", True),
        (b"." * 70_000 + b"Xing", False),
        (b"", False),
    ):
        (tmp_path / "a.mp3").write_bytes(content)
        assert _states_its_length(tmp_path / "a.mp3") is said
