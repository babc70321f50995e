"""A connection that breaks at the worst moment: what is said is true, and nothing is kept twice."""

from __future__ import annotations

import contextlib
import socket
import threading
from urllib.parse import parse_qs, urlsplit

import pytest

from torsionbeat.benchlog import doubt, open_log, writing
from torsionbeat.errors import BenchLogError, InputError


class Wire:
    """A wire between a bench and its server that can be cut: after a word was passed on, or for good.

    ``cut_after`` is a word of the bench: once it has been passed on and the server has answered, both ends are
    closed and the answer is lost. ``cut_before``: the word is not passed on. ``down``: nobody gets through.
    """

    def __init__(self, server_socket):
        self.server_socket = server_socket
        self.cut_after = self.cut_before = None
        self.cuts, self.most_cuts = 0, 1000
        self.down = False
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = self._door.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            with contextlib.suppress(OSError):
                bench, _ = self._door.accept()
                if self.down:
                    bench.close()
                    continue
                server = socket.socket(socket.AF_UNIX)
                server.connect(self.server_socket)
                threading.Thread(target=self._up, args=(bench, server), daemon=True).start()
                threading.Thread(target=self._pass, args=(server, bench), daemon=True).start()

    def _up(self, bench, server):
        with contextlib.suppress(OSError):
            while data := bench.recv(65536):
                if self.cut_before is not None and self.cut_before in data:
                    break
                if self.cut_after is not None and self.cut_after in data and self.cuts < self.most_cuts:
                    self.cuts += 1
                    bench.shutdown(socket.SHUT_RDWR)  # what the server answers gets nowhere
                    server.sendall(data)
                    threading.Event().wait(0.3)  # the server keeps it meanwhile
                    break
                server.sendall(data)
        for end in (bench, server):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _pass(self, server, bench):
        with contextlib.suppress(OSError):
            while data := server.recv(65536):
                bench.sendall(data)
        with contextlib.suppress(OSError):
            bench.shutdown(socket.SHUT_RDWR)

    def close(self):
        self._door.close()


@pytest.fixture
def wire(postgres_url, tmp_path, monkeypatch):
    """Give a log on a server with the clock Attic, its URL through a wire, and the wire."""
    monkeypatch.setattr(writing, "WAITS_S", (0.0, 0.05, 0.1))
    monkeypatch.setattr("platformdirs.user_state_path", lambda name, appauthor: tmp_path / name)
    parts = urlsplit(postgres_url)
    folder = parse_qs(parts.query)["host"][0]
    made = Wire(f"{folder}/.s.PGSQL.5432")
    with open_log(postgres_url) as straight:
        straight.add_clock("Attic")
        yield straight, f"postgresql+psycopg://bench@127.0.0.1:{made.port}{parts.path}", made
    made.close()


def texts(log):
    return [note.text for note in log.notes("Attic")]


def test_a_broken_connection_before_the_end_keeps_nothing_and_says_so(wire, tmp_path):
    straight, url, between = wire
    with open_log(url) as log:
        between.cut_before = b"INSERT INTO notes"
        with pytest.raises(
            BenchLogError, match=r"the note was not kept .* Is the server running\? Then try again"
        ):
            log.add_note("Attic", "wound")
        assert texts(straight) == []
        between.cut_before = None
        log.add_note("Attic", "wound")
    assert texts(straight) == ["wound"]
    assert not (tmp_path / "torsionbeat").exists()  # nothing was in doubt, nothing is remembered


def test_an_answer_that_is_lost_once_is_asked_for_again_and_kept_once(wire):
    straight, url, between = wire
    with open_log(url) as log:
        log.notes("Attic")
        between.cut_after, between.most_cuts = b"COMMIT", 1
        kept = log.add_note("Attic", "wound")
    assert between.cuts == 1
    assert [note.id for note in straight.notes("Attic")] == [kept.id]


