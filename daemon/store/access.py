"""A reader's way to the file: never writing, never checkpointing, and without needing to.

While the log (-wal) is there, ``mode=ro``: what is committed is seen at once. After a clean stop the log is gone, and
opening read-only would want to make one in a folder that a reader can't write; then ``immutable=1``. That mode
takes no locks, so it is believed only when file and log look after the reading as they did before.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from quietbench.daemon.store.errors import StoreError, StoreRefusedError, describe
from quietbench.daemon.store.migrate import check_identity
from quietbench.daemon.store.stored import FILE_NAME

__all__ = ["Access"]

T = TypeVar("T")

_RETRY_S = (0.0, 0.01, 0.03, 0.1, 0.3)
"""Waits before attempts: a watcher that starts or stops changes the right way to open within milliseconds."""
_BUSY_S = 1.0


class _MissingError(StoreError):
    """There is no file; waiting milliseconds will not bring it."""


@dataclass(frozen=True, slots=True)
class _Mark:
    """How the files look: which file, whether there is a log, and without one the file's size and time."""

    log: bool
    file: tuple[int, int]
    content: tuple[int, int]


class Access:
    """One read-only connection, opened when needed and anew when the way to open changed. One thread uses it.

    ``new_file`` is called when another file than before stands at the path.
    """

    def __init__(self, folder: Path, new_file: Callable[[], None]) -> None:
        self._new_file = new_file
        self._path = folder / FILE_NAME
        self._log = folder / f"{FILE_NAME}-wal"
        self._connection: sqlite3.Connection | None = None
        self._mark: _Mark | None = None

    def read(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Return what ``work`` reads in one snapshot; it may be called more than once and must be short.

        Raises:
            StoreError: there is no store, or it can't be read now.
            StoreRefusedError: it is another program's, or a newer version's.
        """
        failure: Exception = StoreError(f"store {self._path}: it changes too fast to be read: try again")
        for wait_s in _RETRY_S:
            time.sleep(wait_s)
            try:
                result = self._attempt(work)
            except (StoreRefusedError, _MissingError, sqlite3.ProgrammingError):
                self.close()
                raise
            except (sqlite3.Error, StoreError) as error:
                self.close()
                failure = error
            else:
                if self._unchanged():
                    return result
                self.close()
        raise StoreError(describe(failure, self._path)) from failure

    def close(self) -> None:
        """Close the connection, if any; idempotent."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _attempt(self, work: Callable[[sqlite3.Connection], T]) -> T:
        mark = self._look()
        if self._connection is None or mark != self._mark:
            self.close()
            if self._mark is not None and mark.file != self._mark.file:
                self._new_file()
            self._mark = mark
            self._connection = self._open(mark)
        with _snapshot(self._connection):
            return work(self._connection)

    def _unchanged(self) -> bool:
        return self._mark is not None and (self._mark.log or self._look() == self._mark)

    def _look(self) -> _Mark:
        try:
            log = self._log.exists()
            file = self._path.stat()
        except PermissionError as error:
            raise _MissingError(
                f"store {self._path}: can't be looked at ({error.strerror}): join the group of its folder, "
                "then sign in again"
            ) from error
        except OSError as error:
            raise _MissingError(
                f"store {self._path}: can't be found ({error.strerror}): check the folder's name, or start the "
                "watcher once"
            ) from error
        return _Mark(log, (file.st_dev, file.st_ino), (0, 0) if log else (file.st_size, file.st_mtime_ns))

    def _open(self, mark: _Mark) -> sqlite3.Connection:
        way = "mode=ro" if mark.log else "immutable=1"
        connection = sqlite3.connect(
            f"{self._path.absolute().as_uri()}?{way}", uri=True, timeout=_BUSY_S, isolation_level=None
        )
        try:
            check_identity(connection, self._path)
        except BaseException:
            connection.close()
            raise
        return connection


@contextlib.contextmanager
def _snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    # Ended in every case: one forgotten read transaction pins the log, which then grows without end.
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")
