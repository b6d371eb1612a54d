"""The open file as its one writer sees it: runs, batches, checkpoints. No thread, no retry, no patience."""

from __future__ import annotations

import hashlib
import logging
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from quietbench.daemon.clock import Clock, Stamp
from quietbench.daemon.store.connect import WAL_LIMIT_BYTES, create, open_for_writing, transaction
from quietbench.daemon.store.migrate import migrate
from quietbench.daemon.store.rows import Rows, rows_of
from quietbench.daemon.store.stored import FILE_NAME, RunStart
from quietbench.daemon.store.waiting import Batch

__all__ = ["Book", "Reopened"]

PEOPLE_SKIPPED = 1000
"""After an unclean stop so many person numbers are passed over: they may have been given out and not written."""

_CHECKPOINT_COMMITS = 400  # about 4 MiB of log at one commit a second, seven minutes
_CHECKPOINT_ROWS = 50_000

_READING = (
    "INSERT INTO reading (n, count, series, monotonic_ns, raw, given, reason) VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_EVENT = "INSERT INTO event (n, count, monotonic_ns, kind, subject, body) VALUES (?, ?, ?, ?, ?, ?)"
_SPAN = (
    "INSERT INTO commit_span (first, last, run, monotonic_ns, wall_ns, clock_known) VALUES (?, ?, ?, ?, ?, ?)"
)
_RUN = (
    "INSERT INTO run (boot, monotonic_ns, wall_ns, clock_known, software, plan, first_n, first_person, inspect)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_CURSOR = (
    "INSERT INTO cursor (sink, stream, n) VALUES (?, ?, ?)"
    " ON CONFLICT (sink, stream) DO UPDATE SET n = max(n, excluded.n)"
)
# These may be tried again after a commit of which nobody knows whether it arrived.
_REFUSED = (
    "INSERT OR IGNORE INTO set_aside (sink, stream, n, why, run, monotonic_ns, wall_ns)"
    " VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_PERSON = "INSERT OR IGNORE INTO people (id, name) VALUES (?, ?)"
_CLOCK_SET = "INSERT OR IGNORE INTO clock_set (boot, n, monotonic_ns, wall_ns) VALUES (?, ?, ?, ?)"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Reopened:
    """What was found on disk. ``missing``: numbers that had been committed and are gone, a failed sync took them.

    ``arrived``: the batch that failed last is there all the same; the log was written whole and only the word of
    it failed, so that recovery finds it. It must not be written again.
    """

    arrived: bool
    missing: range


class Book:
    """One file, one run. Every method may raise sqlite3.Error or OSError; then nothing of its work is on disk."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        create(folder)
        self._connection = open_for_writing(folder)
        self._run = 0
        self._boot = ""
        self._last_n = 0
        self._attempted_n = 0
        self._own_count = -1
        self._series: tuple[int, ...] = ()
        self._clock_set = False
        self._full = True
        self._commits = 0
        self._rows = 0
        self.people: dict[str, str] = {}
        self.next_person = 1
        self.inspect = False

    @property
    def path(self) -> Path:
        """Get the file."""
        return self._folder / FILE_NAME

    def begin(self, start: RunStart) -> int:
        """Bring the file up to date and put a new run on disk for good; return its number.

        Raises:
            StoreRefusedError: the file is another program's, a newer version's, or was made by other migrations.
        """
        migrate(self._connection, self.path, wall_ns=start.wall_ns)
        self._be_durable(True)
        with transaction(self._connection):
            self._load()
            self._run = self._insert_run(start)
            self._series = tuple(self._series_id(channel, spec) for channel, spec in start.channels)
        self._boot = start.boot
        return self._run

    @property
    def in_doubt(self) -> bool:
        """Get whether an error left a transaction open that could not be rolled back."""
        return self._connection.in_transaction

    def write(self, batch: Batch) -> None:
        """Put a batch on disk: for good when it holds an event, else at the latest with the next that does."""
        stamp = self._clock.stamp()
        rows = rows_of(
            batch,
            self._series,
            last_n=self._last_n,
            own_count=self._own_count,
            monotonic_ns=stamp.monotonic_ns,
        )
        self._be_durable(bool(rows.events))
        self._attempted_n = rows.last
        with transaction(self._connection):
            self._insert_rows(rows, stamp)
            self._insert_rest(batch, stamp)
        self._clock_set = self._clock_set or (stamp.known and rows.last > self._last_n)
        self._settle(rows)

    def reopen(self) -> Reopened:
        """Open the file anew after an error that leaves the connection in doubt, and see what is on disk."""
        self.close()
        self._connection = open_for_writing(self._folder)
        self._full = True
        found = self._find_last_n()
        seen = Reopened(
            arrived=found == self._attempted_n > self._last_n,
            missing=range(found + 1, self._last_n + 1),
        )
        self._own_count = self._find_own_count()
        # A number once given is never given again, even when its record is gone: cursors may be past it.
        self._last_n = self._attempted_n = max(found, self._last_n)
        return seen

    def end(self, *, inspected: bool) -> None:
        """Put the clean end of the run on disk for good."""
        stamp = self._clock.stamp()
        self._be_durable(True)
        with transaction(self._connection):
            self._connection.execute(
                "INSERT INTO run_end (run, monotonic_ns, wall_ns, last_n, inspected) VALUES (?, ?, ?, ?, ?)",
                (self._run, stamp.monotonic_ns, stamp.wall_ns, self._last_n, inspected),
            )

    def checkpoint_if_due(self) -> None:
        """Move the log into the file from time to time; shrink a log that a long reader let grow."""
        if self._commits >= _CHECKPOINT_COMMITS or self._rows >= _CHECKPOINT_ROWS:
            self._commits = self._rows = 0
            self.checkpoint("TRUNCATE" if self._log_bytes() > WAL_LIMIT_BYTES else "PASSIVE")

    def checkpoint(self, mode: str) -> None:
        """Checkpoint without waiting for readers: one that holds on only puts it off."""
        self._connection.execute("PRAGMA busy_timeout = 0")
        try:
            busy = self._connection.execute(f"PRAGMA wal_checkpoint({mode})").fetchone()[0]
        finally:
            self._connection.execute("PRAGMA busy_timeout = 1000")
        if busy:
            _log.info(
                "store %s: a reader holds the log, %d bytes; trying again later", self.path, self._log_bytes()
            )

    def close(self) -> None:
        """Close the file; idempotent, never raises."""
        try:
            self._connection.close()
        except sqlite3.Error as error:
            _log.warning("store %s: closing: %s", self.path, error)

    def _log_bytes(self) -> int:
        log = self.path.with_name(f"{FILE_NAME}-wal")
        return log.stat().st_size if log.exists() else 0

    def _be_durable(self, full: bool) -> None:
        # Outside a transaction, where alone it takes effect. FULL syncs the whole log, earlier commits included.
        if full != self._full:
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if full else 'NORMAL'}")
            self._full = full

    def _load(self) -> None:
        self._last_n = self._attempted_n = self._find_last_n()
        self._own_count = -1
        self.people = dict(self._connection.execute("SELECT name, id FROM people").fetchall())
        before = self._connection.execute(
            "SELECT run.first_person, run_end.run IS NULL, coalesce(run_end.inspected, 0)"
            " FROM run LEFT JOIN run_end USING (run) ORDER BY run.run DESC LIMIT 1"
        ).fetchone()
        first_person, unclean, inspected = before or (1, 0, 1)
        self.inspect = bool(unclean) or not inspected
        beyond = max((int(identity[1:]) for identity in self.people.values()), default=0) + 1
        self.next_person = max(beyond, first_person) + (PEOPLE_SKIPPED if unclean else 0)

    def _find_last_n(self) -> int:
        row = self._connection.execute("SELECT last FROM commit_span ORDER BY first DESC LIMIT 1").fetchone()
        return 0 if row is None else int(row[0])

    def _find_own_count(self) -> int:
        first = self._connection.execute("SELECT first_n FROM run WHERE run = ?", (self._run,)).fetchone()[0]
        lowest = self._connection.execute("SELECT min(count) FROM event WHERE n >= ?", (first,)).fetchone()[0]
        return min(lowest or 0, 0) - 1

    def _insert_run(self, start: RunStart) -> int:
        digest = hashlib.sha256(start.plan_json.encode("utf-8")).hexdigest()
        self._connection.execute(
            "INSERT OR IGNORE INTO plan (sha256, body) VALUES (?, ?)", (digest, start.plan_json)
        )
        values = (start.boot, start.monotonic_ns, start.wall_ns, start.clock_known, start.software, digest)
        row = (*values, self._last_n + 1, self.next_person, self.inspect)
        run = self._connection.execute(_RUN, row).lastrowid
        assert run is not None
        return run

    def _series_id(self, channel: str, spec: str) -> int:
        key = (channel, spec)
        self._connection.execute("INSERT OR IGNORE INTO series (channel, spec) VALUES (?, ?)", key)
        found = self._connection.execute(
            "SELECT id FROM series WHERE channel = ? AND spec = ?", key
        ).fetchone()
        return int(found[0])

    def _insert_rows(self, rows: Rows, stamp: Stamp) -> None:
        if rows.last == self._last_n:
            return
        first = self._last_n + 1
        clocks = (stamp.monotonic_ns, stamp.wall_ns)
        self._connection.executemany(_READING, rows.readings)
        self._connection.executemany(_EVENT, rows.events)
        self._connection.execute(_SPAN, (first, rows.last, self._run, *clocks, stamp.known))
        if stamp.known and not self._clock_set:
            self._connection.execute(_CLOCK_SET, (self._boot, first, *clocks))

    def _insert_rest(self, batch: Batch, stamp: Stamp) -> None:
        clocks = (stamp.monotonic_ns, stamp.wall_ns)
        self._connection.executemany(_PERSON, batch.people)
        self._connection.executemany(_CURSOR, [(*key, n) for key, n in batch.cursors.items()])
        self._connection.executemany(_REFUSED, [(*row, self._run, *clocks) for row in batch.refused])

    def _settle(self, rows: Rows) -> None:
        self._own_count = min([self._own_count, *(row[1] - 1 for row in rows.events if row[1] < 0)])
        self._last_n = rows.last
        self._commits += 1
        self._rows += len(rows.readings) + len(rows.events)
