"""Nights of listening on this computer: the running ones and the broken-off ones.

A night that begins is entered in a folder of this user (``TORSIONBEAT_NIGHTS``, else beside the default bench log). It
has one file with its description, one that its process keeps locked, and one with its state, written about once a
second. So any program of this user can find, follow and stop a running night. An entry without a held lock is a
broken-off night. The operating system releases a lock when its process ends in any way.
"""

from __future__ import annotations

import contextlib
import json
import os
import uuid
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsionbeat.errors import InputError, TorsionbeatError
from torsionbeat.whole_files import written_whole

if TYPE_CHECKING:
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.live.session import LiveState

__all__ = [
    "READING_NAME",
    "Night",
    "announced",
    "broken_off_nights",
    "forget_night",
    "night_state",
    "nights_folder",
    "running_nights",
    "stop_night",
    "tell_state",
]

FOLDER_VARIABLE = "TORSIONBEAT_NIGHTS"
READING_NAME = "reading.json"


@dataclass(frozen=True, slots=True)
class Night:
    """One night of listening.

    Attributes
    ----------
    id : str
    folder : Path
        Folder of its sound, journal and reading.
    clock : str
        The clock's name in the bench log; empty where the reading is for no clock.
    log : str
        The bench log's path; empty for the default log, and for a database, whose address may contain a password.
    microphone : str
    began : datetime
    planned_s : float or None
    keep : str
        ``sound``, ``beats`` or ``figures``.
    """

    id: str
    folder: Path
    clock: str
    log: str
    microphone: str
    began: datetime
    planned_s: float | None
    keep: str

    @property
    def known(self) -> KnownClock:
        """The clock for which the night was begun."""
        from torsionbeat.bench.known import KnownClock

        return KnownClock(self.clock or None, log=self.log or None)


def nights_folder() -> Path:
    """Give the folder with the entries of nights."""
    named = os.environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("torsionbeat", appauthor=False)) / "nights"


def running_nights() -> tuple[Night, ...]:
    """Give the nights to which a process of this user is listening now, oldest first."""
    return tuple(night for night, alive in _entries() if alive)


def broken_off_nights(clock: str | None = None) -> tuple[Night, ...]:
    """Give the nights that ended without a reading, oldest first; those of one clock, or all.

    The entry of a night is removed if its folder no longer exists.
    """
    broken = []
    for night, alive in _entries():
        if alive or (clock is not None and night.clock.casefold() != clock.casefold()):
            continue
        if night.folder.is_dir():
            broken.append(night)
        else:
            _remove(night.id)
    return tuple(broken)


def forget_night(folder: Path) -> None:
    """Remove the entry of a broken-off night after it was read; the entry of a running night stays."""
    for night, alive in _entries():
        if not alive and night.folder == folder.absolute():
            _remove(night.id)


def stop_night(night: Night) -> None:
    """Ask the listening process to end the night and read it, which it does within about a second."""
    with contextlib.suppress(OSError):
        _file(night.id, "stop").touch()


def night_state(night: Night) -> LiveState | None:
    """Give the last state written by a night, with its reading; None if there is none yet."""
    from torsionbeat.history.nights import reading_from_document
    from torsionbeat.live.level import Level
    from torsionbeat.live.session import LiveState
    from torsionbeat.sound.remarks import Remark

    try:
        told = json.loads(_file(night.id, "state").read_text(encoding="utf-8"))
        reading = None
        if told.pop("reading"):
            document = json.loads((night.folder / READING_NAME).read_text(encoding="utf-8"))
            reading = reading_from_document(document)
        sound = told["level"]
        level = Level(float(sound["rms_db"]), float(sound["peak_db"]), bool(sound["clipped"]))
        remarks = tuple(Remark(code, text) for code, text in told["remarks"])
        known = {field.name for field in fields(LiveState)}
        rest = {name: value for name, value in told.items() if name in known}
        return LiveState(**rest | {"level": level, "remarks": remarks, "reading": reading})
    except (OSError, ValueError, KeyError, TypeError, InputError):
        return None


