"""``python -m quietbench.daemon.air``: the analysis as a process of its own; JSON to stdout, trouble to stderr."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from quietbench.daemon.air.analysis import Surroundings, analysed
from quietbench.daemon.air.csv_source import read_csv
from quietbench.daemon.air.local_time import local_s
from quietbench.daemon.air.outdoors import outdoor_csv, outdoor_sensor
from quietbench.daemon.air.outside import Band
from quietbench.daemon.air.series import AirSeries
from quietbench.daemon.air.store_source import Room, read_store
from quietbench.daemon.errors import ConfigurationError, QuietbenchError

_FAILED, _WRONG_INPUT = 1, 2


def main(arguments: list[str] | None = None) -> int:
    """Analyse, print and return the exit code."""
    wanted = _parser().parse_args(arguments)
    try:
        result = _result(wanted)
    except ConfigurationError as error:
        print(error, file=sys.stderr)
        return _WRONG_INPUT
    except QuietbenchError as error:
        print(error, file=sys.stderr)
        return _FAILED
    json.dump(result, sys.stdout, ensure_ascii=False, allow_nan=False)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="quietbench.daemon.air")
    parser.add_argument("--store", type=Path)
    parser.add_argument("--csv", type=Path, action="append", default=[])
    parser.add_argument("--room")
    parser.add_argument("--since", type=float)
    parser.add_argument("--back", type=float)
    parser.add_argument("--zone", default="UTC")
    parser.add_argument("--low", type=float)
    parser.add_argument("--high", type=float)
    parser.add_argument("--altitude", type=float, default=0.0)
    parser.add_argument("--outdoors")
    for name in ("--volume", "--air-changes", "--target"):
        parser.add_argument(name, type=float)
    return parser


def _result(wanted: argparse.Namespace) -> dict[str, Any]:
    _checked(wanted)
    if wanted.csv:
        return _of_files(wanted)
    if wanted.store is None:
        raise ConfigurationError("got neither a store nor a CSV file, wanted one of them")
    stored = read_store(wanted.store, None, wanted.since, wanted.back)
    rooms = [room for room in stored.rooms if wanted.room in (None, room.name)]
    if not rooms:
        known = ", ".join(room.name for room in stored.rooms)
        raise ConfigurationError(f"room: got {wanted.room!r}, wanted one of {known}")
    outdoors = outdoor_sensor(wanted.outdoors, stored.rooms) if _is_channel(wanted.outdoors) else None
    if outdoors is not None:  # the outdoor sensor's place is no room
        place = wanted.outdoors.partition("/")[0]
        rooms = [room for room in rooms if room.name != place or wanted.room == place]
    return analysed(stored.site, rooms, _surroundings(wanted, outdoors), stored.salt_checks)


def _of_files(wanted: argparse.Namespace) -> dict[str, Any]:
    rooms, reports = [], []
    for path in wanted.csv:
        series, report = read_csv(path)
        kept = _recent(series, wanted.since, wanted.back)
        rooms.append(Room(series.name, [kept], Band(_fraction(wanted.low), _fraction(wanted.high))))
        reports.append(
            {
                "file": path.name,
                "lines": report.lines,
                "unreadable": report.unreadable,
                "examples": report.examples,
                "offsets": sorted(report.offsets),
            }
        )
    if _is_channel(wanted.outdoors):
        raise ConfigurationError(f"outdoors: got {wanted.outdoors!r}, wanted a CSV file beside CSV files")
    return {**analysed("", rooms, _surroundings(wanted, None)), "files": reports}


def _recent(series: AirSeries, since_s: float | None, back_s: float | None) -> AirSeries:
    if back_s is not None and len(series):
        since_s = float(series.times_s[-1]) - back_s
    return series if since_s is None else series.since(since_s)


def _surroundings(wanted: argparse.Namespace, outdoors: tuple[Any, Any] | None) -> Surroundings:
    if wanted.outdoors is not None and not _is_channel(wanted.outdoors):
        outdoors = outdoor_csv(Path(wanted.outdoors))
    return Surroundings(
        wanted.zone,
        wanted.altitude,
        outdoors,
        wanted.volume,
        wanted.air_changes,
        _fraction(wanted.target),
    )


def _checked(wanted: argparse.Namespace) -> None:
    try:
        local_s(np.zeros(1), wanted.zone)
    except ValueError as error:
        raise ConfigurationError(str(error)) from error
    if not -500.0 <= wanted.altitude <= 11_000.0:
        raise ConfigurationError(f"altitude: got {wanted.altitude} m, wanted -500 … 11000 m")
    for name in ("low", "high", "target"):
        value = getattr(wanted, name)
        if value is not None and not 0.0 < value < 100.0:
            raise ConfigurationError(f"{name}: got {value} %RH, wanted a number between 0 and 100")
    for name in ("volume", "air_changes"):
        value = getattr(wanted, name)
        if value is not None and not value > 0.0:
            raise ConfigurationError(f"{name}: got {value}, wanted a number above 0")


def _is_channel(outdoors: str | None) -> bool:
    return outdoors is not None and not outdoors.endswith(".csv")


def _fraction(percent: float | None) -> float | None:
    return None if percent is None else percent / 100.0


if __name__ == "__main__":
    sys.exit(main())
