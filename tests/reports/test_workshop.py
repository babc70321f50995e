"""The workshop's settings and the photo: what is read, and what is refused in words."""

from __future__ import annotations

import base64
from io import BytesIO

import pytest
from PIL import Image

from torsionbeat.errors import InputError
from torsionbeat.reports.workshop import MOST_PIXELS, Workshop, load_workshop, picture_data, settings_path


@pytest.fixture
def settings(tmp_path):
    """Give what writes a settings file."""

    def write(text):
        path = tmp_path / "workshop.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_all_entries_are_read(settings, tmp_path):
    Image.new("RGB", (40, 20), "white").save(tmp_path / "logo.png")
    read = load_workshop(
        settings(
            'name = "Hillside"\nlines = ["4 Orchard Lane"]\nlogo = "logo.png"\npaper = "Letter"\nclosing = "Ask us."'
        )
    )
    assert (read.name, read.lines, read.paper, read.closing) == (
        "Hillside",
        ("4 Orchard Lane",),
        "Letter",
        "Ask us.",
    )
    assert read.logo.startswith("data:image/jpeg;base64,")


def test_without_a_file_there_is_no_letterhead(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert settings_path().name == "workshop.toml"
    assert load_workshop() == Workshop()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = ", "cannot be read"),
        ('nome = "x"', "hold nome; they may hold name"),
        ('lines = "one"', "write a list of texts"),
        ('paper = "A5"', 'write "A4" or "Letter"'),
        ("name = 3", "write a text of at most"),
        ('logo = "none.png"', "none.png cannot be used: No such file"),
    ],
)
def test_what_no_letterhead_has_is_refused(settings, text, said):
    with pytest.raises(InputError, match=said):
        load_workshop(settings(text))


def test_a_file_that_was_named_must_be_there(tmp_path):
    with pytest.raises(InputError, match=r"none\.toml cannot be read \(No such file"):
        load_workshop(tmp_path / "none.toml")


def test_a_photo_is_made_small_upright_and_without_the_cameras_notes(tmp_path):
    photo = Image.new("RGB", (3000, 2000), "red")
    notes = photo.getexif()
    notes[274] = 6  # the camera was held on its side
    notes[271] = "camera"
    photo.save(tmp_path / "photo.jpg", exif=notes)
    data = picture_data(tmp_path / "photo.jpg")
    with Image.open(BytesIO(base64.b64decode(data.partition(",")[2]))) as small:
        assert small.size == (800, MOST_PIXELS)
        assert not small.getexif()


def test_what_is_not_a_picture_is_refused(tmp_path):
    (tmp_path / "photo.jpg").write_text("no picture")
    with pytest.raises(InputError, match=r"photo\.jpg cannot be used: it is not a picture"):
        picture_data(tmp_path / "photo.jpg")
