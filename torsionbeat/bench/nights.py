"""Nights of listening as this computer knows them: which are running, which were broken off.

A night that begins is entered in a folder of this user (``TORSIONBEAT_NIGHTS``, else beside the default bench log):
one file with what it is, one that its process holds locked while it lives, one with its state about once a second.
So any program of this user finds a running night, sees it and can stop it; an entry whose lock is not held is a
night that was broken off. The operating system releases a lock when its process ends, however it ends.
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
        Where its sound, journal and reading are kept.
    clock : str
        The clock's name in the bench log; empty where the reading is for none.
    log : str
        The bench log's path; empty for the default one, and for a database, whose address may hold a password.
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
        """The clock as the night was begun for it."""
        from torsionbeat.bench.known import KnownClock

        return KnownClock(self.clock or None, log=self.log or None)


def nights_folder() -> Path:
    """Give the folder in which nights are entered."""
    named = os.environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("torsionbeat", appauthor=False)) / "nights"


def running_nights() -> tuple[Night, ...]:
    """Give the nights that some process of this user is listening to now, the oldest first."""
    return tuple(night for night, alive in _entries() if alive)


def broken_off_nights(clock: str | None = None) -> tuple[Night, ...]:
    """Give the nights that ended without being read, the oldest first; those of one clock, or all.

    A night whose folder is gone is forgotten.
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
    """Remove the entry of a night that was read since it was broken off; a running one stays."""
    for night, alive in _entries():
        if not alive and night.folder == folder.absolute():
            _remove(night.id)


def stop_night(night: Night) -> None:
    """Ask the process that listens to end the night and read it; it does so within a second or so."""
    with contextlib.suppress(OSError):
        _file(night.id, "stop").touch()


def night_state(night: Night) -> LiveState | None:
    """Give the last state that a night wrote, with its reading, or None where it has written none yet."""
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
    """Write the state of a night for other programs; a full disk is no reason to end it."""
    told: dict[str, Any] = {
        field.name: getattr(state, field.name)
        for field in fields(state)
        if field.name not in ("reading", "level", "remarks", "voices")
    }
    told["reading"] = state.reading is not None
    level = {
        name: str(value) if isinstance(value, float) else value for name, value in asdict(state.level).items()
    }
    told["level"] = level  # as text: JSON has no word for the level of silence, minus infinity
    told["remarks"] = [[remark.code, str(remark)] for remark in state.remarks]
    with contextlib.suppress(OSError):
        _replace(_file(night.id, "state"), json.dumps(told))


class _StopFile:
    """Set when some program has asked for the end of the night."""

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
    """Enter a night while the ``with`` block lasts; give it, and the flag by which others end it.

    The entry is removed when the block ends, even by an error of ours (which is reported at once), and stays
    when the process is killed. Where it cannot be written, listening goes on without.

    Parameters
    ----------
    folder, clock, microphone, began, planned_s, keep
        As in `Night`.

    Raises
    ------
    InputError
        A night of this clock is running already.
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
    """All nights entered, the oldest first, and whether each one's process lives."""
    found = []
    for path in nights_folder().glob("*.json"):
        try:
            row = json.loads(path.read_text(encoding="utf-8"))
            row |= {"folder": Path(row["folder"]), "began": datetime.fromisoformat(row["began"])}
            night = Night(**row)
        except (OSError, ValueError, KeyError, TypeError):
            continue  # being removed at this moment, or damaged: it cannot be read
        found.append((night, _is_held(path.with_suffix(".lock"))))
    return sorted(found, key=lambda entry: entry[0].began)


def _replace(path: Path, text: str) -> None:
    """Write a private file whole or not at all."""
    with written_whole(path, private=True) as part:
        part.write_text(text, encoding="utf-8")


@contextlib.contextmanager
def _held(path: Path) -> Iterator[None]:
    """Hold a lock on a file while the block lasts."""
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
    """Lock an open file, or raise OSError where another holds it."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
