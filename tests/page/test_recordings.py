"""Recordings on their way in: too big, too slow, cut off, harmful to their decoder, on a full disk; none harms the page."""

from __future__ import annotations

import http.client
import json
import sys
from pathlib import Path

import pytest

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.page.recordings import TooBigError, TooSlowError


def left(tmp_path):
    return sorted(path.suffix for path in (tmp_path / "sounds").iterdir())


def test_a_recording_is_taken_down_as_it_comes(recordings, tmp_path, take):
    one = take(recordings(), b"RIFF", b"more")
    assert Path(one.path).read_bytes() == b"RIFFmore"
    assert one.name == "night.wav"
    assert left(tmp_path) == [".json", ".wav"]


def test_one_that_is_too_big_is_refused_and_leaves_nothing(recordings, tmp_path, take):
    with pytest.raises(TooBigError, match="larger than"):
        take(recordings(upload_bytes=10), b"12345", b"1234567")
    assert left(tmp_path) == []


@pytest.mark.parametrize(
    ("limits", "wait_s"), [({"piece_s": 0.05}, 0.5), ({"piece_s": 0.3, "slowest_bytes_per_s": 1e6}, 0.1)]
)
def test_one_that_stops_or_trickles_is_refused_and_leaves_nothing(recordings, tmp_path, limits, wait_s, take):
    with pytest.raises(TooSlowError, match=r"nothing of it was kept|too slowly"):
        take(recordings(**limits), *[b"x"] * 20, wait_s=wait_s)
    assert left(tmp_path) == []


def test_an_empty_one_and_one_too_many_are_refused(recordings, take):
    with pytest.raises(InputError, match="empty"):
        take(recordings())
    with pytest.raises(TooSlowError, match="being sent already"):
        take(recordings(uploads=0), b"x")


def test_a_disk_without_room_is_told(recordings, tmp_path, take):
    with pytest.raises(DeviceError, match="make room"):
        take(recordings(free_bytes=2**60), b"x")
    assert left(tmp_path) == []


def test_names_keep_their_letters_and_never_reach_the_disk(recordings, tmp_path, take):
    one = take(recordings(), b"x", name="../../Häuschen\n<b>.FLAC")
    assert one.name == "../../Häuschen<b>.FLAC"
    assert one.path.startswith(str(tmp_path / "sounds"))
    assert one.path.endswith(".flac")
    assert take(recordings(), b"x", name="x.exe").path.endswith(".sound")


def test_what_is_no_sound_is_told_and_the_next_one_is_read(recordings, take, wait_until):
    made = recordings()
    made.start()
    bad = take(made, b"this is no sound at all")
    wait_until(lambda: made.get(bad.id).state == "failed")
    assert made.get(bad.id).error
    assert "Traceback" not in made.get(bad.id).error
    sample = made.add_sample()
    wait_until(lambda: made.get(sample.id).state == "read")
    assert made.get(sample.id).document["arc_deg"]["value"] == pytest.approx(438, abs=1)  # the twin's own
    assert set(made.get(sample.id).plots) == {"remainder", "arc", "sound"}


HANGS = (sys.executable, "-c", "while True: pass")


def test_reading_is_cancelled_and_a_recording_thrown_away(recordings, tmp_path, take, wait_until):
    made = recordings(command=HANGS)
    made.start()
    one = take(made, b"RIFF")
    wait_until(lambda: made.get(one.id).state == "reading")
    made.cancel(one.id)
    wait_until(lambda: made.get(one.id).state == "failed")
    assert "cancelled" in made.get(one.id).error
    made.throw_away(one.id)
    assert left(tmp_path) == []
    with pytest.raises(InputError, match="no longer here"):
        made.get(one.id)


def test_one_that_is_thrown_away_while_it_is_read_does_not_come_back(recordings, tmp_path, take, wait_until):
    made = recordings(command=HANGS)
    made.start()
    first, second = take(made, b"RIFF"), take(made, b"RIFF", name="next.wav")
    wait_until(lambda: made.get(first.id).state == "reading")
    with pytest.raises(InputError, match="being read now"):
        made.read_again(first.id, "", 60.0, None)
    made.throw_away(first.id)
    wait_until(lambda: made.get(second.id).state == "reading")  # the first has ended
    assert [one.id for one in made.all()] == [second.id]
    assert not list((tmp_path / "sounds").glob(f"{first.id}*"))


