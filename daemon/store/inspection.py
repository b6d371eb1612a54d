"""Check the whole file beside the work, after an unclean stop: a card may have torn what it said was written."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

from quietbench.daemon.store.errors import describe

__all__ = ["Inspection"]

_FINDINGS_SHOWN = 10
_log = logging.getLogger(__name__)


class Inspection:
    """One run of SQLite's quick check in a thread with a read-only connection of its own.

    ``found`` is called once, from that thread, with the findings (empty: none); not after `stop`.
    """

    def __init__(self, path: Path, found: Callable[[list[str]], None]) -> None:
        self._path = path
        self._found = found
        self._connection: sqlite3.Connection | None = None
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="store inspection", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def stop(self, deadline_s: float) -> None:
        """Break the check off, if it still runs; waits at most ``deadline_s``."""
        self._stopped.set()
        connection = self._connection
        if connection is not None:
            connection.interrupt()
        self._thread.join(deadline_s)

    def _run(self) -> None:
        findings = self._findings()
        if not self._stopped.is_set():
            _log.info("store %s: checked after an unclean stop: %s", self._path, findings or "nothing found")
            self._found(findings)

    def _findings(self) -> list[str]:
        try:
            connection = sqlite3.connect(
                self._path.absolute().as_uri() + "?mode=ro", uri=True, check_same_thread=False
            )
            try:
                self._connection = connection
                rows = connection.execute(f"PRAGMA quick_check({_FINDINGS_SHOWN})").fetchall()
            finally:
                self._connection = None
                connection.close()
        except sqlite3.Error as error:
            return [describe(error, self._path)]
        return [str(row[0]) for row in rows if row[0] != "ok"]
