"""Temperature (and pressure) of the room, from the file of any logger.

A text table with a time, a temperature in Celsius (or Fahrenheit or kelvin, where its title says so) and perhaps a
pressure in hectopascals. Columns are recognised by their titles or, without titles, by their values. The delimiter is a
comma, semicolon or tab; the decimal mark a point or comma. Times are dates with a time of day (ISO 8601 or other orders
of day and month), seconds since 1970, or seconds from the start of the recording.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray
from torsionbeat.sound.remarks import Remark

__all__ = ["Room", "read_room"]

GAP_STEPS = 5.0
"""A logger that misses a few rows in succession does not count as silent."""
SHORTEST_GAP_S = 3600.0
"""A gap is reported if it is longer than this many of the logger's steps and than an hour: rooms change within an hour."""

LARGEST_BYTES = 200_000_000
"""A row a second for a month has 100 MB."""
EPOCH_S = 2e8
"""Numbers from here on are seconds since 1970 (and a thousandfold, milliseconds)."""

TITLES = {
    "time": re.compile(r"time|zeit|moment|stamp|heure|uhr|elapsed|\bsec|seconds?|\[s\]", re.I),
    "date": re.compile(r"\bdate|datum|\bday\b|jour", re.I),
    "temperature": re.compile(r"temp|celsius|fahrenheit|°|\bdeg ?[cf]\b|^t(_c)?$|kelvin", re.I),
    "pressure": re.compile(r"press|baro|hpa|mbar|druck", re.I),
}
FAHRENHEIT = re.compile(r"fahrenheit|°\s?f|\bdeg ?f|[\[(]f[\])]|_f$", re.I)
KELVIN = re.compile(r"kelvin|[\[(]k[\])]|_k$", re.I)
FORMATS = (
    ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"),
    ("%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M"),
    ("%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M"),
    ("%m/%d/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M %p"),
)


@dataclass(frozen=True, slots=True)
class Room:
    """A room's record, in order of time. Arrays (n,); ``pressure_hpa`` None where it was not logged.

    ``absolute`` says whether ``time_s`` counts from 1970 (UTC) or from the start of the recording.
    """

    time_s: FloatArray
    temperature_c: FloatArray
    pressure_hpa: FloatArray | None
    absolute: bool
    remarks: tuple[Remark, ...] = ()

    def mean_c(self, from_s: float, until_s: float) -> float | None:
        """Mean temperature from one moment to another (seconds since 1970).

        None where the logger's times are not absolute, or it was silent for long around that time.
        """
        until_s = max(until_s, from_s + 1.0)
        if not self.absolute or from_s < self.time_s[0] or until_s > self.time_s[-1]:
            return None
        first = int(np.searchsorted(self.time_s, from_s, side="right")) - 1
        last = int(np.searchsorted(self.time_s, until_s, side="left"))
        if np.diff(self.time_s[first : last + 1]).max(initial=0.0) > longest_step_s(self.time_s):
            return None
        inside = self.time_s[first + 1 : last]
        at = np.concatenate([[from_s], inside, [until_s]])
        from scipy.integrate import trapezoid

        return float(trapezoid(np.interp(at, self.time_s, self.temperature_c), at) / (until_s - from_s))


def longest_step_s(time_s: FloatArray) -> float:
    """Give the longest step between two rows of a logger that does not count as a gap."""
    steps = np.diff(time_s)
    return max(GAP_STEPS * float(np.median(steps)), SHORTEST_GAP_S) if steps.size else 0.0


def read_room(path: str | Path) -> Room:
    """Read a logger's file.

    Raises
    ------
    InputError
        It cannot be read, or no time and temperature can be found in it.
    """
    where = Path(path)
    try:
        if where.stat().st_size > LARGEST_BYTES:
            raise InputError(
                f"{where} is larger than {LARGEST_BYTES // 10**6} MB; cut it to the nights wanted"
            )
        text = where.read_bytes()
    except OSError as error:
        raise InputError(f"the room's file {where} cannot be read: {error.strerror or error}") from error
    for code in (
        ("utf-8-sig", "utf-16") if text[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "latin-1")
    ):
        try:
            return parse_room(text.decode(code), str(where))
        except UnicodeDecodeError:
            continue
    raise InputError(f"{where} is not a text file; export the logger's record as CSV")