def test_what_was_not_read_when_the_server_ended_is_read_at_the_next_start(recordings, take, wait_until):
    first = recordings(command=HANGS)
    first.start()
    one = take(first, b"no sound")
    wait_until(lambda: first.get(one.id).state == "reading")
    first.stop()
    assert first.get(one.id).state == "reading"  # an end of the server is no fault of the file
    second = recordings()
    second.start()
    wait_until(lambda: second.get(one.id).state == "failed")
    assert second.get(one.id).name == "night.wav"
    assert "took too much" not in second.get(one.id).error


def test_a_damaged_note_beside_a_recording_is_no_reason_not_to_start(recordings, tmp_path):
    (tmp_path / "sounds").mkdir()
    (tmp_path / "sounds" / "x.json").write_text(json.dumps({"id": "x"}))
    (tmp_path / "sounds" / "y.json").write_text("{")
    made = recordings()
    made.start()
    assert made.all() == []


def test_the_server_refuses_a_huge_upload_before_it_comes_and_a_slow_one_in_its_midst(page_server, visitor):
    status, _, said = visitor.ask(
        "POST",
        "/recordings?name=x.wav",
        None,
        X_Token=visitor.token,
        Origin=page_server.url,
        Content_Length="5000000000",
    )
    assert status == 413
    assert "larger than 4 GB" in said
    connection = http.client.HTTPConnection("127.0.0.1", page_server.port, timeout=60)
    connection.putrequest("POST", "/recordings?name=x.wav", skip_host=True)
    for name, value in (
        ("Host", f"127.0.0.1:{page_server.port}"), ("Cookie", visitor.cookie), ("Origin", page_server.url),
        ("X-Token", visitor.token), ("Content-Length", "1000000"),
    ):  # fmt: skip
        connection.putheader(name, value)
    connection.endheaders(b"RIFF")
    answer = connection.getresponse()
    assert answer.status == 408
    assert b"stopped coming" in answer.read()
    connection.close()
    folder = page_server.folder / "log-sounds"
    assert not list(folder.glob("*.part"))


def test_a_locked_log_is_a_sentence_and_the_page_lives_on(page_server, visitor):
    import sqlite3

    assert visitor.post("/clocks/new", {"name": "Lamp", "kind": "other"})[0] == 303
    with sqlite3.connect(page_server.log) as other:
        other.execute("BEGIN EXCLUSIVE")
        status, _, said = visitor.ask("GET", "/clocks")
        assert status == 200  # what is only read needs no lock
        status, _, said = visitor.post(
            "/clocks/1/notes", {"kind": "note", "text": "while locked"}, within_s=60
        )
        assert status == 503
        assert "another program keeps it locked" in said
        assert "Traceback" not in said
        other.rollback()
    assert visitor.post("/clocks/1/notes", {"kind": "note", "text": "after"})[0] == 303
    assert "after" in visitor.ask("GET", "/clocks/1")[2]


def test_a_log_on_a_full_disk_is_a_sentence(page_kit, tmp_path):
    """The log's files may not grow: what a full disk does to a write."""
    resource = pytest.importorskip("resource")
    server = page_kit["Server"](tmp_path)
    try:
        visitor = page_kit["Visitor"](server).enter()
        assert visitor.post("/clocks/new", {"name": "Lamp", "kind": "other"})[0] == 303
        if not hasattr(resource, "prlimit"):
            pytest.skip("limits of another process are Linux's")
        most = Path(server.log).stat().st_size + 20_000
        resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
        for number in range(40):  # each is kept, until one has no room
            note = {"kind": "note", "text": f"{number} " + "x" * 15_000}
            status, _, said = visitor.post("/clocks/1/notes", note)
            if status != 303:
                break
        assert status == 503
        assert "not kept" in said
        assert "Traceback" not in said
        resource.prlimit(server.process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
        assert visitor.post("/clocks/1/notes", {"kind": "note", "text": "there is room again"})[0] == 303
    finally:
        assert server.stop() == 0
