"""Humidity from a CSV file: time,temperature,relative_humidity; °C and %RH; any order, any gaps, any offsets.

Times are ISO 8601, UTC when no offset is given. Whatever is wrong with a line is counted and told with its number;
nothing in a file raises but that it can't be read or has no such columns.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from quietbench.daemon.air.series import AirSeries, tidied
from quietbench.daemon.errors import ConfigurationError

__all__ = ["CsvReport", "read_csv", "series_of_text"]

_COLUMNS = ("time", "temperature", "relative_humidity")
_MOST_EXAMPLES = 5
U_HUMIDITY, U_AIR_K = 0.015, 0.25
"""Assumed of a sensor nobody told of: a data sheet's ± 3 %RH and ± 0.5 K as rectangles, rounded."""

_EARLIEST, _LATEST = dt.datetime(1970, 1, 2, tzinfo=dt.UTC), dt.datetime(2200, 1, 1, tzinfo=dt.UTC)


@dataclass(slots=True)
class CsvReport:
    """What a file was like: lines, what could not be read (with examples), offsets from UTC that it uses."""

    lines: int = 0
    unreadable: int = 0
    examples: list[str] = field(default_factory=list)
    offsets: set[str] = field(default_factory=set)

    def complain(self, line: int, what: str) -> None:
        """Count a line that can't be used."""
        self.unreadable += 1
        if len(self.examples) < _MOST_EXAMPLES:
            self.examples.append(f"line {line}: {what}")


def read_csv(path: Path) -> tuple[AirSeries, CsvReport]:
    """Read a file into a series named after it.

    Raises:
        ConfigurationError: it can't be read, is no text, or lacks the columns.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ConfigurationError(f"{path}: can't be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ConfigurationError(f"{path}: got bytes that are no UTF-8 text, wanted a CSV file") from error
    return series_of_text(text, path.stem, str(path))


def series_of_text(text: str, name: str, where: str = "the CSV") -> tuple[AirSeries, CsvReport]:
    """Read the text of a file.

    Raises:
        ConfigurationError: it lacks the columns.
    """
    rows = csv.reader(io.StringIO(text.replace("\x00", ""), newline=None))
    report = CsvReport()
    places = _header(next(_rows(rows, report), []), where)
    readings: list[tuple[float, float, float]] = []
    for row in _rows(rows, report):
        if any(cell.strip() for cell in row):
            report.lines += 1
            reading = _reading(row, places, rows.line_num, report)
            if reading is not None:
                readings.append(reading)
    columns = np.array(readings, dtype=np.float64).reshape(-1, 3)
    series = tidied(
        name,
        columns[:, 0],
        columns[:, 2] / 100.0,
        columns[:, 1] + 273.15,
        u_humidity=U_HUMIDITY,
        u_air_k=U_AIR_K,
        u_stated=False,
    )
    return series, report


def _rows(rows: Iterator[list[str]], report: CsvReport) -> Iterator[list[str]]:
    """Yield rows; a row the reader chokes on (a field of megabytes) is counted and passed over."""
    while True:
        try:
            yield next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            report.complain(report.lines + 2, str(error))


def _header(row: list[str], where: str) -> tuple[int, int, int]:
    names = [cell.strip().lower() for cell in row]
    missing = [column for column in _COLUMNS if column not in names]
    if missing:
        raise ConfigurationError(
            f"{where}: got the header {','.join(row)[:80]!r}, wanted {','.join(_COLUMNS)}; "
            f"missing: {', '.join(missing)}"
        )
    first, second, third = (names.index(column) for column in _COLUMNS)
    return first, second, third


def _reading(
    row: list[str], places: tuple[int, int, int], line: int, report: CsvReport
) -> tuple[float, float, float] | None:
    if len(row) <= max(places):
        report.complain(line, f"got {len(row)} fields, wanted {max(places) + 1} or more")
        return None
    stamp, air, humidity = (row[place].strip() for place in places)
    at = _time(stamp, report)
    if at is None:
        report.complain(line, f"got the time {stamp[:40]!r}, wanted such as 2031-03-02T08:00:00Z")
        return None
    try:
        return at, float(air), float(humidity)
    except ValueError:
        report.complain(line, f"got {air[:20]!r} and {humidity[:20]!r}, wanted numbers")
        return None


def _time(text: str, report: CsvReport) -> float | None:
    try:
        stamp = dt.datetime.fromisoformat(text)
        if stamp.tzinfo is None:
            stamp = stamp.replace(tzinfo=dt.UTC)
        if not _EARLIEST <= stamp <= _LATEST:
            return None
        offset = stamp.utcoffset() or dt.timedelta()
    except (ValueError, OverflowError):
        return None
    minutes = int(offset.total_seconds() // 60)
    report.offsets.add(f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}")
    return stamp.timestamp()