def parse_room(text: str, name: str = "the room's file") -> Room:
    """Read a logger's table from its text.

    Examples
    --------
    >>> room = parse_room("time,temp C\\n2026-03-01T20:00Z,19.5\\n2026-03-01T21:00Z,19.1\\n")
    >>> room.temperature_c, bool(room.absolute)
    (array([19.5, 19.1]), True)
    """
    titles, body = _table(text, name)
    found = _columns(titles, body)
    if "temperature" not in found or "time" not in found:
        raise InputError(
            f"no {'temperature' if 'time' in found else 'time'} column was found in {name} (titles: "
            f"{', '.join(titles) or 'none'}); name the columns time and temperature"
        )
    clock = [
        f"{_cell(row, found['date'])} {_cell(row, found['time'])}"
        if "date" in found
        else _cell(row, found["time"])
        for row in body
    ]
    time, absolute, remarks = _times(clock, name)
    temperature = _celsius(titles, body, found["temperature"])
    good = _good(time, temperature, name)
    order = np.argsort(time[good], kind="stable")
    if not good.all():
        said = f"{int((~good).sum())} rows of {name} have no time or temperature; left out."
        remarks = (*remarks, Remark("room-rows-left-out", said))
    pressure, more = _hectopascals(body, found, good, name)
    time = time[good][order]
    return Room(
        time,
        temperature[good][order],
        None if pressure is None else pressure[order],
        absolute,
        (*remarks, *more, *_gaps(time, name)),
    )


def _table(text: str, name: str) -> tuple[list[str], list[list[str]]]:
    """Titles and rows of the table; the first row is the first line with two values."""
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    delimiter = _delimiter(lines[-20:])
    rows = [[cell.strip().strip('"') for cell in row] for row in csv.reader(lines, delimiter=delimiter)]
    first = next((i for i, row in enumerate(rows) if sum(_is_value(cell) for cell in row) >= 2), None)
    if first is None or len(rows) - first < 2:
        raise InputError(
            f"{name} holds no table of times and temperatures; give a CSV with a time and a temperature "
            "column"
        )
    title_rows = [i for i, row in enumerate(rows[:first]) if any(map(TITLES["temperature"].search, row))]
    if title_rows:
        first = title_rows[-1] + 1
    return rows[first - 1] if first else [], [row for row in rows[first:] if len(row) >= 2]


def _delimiter(lines: Sequence[str]) -> str:
    """The delimiter of the columns. A comma may be the decimal mark where every line also has a semicolon."""
    counts = {sign: sum(line.count(sign) for line in lines) for sign in ";\t,"}
    delimiter = max(";\t,", key=lambda sign: (counts[sign], sign == ";"))
    return ";" if delimiter == "," and counts[";"] >= len(lines) else delimiter


def _celsius(titles: Sequence[str], body: Sequence[Sequence[str]], column: int) -> FloatArray:
    """The temperatures in Celsius, from the unit in their title."""
    temperature = np.array([_number(_cell(row, column)) for row in body])
    title = titles[column] if column < len(titles) else ""
    if FAHRENHEIT.search(title):
        return np.asarray((temperature - 32) / 1.8)
    return np.asarray(temperature - 273.15) if KELVIN.search(title) else temperature


def _good(time: FloatArray, temperature: FloatArray, name: str) -> npt.NDArray[np.bool_]:
    """Rows with a time and a plausible room temperature."""
    good = np.isfinite(time) & np.isfinite(temperature)
    if good.sum() < 2:
        raise InputError(f"{name} has {int(good.sum())} rows with a time and a temperature; 2 are needed")
    if not np.all(np.abs(temperature[good]) < 80):
        worst = float(np.max(np.abs(temperature[good])))
        raise InputError(
            f"{name} says {worst:g} C; no room has that: is the right column called temperature?"
        )
    return np.asarray(good)


def _hectopascals(
    body: Sequence[Sequence[str]], found: dict[str, int], good: npt.NDArray[np.bool_], name: str
) -> tuple[FloatArray | None, list[Remark]]:
    """The pressures of the good rows; single missing values are interpolated from their neighbours, and reported."""
    if "pressure" not in found:
        return None, []
    pressure = np.array([_number(_cell(row, found["pressure"])) for row in body])[good]
    there = np.isfinite(pressure)
    if there.sum() < 2:
        said = f"The pressure column of {name} holds no numbers; the pressure is left out."
        return None, [Remark("room-pressure-left-out", said)]
    middle = float(np.median(pressure[there]))
    scale = {True: 1.0, 5e4 < middle < 1.2e5: 0.01, 50 < middle < 120: 10.0, 20 < middle < 35: 33.8639}[True]
    if there.all():
        return pressure * scale, []
    place = np.arange(len(pressure))
    said = f"{int((~there).sum())} rows of {name} have no pressure; their neighbours' was taken."
    return np.interp(place, place[there], pressure[there]) * scale, [Remark("room-pressure-bridged", said)]


