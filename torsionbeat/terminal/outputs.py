"""Files that commands write: one rule for all, checked before anything is read.

No output may be the same file as an input, the bench log or another output, also through links or hard links. An
existing file is replaced only if torsionbeat wrote it as the same kind of output, or with --overwrite.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from torsionbeat.errors import DeviceError, InputError, TorsionbeatError
from torsionbeat.whole_files import written_whole

if TYPE_CHECKING:
    from torsionbeat.bench.batch import Outcome
    from torsionbeat.reading.analysis import Analysis

__all__ = ["Outputs", "drawn_to", "refuse_harm", "refuse_log", "refuse_taken"]

SLASHES = tuple(filter(None, (os.sep, os.altsep)))
PLOTS = (".png", ".svg", ".pdf")
HEAD_BYTES = 4096
"""Enough of a file to recognise its kind: the marks of torsionbeat's own files are at the beginning."""

SQLITE_ASIDE = ("", "-wal", "-shm", "-journal")
"""Suffixes of the files that belong to an SQLite log, after its name."""


def refuse_harm(
    outputs: Sequence[tuple[str, Path]],
    inputs: Iterable[Path] = (),
    log: str | None = None,
    *,
    overwrite: bool = False,
) -> None:
    """Refuse outputs that would destroy something.

    Parameters
    ----------
    outputs : sequence of (str, Path)
        Name of the option and path.
    inputs : iterable of Path
        Files to read; a folder counts with all its files.
    log : str or None
        The bench log in use; None: the default one.
    overwrite : bool
        Existing files of another kind may be replaced.

    Raises
    ------
    InputError
        An output is an input, the log, another output, or a file of another kind; or its folder is not there.
    """
    kept = [("the recording", file) for one in inputs for file in _files(one)]
    kept += [("the bench log", file) for file in _log_files(log)]
    earlier: list[tuple[str, Path]] = []
    for option, path in outputs:
        if not path.parent.is_dir():
            raise InputError(f"{path} cannot be written: there is no folder {path.parent}; make it first")
        if os.path.islink(os.path.realpath(path)):
            raise InputError(f"{option} is {path}, a link that leads back to itself; give another name")
        for what, other in kept:
            if _same(path, other):
                raise InputError(
                    f"{option} is {path}, which is {what} {other}; it would be lost: give another name"
                )
        for what, other in earlier:
            if _same(path, other):
                raise InputError(f"{option} and {what} are both {path}; give each a file of its own")
        if not overwrite:
            refuse_taken(option, path)
        earlier.append((option, path))


def refuse_log(option: str, path: Path, log: str | None) -> None:
    """Refuse to overwrite the bench log, whatever other files may be replaced.

    Parameters
    ----------
    option : str
        Name of the option, for the message.
    path : Path
    log : str or None
        The bench log in use; None: the default one.

    Raises
    ------
    InputError
        The path is a file of the log.
    """
    if path.parent.is_dir():
        refuse_harm([(option, path)], (), log, overwrite=True)


def refuse_taken(option: str, path: Path) -> None:
    """Refuse an existing file that torsionbeat did not write as this kind of output.

    Parameters
    ----------
    option : str
        Name of the option, for the message.
    path : Path

    Raises
    ------
    InputError
        The file exists and is something else.
    """
    if not path.is_file():
        return  # a pipe or a device accepts any output; a folder is refused at the write
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
            file.seek(max(path.stat().st_size - HEAD_BYTES, 0))
            tail = file.read(HEAD_BYTES)
    except OSError:
        head = tail = b"?"
    if head and not _is_own(path.suffix.lower(), head, tail):
        raise InputError(
            f"{option} is {path}, a file that is there and was not written by this command; choose another name or "
            "add --overwrite"
        )


def drawn_to(plot: Path | None, log: str | None, overwrite: bool) -> Callable[[Callable[[], Any]], None]:
    """Give a function that draws a figure to the requested file, if any. A harmful path is refused at once.

    Parameters
    ----------
    plot : Path or None
        The requested file.
    log : str or None
        The bench log in use; None: the default one.
    overwrite : bool
        An existing picture may be replaced.

    Raises
    ------
    InputError
        The file exists already, or is something that must not be overwritten.
    """
    if plot is None:
        return lambda _: None
    refuse_harm([("--plot", plot)], (), log, overwrite=overwrite)

    def draw(make: Callable[[], Any]) -> None:
        from torsionbeat.display.style import save_figure

        save_figure(make(), plot)

    return draw


