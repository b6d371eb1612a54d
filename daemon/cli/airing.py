"""What ``quietbench air`` does: hand the question to the analysis's own process, and show its answer."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietbench.daemon.analysis import Bounds, run_analysis
from quietbench.daemon.errors import ConfigurationError

__all__ = ["Wish", "show"]

MODULE = "quietbench.daemon.air"
_BOUNDS = Bounds(seconds=180.0, megabytes=700)


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked; ``since`` as typed, limits and target in %RH."""

    store: Path | None
    csv: tuple[Path, ...]
    room: str | None
    since: str | None
    zone: str
    low: float | None
    high: float | None
    outdoors: str | None
    altitude: float
    volume: float | None
    air_changes: float | None
    target: float | None


def show(wish: Wish, *, as_json: bool, weekly: bool, sheet: Path | None) -> None:
    """Analyse and print, or write the sheet.

    Raises:
        ConfigurationError: the question is wrong, or a file can't be written.
        QuietbenchError: the store can't be read, or the analysis failed.
    """
    told = answered(wish)
    if sheet is not None:
        _write_sheet(sheet, told)
    elif as_json:
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        from quietbench.daemon.air.text import lines

        for line in lines(told, weekly=weekly):
            print(line)


def answered(wish: Wish) -> dict[str, Any]:
    """Return the analysis. Raises as `show`."""
    if (wish.store is None) == (not wish.csv):
        raise ConfigurationError("wanted either --store FOLDER or --csv FILE")
    if wish.csv and wish.room is not None:
        raise ConfigurationError("--room: a file is one room, named after it; leave it out beside --csv")
    if wish.store is not None and (wish.low is not None or wish.high is not None):
        raise ConfigurationError(
            "--low and --high: the store's own limits count; leave them out beside --store"
        )
    result = run_analysis(MODULE, list(_arguments(wish)), position=_position(wish), bounds=_BOUNDS)
    told: dict[str, Any] = json.loads(result)
    return told


def _arguments(wish: Wish) -> Iterator[str]:
    if wish.store is not None:
        yield f"--store={wish.store.absolute()}"
    yield from (f"--csv={path.absolute()}" for path in wish.csv)
    if wish.since is not None:
        yield _since(wish.since)
    fields = {
        "room": wish.room,
        "low": wish.low,
        "high": wish.high,
        "volume": wish.volume,
        "air-changes": wish.air_changes,
        "target": wish.target,
    }
    yield from (f"--{name}={value}" for name, value in fields.items() if value is not None)
    yield f"--zone={wish.zone}"
    yield f"--altitude={wish.altitude}"
    if wish.outdoors is not None:
        file = Path(wish.outdoors)
        yield f"--outdoors={file.absolute() if file.suffix == '.csv' else wish.outdoors}"


def _since(typed: str) -> str:
    from quietbench.daemon.cli.periods import SECOND_NS, parse_moment

    at_ns = parse_moment(typed, 0)
    # A time back is counted from the last reading, which only the analysis knows.
    return f"--back={-at_ns / SECOND_NS}" if at_ns <= 0 else f"--since={at_ns / SECOND_NS}"


def _position(wish: Wish) -> str:
    files = [*wish.csv]
    if wish.outdoors is not None and wish.outdoors.endswith(".csv"):
        files.append(Path(wish.outdoors))
    marks = [_mark(path) for path in files]
    if wish.store is not None:
        from quietbench.daemon.store.read import StoreReader

        with StoreReader(wish.store) as reader:
            marks.append(f"{wish.store.absolute()} {reader.last_n()} {len(reader.runs())}")
    return "\n".join(marks)


def _mark(path: Path) -> str:
    try:
        about = path.stat()
    except OSError as error:
        raise ConfigurationError(f"{path}: can't be read: {error.strerror}") from error
    return f"{path.absolute()} {about.st_size} {about.st_mtime_ns}"


def _write_sheet(path: Path, told: dict[str, Any]) -> None:
    from quietbench.daemon.air.sheet import sheet

    try:
        path.write_text(sheet(told), "utf-8")
    except OSError as error:
        raise ConfigurationError(f"{path}: can't be written: {error.strerror}") from error
    print(f"written: {path}")
