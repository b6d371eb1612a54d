"""Errors of the store, and the words for what SQLite reports.

::

    StoreError                  (quietbench.daemon.errors) may pass by itself: disk full, card gone, nobody has begun
    └── StoreRefusedError            a person has to act: other program's file, newer version, second writer
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import ClassVar

from quietbench.daemon.errors import StoreError

__all__ = ["StoreError", "StoreRefusedError", "describe", "primary_code"]

_ADVICE = {
    sqlite3.SQLITE_FULL: "the disk is full: free space there",
    sqlite3.SQLITE_READONLY: "it can't be written: check the owner of the folder and whether the disk is read-only",
    sqlite3.SQLITE_CANTOPEN: "it can't be opened: check that folder and file exist, their owner and mode",
    sqlite3.SQLITE_PERM: "access denied: check owner and mode of folder and file",
    sqlite3.SQLITE_IOERR: "the disk reports an error: check the card or disk and its mount",
    sqlite3.SQLITE_CORRUPT: "the file is damaged: move it aside, keep it, and start anew",
    sqlite3.SQLITE_NOTADB: "the file is no database, or damaged: move it aside, keep it, and start anew",
    sqlite3.SQLITE_BUSY: "another program holds it: end that program",
    sqlite3.SQLITE_LOCKED: "another program holds it: end that program",
}


class StoreRefusedError(StoreError):
    """The store can't be used as it stands, and trying again will not help."""

    retryable: ClassVar[bool] = False


def primary_code(error: BaseException) -> int:
    """Return SQLite's primary result code of an error, or -1 where it carries none."""
    code = getattr(error, "sqlite_errorcode", None)
    return code & 0xFF if isinstance(code, int) else -1


def describe(error: BaseException, path: Path) -> str:
    """Say which file, what to do, and what was reported; a `StoreError` has said so already."""
    if isinstance(error, StoreError):
        return str(error)
    advice = _ADVICE.get(
        primary_code(error), "it can't be used: check the [store] folder, its owner and mode"
    )
    name = getattr(error, "sqlite_errorname", type(error).__name__)
    return f"store {path}: {advice} (reported: {error}, {name})"
