"""Where ``torsionbeat analyse`` writes: JSON, events and plots, for one recording or for several."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import typer

from torsionbeat.errors import DeviceError, InputError

if TYPE_CHECKING:
    from torsionbeat.reading.analysis import Analysis
    from torsionbeat.reading.batch import Outcome

__all__ = ["Outputs"]

PLOTS = (".png", ".svg", ".pdf")


@dataclass(frozen=True, slots=True)
class Outputs:
    """Files asked for; what cannot be is refused before anything is read.

    Parameters
    ----------
    json : str or None
        A file; ``-`` for standard output; for several recordings a folder has a file each, a file the list of all.
    events, plot : Path or None
        A file; for several recordings a folder.
    several : bool
        Whether more than one recording is read.
    """

    json: str | None
    events: Path | None
    plot: Path | None
    several: bool = False

    def __post_init__(self) -> None:
        for option, path in (("--events", self.events), ("--plot", self.plot)):
            if path is not None and self.several and not path.is_dir():
                raise InputError(f"{option} is {path}; for several recordings give a folder that exists")
        named = [self.events, self.plot] + ([] if self.json in (None, "-") else [Path(str(self.json))])
        for path in named:
            if path is not None and not path.parent.is_dir():
                raise InputError(f"{path} cannot be written: there is no folder {path.parent}; make it first")
        if self.plot is not None and not self.several and self.plot.suffix.lower() not in PLOTS:
            raise InputError(f"the plot is to go to {self.plot}; its name must end in .png, .svg or .pdf")

    @property
    def json_only(self) -> bool:
        """Whether standard output is for JSON alone."""
        return self.json == "-"

    def write(self, outcomes: Sequence[Outcome]) -> None:
        """Write all that was asked for.

        Raises
        ------
        DeviceError
            The disk refused; the files before were written.
        """
        if self.json is not None:
            self._write_json(self.json, outcomes)
        for outcome in outcomes:
            if outcome.analysis is None:
                continue
            if self.events is not None:
                _write_events(self._place(self.events, outcome, ".events.csv"), outcome.analysis)
            if self.plot is not None:
                _write_plot(self._place(self.plot, outcome, ".png"), outcome.analysis)

    def _place(self, path: Path, outcome: Outcome, ending: str) -> Path:
        return path / (Path(outcome.path).name + ending) if path.is_dir() else path

    def _write_json(self, path: str, outcomes: Sequence[Outcome]) -> None:
        documents = [_document(outcome) for outcome in outcomes]
        if path != "-" and Path(path).is_dir():
            for outcome, document in zip(outcomes, documents, strict=True):
                _to_file(self._place(Path(path), outcome, ".json"), _json_writer(document))
        elif not self.several and outcomes[0].analysis is None:
            return  # nothing was heard: no figures, and the error says why
        else:
            value = documents if self.several else documents[0]
            if path == "-":
                typer.echo(_json(value))
            else:
                _to_file(Path(path), _json_writer(value))


def _document(outcome: Outcome) -> dict[str, Any]:
    """Give a reading's document or, in its place, the error."""
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
    """Write a text file whole or, where the disk refuses, leave the one that was there."""
    unfinished = path.with_name(path.name + ".tmp")
    try:
        if path.is_dir() or (path.exists() and not path.is_file()):
            with path.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
                write(file)  # a pipe or a device; a folder raises
            return
        with unfinished.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
            write(file)
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise DeviceError(
            f"{path} was not written: {error.strerror or error}; free the disk or give another place"
        ) from error
