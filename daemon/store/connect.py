"""The writer's way to the file: the lock that makes it the only one, the connection, the transaction."""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from quietbench.daemon.store.errors import StoreError, StoreRefusedError
from quietbench.daemon.store.stored import FILE_NAME, LOCK_NAME

__all__ = ["WAL_LIMIT_BYTES", "Lock", "create", "log_version", "open_for_writing", "prepare", "transaction"]

FOLDER_MODE = 0o750  # readers come by group; a group that may write could leave files that stop the watcher
FILE_MODE = 0o640  # SQLite gives its -wal and -shm files the mode of the database
WAL_LIMIT_BYTES = 16 * 1024 * 1024
_BUSY_MS = 1000

_log = logging.getLogger(__name__)


class Lock:
    """The right to write in a folder: a file lock, gone with the process however it ends."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK_NAME
        self._descriptor = -1

    def take(self) -> None:
        """Take the right to write.

        Raises:
            StoreRefusedError: another writer has it.
            OSError: the folder can't be written.
        """
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.read(descriptor, 32).decode("ascii", "replace").strip() or "unknown"
            os.close(descriptor)
            raise StoreRefusedError(
                f"store {self._path.parent}: another watcher (process {holder}) writes there, wanted none: "
                "stop that one, or give this one a folder of its own"
            ) from None
        self._descriptor = descriptor
        # Only for the message above: a full disk must not keep the lock from being taken.
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode("ascii"), 0)

    def release(self) -> None:
        """Give the right back; idempotent. The file stays: removing it would let two hold "the" lock."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def prepare(folder: Path) -> None:
    """Make the folder, if it is missing, readable by its group and writable by its owner alone.

    Raises:
        OSError: it can't be made.
    """
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(FOLDER_MODE)


def open_for_writing(folder: Path) -> sqlite3.Connection:
    """Open the file for the one writer; it may be handed to that writer's thread.

    A missing file is an error, not a new store: whoever took it away while the watcher ran has to know.

    Raises:
        StoreError: the folder's file system can't do WAL.
        sqlite3.Error: it can't be opened.
    """
    path = folder / FILE_NAME
    connection = sqlite3.connect(
        path.absolute().as_uri() + "?mode=rw",
        uri=True,
        timeout=_BUSY_MS / 1000,
        isolation_level=None,  # BEGIN and COMMIT are ours alone
        check_same_thread=False,  # opened by start(), then used by the writer's thread only
    )
    try:
        _configure(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def create(folder: Path) -> None:
    """Make an empty file, readable by the folder's group, if there is none.

    Raises:
        OSError: the folder can't be written.
    """
    path = folder / FILE_NAME
    with contextlib.suppress(FileExistsError):
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)
        try:
            os.fchmod(descriptor, FILE_MODE)  # whatever the umask says
        finally:
            os.close(descriptor)


def _configure(connection: sqlite3.Connection, path: Path) -> None:
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"store {path}: journal mode {mode}, wanted wal: use a local disk, not a network share"
        )
    connection.execute("PRAGMA synchronous = FULL")
    # Checkpoints are the writer's, after it has told that records are on disk, never inside a commit.
    connection.execute("PRAGMA wal_autocheckpoint = 0")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
    connection.execute("PRAGMA cache_size = -1024")  # KiB; it only appends, and memory is short
    connection.execute("PRAGMA trusted_schema = OFF")


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Do all of the block or nothing of it.

    BEGIN IMMEDIATE, because a read that turns into a write fails at once whatever the time-out.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # After some errors SQLite has rolled back by itself; after worse ones it can't, and the caller reopens.
        if connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
        raise


def log_version() -> None:
    """Log SQLite's version and whether it is one that can lose commits when two connections checkpoint at once."""
    version = sqlite3.sqlite_version_info
    cured = version >= (3, 51, 3) or (3, 50, 7) <= version < (3, 51) or (3, 44, 6) <= version < (3, 45)
    note = "" if cured else "; has the WAL-reset fault, so only this program may write or checkpoint the file"
    _log.info("SQLite %s%s", sqlite3.sqlite_version, note)