def _is_own(suffix: str, head: bytes, tail: bytes) -> bool:
    text = head.lstrip()
    if suffix in PLOTS:
        marks = (b"matplotlib", b"Matplotlib", b"torsionbeat")
        return any(mark in head or mark in tail for mark in marks)
    if suffix in (".html", ".htm"):
        return b"torsionbeat" in head
    if suffix == ".csv":
        return text.startswith((b"time_s,", b"number,"))
    if suffix == ".txt":
        return b"\ta contact" in head or b"\ta drop" in head or b"\tb contact" in head or b"\tb drop" in head
    return text.startswith((b"{", b"[")) and b'"schema"' in head


def _files(path: Path) -> Iterable[Path]:
    if path.is_dir():
        return [one for one in path.iterdir() if one.is_file() and one.suffix != ".json"]
    return [path]


def _log_files(log: str | None) -> list[Path]:
    from torsionbeat.benchlog.store import locate

    try:
        url = locate(log)
    except TorsionbeatError:
        return []  # reported when the log is opened
    if url.drivername != "sqlite" or url.database is None:
        return []
    return [Path(url.database + aside) for aside in SQLITE_ASIDE]


def _same(one: Path, other: Path) -> bool:
    """Whether two names are the same file, or would be."""
    try:
        if os.path.samefile(one, other):
            return True
    except OSError:
        pass  # one of them does not exist yet
    return os.path.realpath(one) == os.path.realpath(
        other
    )  # for links in a circle realpath returns one of them


@dataclass(frozen=True, slots=True)
class Outputs:
    """Files requested from ``analyse``.

    Parameters
    ----------
    recordings : tuple of Path
        Recordings to read.
    json : str or None
        A file; ``-`` for standard output. A folder gets one file for each recording, a single file the list
        of all. As with ``events`` and ``plot``, a name that ends in a slash is a folder, which is made.
    events, plot : str or None
        A file; for several recordings a folder.
    log : str or None
    overwrite : bool

    Raises
    ------
    InputError
        An output is impossible or would destroy something.
    """

    recordings: tuple[Path, ...]
    json: str | None
    events: str | None
    plot: str | None
    log: str | None = None
    overwrite: bool = False

    def __post_init__(self) -> None:
        several = len(self.recordings) > 1
        asked = (("--json", self.json), ("--events", self.events), ("--plot", self.plot))
        paths = [(option, Path(name)) for option, name in asked if name is not None and name != "-"]
        if self.plot == "-":
            raise InputError("the plot is to go to -; its name must end in .png, .svg or .pdf")
        for option, name in asked:
            if name == "":
                raise InputError(f"{option} has an empty name; give the name of a file or folder")
            if name is not None and name.endswith(SLASHES):
                _make_folder(option, Path(name))
        targets: list[tuple[str, Path]] = []
        for option, path in paths:
            if several and option != "--json" and not path.is_dir():
                raise InputError(f"{option} is {path}; for several recordings give a folder that exists")
            targets += [(option, one) for one in dict.fromkeys(self._places(path, option))]
        refuse_harm(targets, self.recordings, self.log, overwrite=self.overwrite)
        for option, path in paths:
            if option == "--plot" and not path.is_dir() and path.suffix.lower() not in PLOTS:
                raise InputError(f"the plot is to go to {path}; its name must end in .png, .svg or .pdf")

    @property
    def json_only(self) -> bool:
        """Whether standard output is for JSON alone."""
        return self.json == "-"

    def write(self, outcomes: Sequence[Outcome]) -> None:
        """Write all requested files.

        Raises
        ------
        DeviceError
            Writing to the disk failed; the earlier files were written.
        """
        if self.json is not None:
            self._write_json(self.json, outcomes)
        for place, outcome in enumerate(outcomes):
            if outcome.analysis is None:
                continue
            if self.events is not None:
                _write_events(self._places(Path(self.events), "--events")[place], outcome.analysis)
            if self.plot is not None:
                _write_plot(self._places(Path(self.plot), "--plot")[place], outcome.analysis)

    def _places(self, path: Path, option: str) -> list[Path]:
        """Give the path for each recording's output; in a folder each has its own name."""
        if not path.is_dir():
            return [path] * len(self.recordings)
        ending = {"--json": ".json", "--events": ".events.csv", "--plot": ".png"}[option]
        return [path / (name + ending) for name in _distinct(self.recordings)]

    def _write_json(self, path: str, outcomes: Sequence[Outcome]) -> None:
        documents = [_document(outcome) for outcome in outcomes]
        if path != "-" and Path(path).is_dir():
            for place, document in zip(self._places(Path(path), "--json"), documents, strict=True):
                _to_file(place, _json_writer(document))
        elif len(outcomes) == 1 and outcomes[0].analysis is None:
            return  # nothing was heard: there are no figures, and the error says why
        else:
            value = documents if len(outcomes) > 1 else documents[0]
            if path == "-":
                print(_json(value))
            else:
                _to_file(Path(path), _json_writer(value))


