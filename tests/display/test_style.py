"""How figures are saved: by their suffix, the same each time, whatever a name holds."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest

from torsionbeat.display import style
from torsionbeat.display.evidence import evidence_figure, save_figure
from torsionbeat.errors import DeviceError, InputError


@pytest.fixture(scope="module")
def figure(night, twin_readings):
    return evidence_figure(night, twin_readings.voices())


@pytest.mark.parametrize(("suffix", "begins"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")])
def test_it_is_saved_by_the_suffix_and_the_same_each_time(drop_only, tmp_path, suffix, begins):
    for name in ("one", "two"):
        save_figure(evidence_figure(drop_only), tmp_path / f"{name}{suffix}")
    one, two = ((tmp_path / f"{name}{suffix}").read_bytes() for name in ("one", "two"))
    assert one.startswith(begins)
    assert one == two


def test_a_png_is_1600_pixels_wide(figure, tmp_path):
    save_figure(figure, tmp_path / "one.png")
    assert int.from_bytes((tmp_path / "one.png").read_bytes()[16:20], "big") == 1600


def test_places_that_cannot_be_written_are_refused_in_words(figure, tmp_path):
    with pytest.raises(InputError, match=r"must end in \.png, \.svg or \.pdf"):
        save_figure(figure, tmp_path / "plot.bmp")
    with pytest.raises(InputError, match="there is no folder"):
        save_figure(figure, tmp_path / "none" / "plot.png")
    (tmp_path / "taken.png").mkdir()
    with pytest.raises(DeviceError, match=r"was not written to .*taken"):
        save_figure(figure, tmp_path / "taken.png")


def test_a_disk_that_fills_up_leaves_the_picture_that_was_there(figure, tmp_path, monkeypatch):
    (tmp_path / "one.png").write_bytes(b"the picture of last year")
    (tmp_path / "link.png").symlink_to(tmp_path / "one.png")

    def full(where, **_):
        Path(where).write_bytes(b"\x89PNG half of it")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(figure, "savefig", full)
    for name in ("one.png", "link.png", "new.png"):
        with pytest.raises(DeviceError, match="No space left on device"):
            save_figure(figure, tmp_path / name)
    assert (tmp_path / "one.png").read_bytes() == b"the picture of last year"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link.png", "one.png"]


def test_names_with_signs_of_mathematics_or_control_are_drawn_as_text(night):
    odd = replace(night, recording=replace(night.recording, name="cost $5$ \x07.flac"))
    figure = evidence_figure(odd)
    figure.draw_without_rendering()
    assert figure.get_suptitle() == r"Harbour lamp   cost \$5\$ .flac"


def test_letters_that_no_font_has_are_squares_and_told(night):
    odd = replace(night, clock=replace(night.clock, name="lamp \U00012000\U00012001"))
    said = evidence_figure(odd, sound=False).get_suptitle()
    assert style.NO_GLYPH in said
    assert "no font here has the letter" in said
