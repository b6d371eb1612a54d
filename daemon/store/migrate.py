"""Bring the file to the newest schema: numbered scripts, each run once, in order, in a transaction of its own.

The writer alone does this. What ran is recorded with the check sum of its text, so that a store made by other
scripts than the program's own is refused instead of guessed at.
"""

from __future__ import annotations

import hashlib
import logging
import re
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from quietbench.daemon.store.connect import transaction
from quietbench.daemon.store.errors import StoreError, StoreRefusedError

__all__ = ["APPLICATION_ID", "Migration", "check_identity", "landed", "migrate", "newest"]

APPLICATION_ID = 0x51427374  # "QBst" in the header of the file, so that it is told from other databases

_FOLDER = Path(__file__).parent / "migrations"
_NAME = re.compile(r"(\d{4})_[a-z0-9_]+\.sql")
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Migration:
    """One script; ``sha256`` is of its bytes."""

    number: int
    name: str
    sha256: str
    text: str


def landed(folder: Path = _FOLDER) -> tuple[Migration, ...]:
    """Return the scripts in ``folder`` by number.

    Raises:
        StoreRefusedError: a name that is no NNNN_what.sql, or numbers that are not 1, 2, 3 …
    """
    found = tuple(_load(path) for path in sorted(folder.glob("*.sql")))
    numbers = [migration.number for migration in found]
    if numbers != list(range(1, len(found) + 1)):
        raise StoreRefusedError(
            f"migrations in {folder}: got the numbers {numbers}, wanted 1, 2, 3 … each once"
        )
    return found


def _load(path: Path) -> Migration:
    match = _NAME.fullmatch(path.name)
    if match is None:
        raise StoreRefusedError(f"migration {path}: wanted a name like 0002_what.sql")
    data = path.read_bytes()
    return Migration(int(match[1]), path.name, hashlib.sha256(data).hexdigest(), data.decode("utf-8"))


def newest() -> int:
    """Return the schema version this program writes and reads, without reading the scripts."""
    return max((int(path.name[:4]) for path in _FOLDER.glob("*.sql")), default=0)


def migrate(
    connection: sqlite3.Connection, path: Path, *, wall_ns: int, scripts: Sequence[Migration] | None = None
) -> int:
    """Run what has not run yet; return how many scripts that was.

    Raises:
        StoreRefusedError: another program's file, a newer version's, or one made by other scripts than these.
        sqlite3.Error: the disk would not have it; nothing of the failed script stays.
    """
    scripts = landed() if scripts is None else scripts
    version = _version(connection, path)
    _check_history(connection, path, version, scripts)
    for script in scripts[version:]:
        _run(connection, script, wall_ns)
        _log.info("store %s: ran migration %s", path, script.name)
    return len(scripts) - version


def check_identity(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a file that this program can't read.

    Raises:
        StoreError: it is being made at this moment, or the watcher has not brought it up to date yet.
        StoreRefusedError: it is another program's, or a newer version's.
    """
    version = _version(connection, path)
    wanted = newest()
    if version > wanted:
        raise _newer(path, version, wanted)
    if version < wanted:
        raise StoreError(
            f"store {path}: schema version {version}, wanted {wanted}: start the watcher, it brings it up to date"
        )


def _version(connection: sqlite3.Connection, path: Path) -> int:
    application = _pragma(connection, "application_id")
    empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
    if application != APPLICATION_ID and not (application == 0 and empty):
        raise StoreRefusedError(
            f"store {path}: another program's database (application id {application:#x}, "
            f"wanted {APPLICATION_ID:#x}): give the watcher a folder of its own"
        )
    return _pragma(connection, "user_version")


def _check_history(
    connection: sqlite3.Connection, path: Path, version: int, scripts: Sequence[Migration]
) -> None:
    if version > len(scripts):
        raise _newer(path, version, len(scripts))
    if version == 0:
        return
    ran = connection.execute("SELECT number, name, sha256 FROM migration ORDER BY number").fetchall()
    wanted = [(script.number, script.name, script.sha256) for script in scripts[:version]]
    for got, want in zip(ran, wanted, strict=False):
        if got != want:
            raise StoreRefusedError(
                f"store {path}: made by migration {got[1]} (sha256 {got[2]}), wanted {want[1]} (sha256 {want[2]}): "
                "use the version of the program that made it, or move the file aside"
            )
    if len(ran) != version:
        raise StoreRefusedError(f"store {path}: {len(ran)} migrations recorded, but schema version {version}")


def _newer(path: Path, version: int, wanted: int) -> StoreRefusedError:
    return StoreRefusedError(
        f"store {path}: schema version {version} is newer than this program's {wanted}: "
        "install the newer version again, or give this one a folder of its own"
    )


def _run(connection: sqlite3.Connection, script: Migration, wall_ns: int) -> None:
    with transaction(connection):
        for statement in _statements(script.text):
            connection.execute(statement)
        connection.execute(
            "INSERT INTO migration (number, name, sha256, wall_ns) VALUES (?, ?, ?, ?)",
            (script.number, script.name, script.sha256, wall_ns),
        )
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID:d}")
        connection.execute(f"PRAGMA user_version = {script.number:d}")


def _statements(text: str) -> Iterator[str]:
    # Not executescript(): it commits first, and then every statement by itself.
    statement = ""
    for line in text.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
    if statement.strip():
        yield statement


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