def _gaps(time_s: FloatArray, name: str) -> list[Remark]:
    """Report long silences of the logger, which are interpolated by a straight line."""
    steps = np.diff(time_s)
    if not steps.size:
        return []
    longest = float(steps.max())
    if longest <= longest_step_s(time_s):
        return []
    said = (
        f"{name} has no row for {longest / 3600:.1f} h in its middle: between them a straight line is taken, which "
        "the room need not have followed."
    )
    return [Remark("room-gap", said)]


def _columns(titles: Sequence[str], body: Sequence[Sequence[str]]) -> dict[str, int]:
    found: dict[str, int] = {}
    for kind in ("pressure", "temperature", "date", "time"):
        for index, title in enumerate(titles):
            if index not in found.values() and TITLES[kind].search(title):
                found[kind] = index
                break
    if "date" in found and "time" not in found:
        found["time"] = found.pop("date")
    sample = body[: min(len(body), 50)]
    width = min(len(row) for row in sample)
    if "time" not in found:
        for index in range(width):
            if index not in found.values() and all(_is_time(row[index]) for row in sample):
                found["time"] = index
                break
    if "temperature" not in found and not any(titles):
        _by_values(sample, width, found)
    return found


def _by_values(sample: Sequence[Sequence[str]], width: int, found: dict[str, int]) -> None:
    """Recognise temperature and pressure in a table without titles by the values of the columns."""
    for index in range(width):
        values = np.array([_number(row[index]) for row in sample])
        if index in found.values() or not np.isfinite(values).all():
            continue
        if "temperature" not in found and np.all(np.abs(values) < 60):
            found["temperature"] = index
        elif "pressure" not in found and np.all((values > 500) & (values < 1200)):
            found["pressure"] = index


def _times(cells: Sequence[str], name: str) -> tuple[FloatArray, bool, tuple[Remark, ...]]:
    numbers = np.array([_number(cell) for cell in cells])
    if np.isfinite(numbers).mean() > 0.9:
        middle = float(np.nanmedian(numbers))
        if middle > EPOCH_S * 1000:
            return numbers / 1000, True, ()
        return numbers, middle > EPOCH_S, ()
    readings = []
    for formats in ((), *FORMATS):
        moments = np.array([_moment(cell, formats) for cell in cells])
        if np.isfinite(moments).mean() > 0.9:
            readings.append((float(np.nanmax(moments) - np.nanmin(moments)), moments))
    if not readings:
        raise InputError(
            f"the times in {name} cannot be read ({cells[0]!r}); write them as 2026-03-01 20:00:00"
        )
    readings.sort(key=lambda one: one[0])
    remarks: tuple[Remark, ...] = ()
    if len(readings) > 1 and not np.array_equal(readings[0][1], readings[1][1]):
        day = datetime.fromtimestamp(float(np.nanmin(readings[0][1]))).strftime("%d %B %Y")
        remarks = (
            Remark(
                "room-dates-ambiguous",
                f"Days and months in {name} could be read either way; it was taken to begin on {day}.",
            ),
        )
    return readings[0][1], True, remarks


def _moment(cell: str, formats: Sequence[str]) -> float:
    try:
        if not formats:
            return datetime.fromisoformat(cell.replace("Z", "+00:00")).astimezone().timestamp()
    except (ValueError, OverflowError, OSError):
        return float("nan")
    for form in formats:
        try:
            return datetime.strptime(cell, form).astimezone().timestamp()
        except (ValueError, OverflowError, OSError):
            continue
    return float("nan")


def _number(cell: str) -> float:
    try:
        return float(cell.replace(",", ".") if cell.count(",") == 1 and "." not in cell else cell)
    except ValueError:
        match = re.fullmatch(r"([-+]?\d+(?:[.,]\d+)?)\s*(?:°?\s?[CF]|hPa|mbar|s)", cell)
        return float(match[1].replace(",", ".")) if match else float("nan")


def _is_value(cell: str) -> bool:
    return np.isfinite(_number(cell)) or _is_time(cell)


def _is_time(cell: str) -> bool:
    return bool(re.match(r"\d{4}-\d\d-\d\d|\d{1,2}[./]\d{1,2}[./]\d{4}|\d{1,2}:\d\d", cell)) or bool(
        np.isfinite(_number(cell))
    )


def _cell(row: Sequence[str], index: int) -> str:
    return row[index] if index < len(row) else ""