def _make_folder(option: str, path: Path) -> None:
    try:
        path.mkdir(exist_ok=True)
    except FileNotFoundError as error:
        raise InputError(
            f"{option} {path} cannot be made: there is no folder {path.parent}; make it first"
        ) from error
    except FileExistsError as error:
        raise InputError(f"{option} is {path}, which is a file; give a folder") from error
    except OSError as error:
        raise InputError(f"{option} {path} cannot be made: {error.strerror}; give another folder") from error


def _distinct(paths: Sequence[Path]) -> list[str]:
    """Give distinct names for paths: the file's name, with its folder's name if two are equal, then with numbers.

    Examples
    --------
    >>> _distinct([Path("north/night.flac"), Path("south/night.flac"), Path("day.flac")])
    ['north-night.flac', 'south-night.flac', 'day.flac']
    """
    names = [path.name or os.path.basename(os.path.realpath(path)) for path in paths]
    alike = {name for name in names if names.count(name) > 1}
    named = [
        f"{Path(os.path.realpath(path)).parent.name}-{name}" if name in alike else name
        for path, name in zip(paths, names, strict=True)
    ]
    seen: dict[str, int] = {}
    told = []
    for name in named:
        seen[name] = seen.get(name, 0) + 1
        told.append(name if seen[name] == 1 else f"{name}-{seen[name]}")
    return told


def _document(outcome: Outcome) -> dict[str, Any]:
    """Give a reading's document or, if there is none, the error."""
    if outcome.analysis is None:
        status = outcome.error.exit_status if outcome.error is not None else 1
        name = Path(outcome.path).name
        return {"schema": 1, "recording": {"name": name}, "error": str(outcome.error), "exit_status": status}
    from torsionbeat.reading.document import reading_document

    return reading_document(outcome.analysis.reading)


def _json(value: object) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False)


def _json_writer(value: object) -> Callable[[TextIO], None]:
    def write(file: TextIO) -> None:
        file.write(_json(value) + "\n")

    return write


def _write_events(path: Path, analysis: Analysis) -> None:
    from torsionbeat.reading.document import write_events

    events = analysis.reading.events
    _to_file(
        path, events.to_labels if path.suffix.lower() == ".txt" else lambda file: write_events(events, file)
    )


def _write_plot(path: Path, analysis: Analysis) -> None:
    from torsionbeat.display.evidence import evidence_figure
    from torsionbeat.display.style import save_figure

    save_figure(evidence_figure(analysis.reading, analysis.heard.voices), path)


def _to_file(path: Path, write: Callable[[TextIO], None]) -> None:
    """Write a text file completely or, if the disk fails, leave the old one."""
    try:
        if path.is_dir() or (path.exists() and not path.is_file()):
            with path.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
                write(file)  # a pipe or a device; a folder raises
            return
        with (
            written_whole(path) as part,
            part.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file,
        ):
            write(file)
    except OSError as error:
        raise DeviceError(
            f"{path} was not written: {error.strerror or error}; free the disk or give another place"
        ) from error
