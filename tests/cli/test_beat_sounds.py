"""``digest`` and ``portrait`` at the line: their outputs are under the rule of all outputs."""

import shutil

import pytest
import typer

from torsionbeat.cli.beat_sounds import digest_command, portrait_command
from torsionbeat.errors import InputError

app = typer.Typer()
app.command("digest")(digest_command)
app.command("portrait")(portrait_command)

SAMPLE = "samples/north-window-60s.flac"


@pytest.fixture
def bench(output_of):
    """Give what runs a command on an empty log, or raises its error."""
    return output_of(app)


@pytest.fixture
def clip(tmp_path):
    return shutil.copy(SAMPLE, tmp_path / "night.flac")


@pytest.mark.parametrize(("command", "output"), [("digest", "night.flac"), ("portrait", "night.flac")])
def test_the_recording_is_never_written_over(bench, clip, tmp_path, command, output):
    before = (tmp_path / "night.flac").read_bytes()
    with pytest.raises(InputError, match=r"which is the recording .* it would be lost"):
        bench(command, str(clip), "--output", str(tmp_path / output), "--overwrite")
    assert (tmp_path / output).read_bytes() == before


@pytest.mark.parametrize(("command", "output"), [("digest", "a.wav"), ("portrait", "a.png")])
def test_a_file_of_something_else_is_left_alone(bench, clip, tmp_path, command, output):
    (tmp_path / output).write_bytes(b"mine")
    with pytest.raises(InputError, match="choose another name or add --overwrite"):
        bench(command, str(clip), "--output", str(tmp_path / output))
    assert (tmp_path / output).read_bytes() == b"mine"


def test_labels_of_something_else_are_left_alone(bench, clip, tmp_path):
    (tmp_path / "a.txt").write_text("my notes of 1987")
    with pytest.raises(InputError, match=r"the label track is .*a\.txt, a file that is there"):
        bench("digest", str(clip), "--output", str(tmp_path / "a.wav"))
    assert (tmp_path / "a.txt").read_text() == "my notes of 1987"
