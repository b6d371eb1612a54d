"""A connection that fails where a test wants it to, before or after the statement took effect."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietbench.daemon.store import connect


def sqlite_error(name: str, text: str) -> sqlite3.OperationalError:
    """An error as SQLite's own carry their codes."""
    error = sqlite3.OperationalError(text)
    error.sqlite_errorcode = getattr(sqlite3, name)
    error.sqlite_errorname = name
    return error


@dataclass(slots=True)
class Fault:
    """Fails ``times`` statements that begin with ``statement``; ``after`` lets them take effect first."""

    statement: str
    error: sqlite3.OperationalError
    times: int = 1
    after: bool = False


@dataclass(slots=True)
class Disk:
    """Stands where the writer opens its file: hands out faulty connections and keeps what was said to them."""

    faults: list[Fault] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    before_open: Callable[[Path], None] | None = None
    before: Callable[[str], None] | None = None

    def open(self, folder: Path) -> Any:
        if self.before_open is not None:
            self.before_open(folder)
        return FaultyConnection(connect.open_for_writing(folder), self)

    def fault(self, statement: str) -> Fault | None:
        for fault in self.faults:
            if fault.times > 0 and statement.startswith(fault.statement):
                fault.times -= 1
                return fault
        return None


class FaultyConnection:
    """Passes everything on, but for the faults of its disk."""

    def __init__(self, connection: sqlite3.Connection, disk: Disk) -> None:
        self._connection = connection
        self._disk = disk

    def execute(self, statement: str, *values: Any) -> Any:
        return self._say(statement, lambda: self._connection.execute(statement, *values))

    def executemany(self, statement: str, rows: Any) -> Any:
        return self._say(statement, lambda: self._connection.executemany(statement, rows))

    def _say(self, statement: str, act: Callable[[], Any]) -> Any:
        self._disk.said.append(statement)
        if self._disk.before is not None:
            self._disk.before(statement)
        fault = self._disk.fault(statement)
        if fault is None:
            return act()
        if fault.after:
            act()
        raise fault.error

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)