def tell_state(night: Night, state: LiveState) -> None:
    """Write the state of a night for other programs; a full disk does not end the night."""
    told: dict[str, Any] = {
        field.name: getattr(state, field.name)
        for field in fields(state)
        if field.name not in ("reading", "level", "remarks", "voices")
    }
    told["reading"] = state.reading is not None
    level = {
        name: str(value) if isinstance(value, float) else value for name, value in asdict(state.level).items()
    }
    told["level"] = level  # as text: JSON has no value for the level of silence, minus infinity
    told["remarks"] = [[remark.code, str(remark)] for remark in state.remarks]
    with contextlib.suppress(OSError):
        _replace(_file(night.id, "state"), json.dumps(told))


class _StopFile:
    """A flag that is set when a program has requested the end of the night."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def is_set(self) -> bool:
        return self._path.exists()


@contextlib.contextmanager
def announced(
    folder: Path,
    clock: KnownClock,
    microphone: str,
    began: datetime,
    planned_s: float | None,
    keep: str,
) -> Iterator[tuple[Night, _StopFile]]:
    """Enter a night for the duration of the ``with`` block; give the night, and the flag by which others end it.

    The entry is removed when the block ends, also by an error of ours (which is reported at once). It stays when the
    process is killed. If it cannot be written, listening continues without it.

    Parameters
    ----------
    folder, clock, microphone, began, planned_s, keep
        As in `Night`.

    Raises
    ------
    InputError
        A night of this clock is already running.
    """
    log = clock.log or ""
    night = Night(
        uuid.uuid4().hex,
        folder.absolute(),
        clock.name or "",
        "" if not log or "://" in log else str(Path(log).absolute()),
        microphone,
        began,
        planned_s,
        keep,
    )
    _refuse_second(night)
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(OSError):
            nights_folder().mkdir(parents=True, exist_ok=True, mode=0o700)
            stack.enter_context(_held(_file(night.id, "lock")))
            row = asdict(night) | {"folder": str(night.folder), "began": began.isoformat()}
            _replace(_file(night.id, "json"), json.dumps(row))
        ended = False
        try:
            yield night, _StopFile(_file(night.id, "stop"))
            ended = True
        except TorsionbeatError:
            ended = True
            raise
        finally:
            if ended:
                _remove(night.id)


def _refuse_second(night: Night) -> None:
    for other in running_nights():
        if night.clock and other.clock.casefold() == night.clock.casefold() and other.log == night.log:
            raise InputError(
                f"{night.clock} is being listened to already, since {other.began.astimezone():%Y-%m-%d %H:%M}, in "
                f"{other.folder}; see it with listen --follow, or end it there first"
            )


def _file(name: str, ending: str) -> Path:
    return nights_folder() / f"{name}.{ending}"


def _remove(name: str) -> None:
    for ending in ("json", "state", "stop", "lock"):
        with contextlib.suppress(OSError):
            _file(name, ending).unlink(missing_ok=True)


def _entries() -> list[tuple[Night, bool]]:
    """All entered nights, oldest first, each with a flag that its process is alive."""
    found = []
    for path in nights_folder().glob("*.json"):
        try:
            row = json.loads(path.read_text(encoding="utf-8"))
            row |= {"folder": Path(row["folder"]), "began": datetime.fromisoformat(row["began"])}
            night = Night(**row)
        except (OSError, ValueError, KeyError, TypeError):
            continue  # unreadable: just being removed, or damaged
        found.append((night, _is_held(path.with_suffix(".lock"))))
    return sorted(found, key=lambda entry: entry[0].began)


def _replace(path: Path, text: str) -> None:
    """Write a private file, completely or not at all."""
    with written_whole(path, private=True) as part:
        part.write_text(text, encoding="utf-8")


@contextlib.contextmanager
def _held(path: Path) -> Iterator[None]:
    """Hold a lock on a file during the block."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _lock(handle)
        yield
    finally:
        os.close(handle)


def _is_held(path: Path) -> bool:
    try:
        handle = os.open(path, os.O_RDWR)
    except OSError:
        return False
    try:
        _lock(handle)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False


def _lock(handle: int) -> None:
    """Lock an open file; raise OSError if another process holds the lock."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