def test_what_is_not_known_is_said_and_given_again_it_is_kept_once(wire):
    straight, url, between = wire
    with open_log(url) as log:
        between.cut_after = b"COMMIT"

        def end():
            while not texts(straight):
                threading.Event().wait(0.01)
            between.down = True

        watcher = threading.Thread(target=end)
        watcher.start()
        with pytest.raises(
            BenchLogError,
            match=r"it is not known whether the note was kept .* again; it will not be kept twice",
        ):
            log.add_note("Attic", "wound")
        watcher.join()
    assert between.cuts >= 1
    assert texts(straight) == ["wound"]  # it was
    between.down, between.cut_after = False, None
    with open_log(url) as log:  # the same command, given again: a program of its own knows only the words
        log.add_note("Attic", "wound")
    assert texts(straight) == ["wound"]
    with open_log(url) as log:  # and once it is settled the same words are a new note
        log.add_note("Attic", "wound")
    assert texts(straight) == ["wound", "wound"]


def test_other_words_are_another_note_even_in_doubt(wire):
    straight, url, _ = wire
    book = doubt.DoubtBook()
    with open_log(url) as log:
        mark = doubt.fingerprint(log.where, "notes", ["Attic", "wound", None])
        kept = log.add_note("Attic", "wound", write_id="in-doubt")
        book.remember(mark, "in-doubt")
        log.add_note("Attic", "wound again")
        assert book.find(mark) == "in-doubt"
        assert log.add_note("Attic", "wound").id == kept.id
        assert book.find(mark) is None
    assert texts(straight) == ["wound", "wound again"]


def test_an_identity_belongs_to_one_write(log):
    log.add_clock("Attic")
    note = log.add_note("Attic", "a", write_id="one")
    assert log.add_note("Attic", "b", write_id="one").id == note.id
    assert [row.text for row in log.notes("Attic")] == ["a"]


def test_a_book_of_doubts_that_cannot_be_read_or_written_is_no_hindrance(tmp_path):
    (tmp_path / "book").mkdir()
    book = doubt.DoubtBook(tmp_path / "book")
    book.remember("mark", "identity")
    assert book.find("mark") is None
    (tmp_path / "torn.json").write_text('{"mark": 3')
    assert doubt.DoubtBook(tmp_path / "torn.json").find("mark") is None


def test_doubts_are_forgotten_after_a_week(tmp_path, monkeypatch):
    book = doubt.DoubtBook(tmp_path / "book.json")
    book.remember("mark", "identity")
    assert book.find("mark") == "identity"
    later = doubt.time.time() + 7 * 86_400 + 1
    monkeypatch.setattr(doubt.time, "time", lambda: later)
    assert book.find("mark") is None


def test_one_name_added_by_many_at_once_is_one_clock(log_place):
    open_log(log_place).close()
    outcomes = []

    def add(name):
        with open_log(log_place) as opened:
            try:
                opened.add_clock(name)
                outcomes.append("added")
            except InputError as error:
                outcomes.append(str(error))

    for name in ("Race", "Kürz"):
        threads = [
            threading.Thread(target=add, args=(each,)) for each in (name, name.upper(), name.lower(), name)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert outcomes.count("added") == 2
    assert all("choose another name" in outcome for outcome in outcomes if outcome != "added")
    with open_log(log_place) as opened:
        assert len(opened.clocks()) == 2


def test_three_readings_of_one_recording_at_once_leave_one(log_place, reading):
    with open_log(log_place) as opened:
        opened.add_clock("Attic")

    def keep(rate):
        with open_log(log_place) as opened:
            opened.add_reading("Attic", reading(rate), recording_id="journal:night")

    threads = [threading.Thread(target=keep, args=(float(rate),)) for rate in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open_log(log_place) as opened:
        assert len(opened.readings("Attic")) == 1
        rows = {row.id: row.supersedes_id for row in opened.readings("Attic", superseded=True)}
    assert rows == {1: None, 2: 1, 3: 2}
