"""Pictures of what is worked out at the bench: drawn where asked for, never over what is there, with what they show."""

from __future__ import annotations

import pytest

STRIP = ("spring", "--thickness", "100", "--width", "0.5", "--length", "100", "--load", "300")


@pytest.mark.parametrize("command", [STRIP, ("correct", "--rate", "+720")])
def test_a_picture_is_drawn_and_never_over_another(run, tmp_path, command):
    path = tmp_path / "plot.svg"
    done = run(*command, "--plot", str(path))
    assert done.status == 0, done.err
    assert b"<svg" in path.read_bytes()[:500]
    path.write_bytes(b"a picture of my own")
    again = run(*command, "--plot", str(path))
    assert again.status == 2
    assert "--overwrite" in again.err
    assert run(*command, "--plot", str(path), "--overwrite").status == 0
