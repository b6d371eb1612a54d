"""The one thread that writes and checkpoints: group commit, events at once, and patience with a bad disk.

Readings wait for the next commit (every ``commit_every_s``, synchronous=NORMAL: a power cut may take the last of
them). An event wakes the thread and is committed at once with synchronous=FULL, together with all that was put
before it; events that come during that commit share the next one. Cursors ride along with either: one that a
power cut takes only means that something is sent twice.

When a commit fails, nothing of it is on disk; the records go back to a bounded memory and are tried again. What
that memory had to drop is told by an event of the store's own in the first commit that works.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.records import Event, Record
from quietbench.daemon.store.book import Book
from quietbench.daemon.store.connect import Lock, log_version, prepare
from quietbench.daemon.store.errors import StoreError, describe, primary_code
from quietbench.daemon.store.inspection import Inspection
from quietbench.daemon.store.stored import FILE_NAME, RunStart, Stream
from quietbench.daemon.store.trouble import RETRY_S, Trouble
from quietbench.daemon.store.waiting import Batch, Waiting

__all__ = ["RunStart", "StoreWriter"]

_NS = 1_000_000_000
_LONGEST_WAIT_S = 0.5  # so that `progress` grows even when nothing comes
_LAST_RETRY_S = 0.05  # between attempts while stopping
_CLOSING_S = 0.1  # beyond the deadline of a stop, to close the file

# After these the connection is as good as before; after any other it is opened anew, and the file asked what
# arrived: a sync that failed once may report success the next time without having written.
_CONNECTION_GOOD = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})

_log = logging.getLogger(__name__)


class StoreWriter:
    """Writes one watcher's records into ``folder``; every public method may be called from any thread.

    ``committed`` is called after each commit that holds records, ``failing`` with a text when writing fails and
    with None when it works again. Both come from the writer's thread and must only wake somebody up.
    """

    def __init__(
        self,
        folder: Path,
        *,
        clock: Clock,
        commit_every_s: float,
        committed: Callable[[], None],
        failing: Callable[[str | None], None],
        waiting_limit: int = 20_000,
    ) -> None:
        self.progress = 0
        self._folder = folder
        self._clock = clock
        self._commit_every_ns = round(commit_every_s * _NS)
        self._committed = committed
        self._trouble = Trouble(failing)
        self._batch_limit = max(1, waiting_limit // 8)
        self._wake = threading.Condition()
        self._waiting = Waiting(waiting_limit)  # this and the next five under the condition's lock
        self._urgent = False
        self._stop_by_ns: int | None = None
        self._findings: list[str] | None = None
        self._people: dict[str, str] = {}
        self._next_person = 1
        self._lock = Lock(folder)
        self._book: Book | None = None
        self._thread: threading.Thread | None = None
        self._inspection: Inspection | None = None
        self._inspected = True
        self._doubtful: Batch | None = None  # written, or not: the file is asked when it is open again
        self._reopen = False
        self._failures = 0
        self._next_ns = 0
        self._all_on_disk = False

    # -- life --------------------------------------------------------------------------------------------

    def start(self, run: RunStart) -> int:
        """Open or make the store, put the new run on disk for good, start the thread; return the run's number.

        After a `StoreError` it may be called again.

        Raises:
            StoreRefusedError: another writer is there, or the file is not for this program.
            StoreError: the disk is full, read-only, failing, or the folder can't be used.
        """
        log_version()
        try:
            number = self._open(run)
        except StoreError:
            self._let_go()
            raise
        except (sqlite3.Error, OSError) as error:
            self._let_go()
            raise StoreError(describe(error, self._folder / FILE_NAME)) from error
        self._thread = threading.Thread(target=self._run, name="store writer", daemon=True)
        self._thread.start()
        if self._inspection is not None:
            self._inspection.start()
        return number

    def stop(self, deadline_s: float) -> bool:
        """Write what waits, end the run, close the file; return whether everything is on disk.

        Waits at most ``deadline_s`` and a tenth of a second. What is put afterwards is not written.
        """
        if self._thread is None:
            return True
        with self._wake:
            self._stop_by_ns = self._clock.monotonic_ns() + round(deadline_s * _NS)
            self._wake.notify()
        self._thread.join(deadline_s + _CLOSING_S)
        return self._all_on_disk and not self._thread.is_alive()

    # -- what others hand over ---------------------------------------------------------------------------

    def put(self, records: Sequence[Record]) -> None:
        """Take records in their order: kept readings and events. Never blocks on the disk."""
        urgent = any(isinstance(record, Event) for record in records)
        with self._wake:
            self._waiting.put(records)
            if urgent or len(self._waiting) >= self._batch_limit:
                self._urgent = True
                self._wake.notify()

    def advance(self, sink: str, stream: Stream, n: int) -> None:
        """Keep that a far end has confirmed everything up to ``n``; a smaller number than before does nothing."""
        with self._wake:
            self._waiting.advance(sink, stream, n)

    def set_aside(self, sink: str, stream: Stream, n: int, why: str) -> None:
        """Keep that a far end refused record ``n`` for good."""
        with self._wake:
            self._waiting.refuse(sink, stream, n, why)

    def person(self, name: str) -> str:
        """Return the id ("p1") that stands for a name in every record; a new one is stored with the next commit."""
        with self._wake:
            identity = self._people.get(name)
            if identity is None:
                identity = f"p{self._next_person}"
                self._next_person += 1
                self._people[name] = identity
                self._waiting.person(identity, name)
            return identity

    # -- opening -----------------------------------------------------------------------------------------

    def _open(self, run: RunStart) -> int:
        prepare(self._folder)
        self._lock.take()
        book = self._book = Book(self._folder, self._clock)
        number = book.begin(run)
        with self._wake:
            self._people = dict(book.people)
            self._next_person = book.next_person
        if book.inspect:
            self._inspect()
        return number

    def _let_go(self) -> None:
        if self._book is not None:
            self._book.close()
            self._book = None
        self._lock.release()

    def _inspect(self) -> Inspection:
        self._inspected = False
        self._inspection = Inspection(self._folder / FILE_NAME, self._found)
        return self._inspection

    def _found(self, findings: list[str]) -> None:
        with self._wake:
            self._findings = findings
            self._urgent = True
            self._wake.notify()

    # -- the thread --------------------------------------------------------------------------------------

    def _run(self) -> None:
        assert self._book is not None
        self._next_ns = self._clock.monotonic_ns() + self._commit_every_ns
        while not self._over():
            self.progress += 1
            self._wait()
            try:
                self._round(self._book)
            # A supervisor: whatever went wrong, this thread must go on, or every later record is lost.
            except Exception as error:  # noqa: BLE001
                self._failed(self._book, error)
        self._finish(self._book)

    def _over(self) -> bool:
        with self._wake:
            if self._stop_by_ns is None:
                return False
            empty = not self._waiting and self._doubtful is None
            return empty or self._clock.monotonic_ns() >= self._stop_by_ns

    def _wait(self) -> None:
        with self._wake:
            wait_s = self._wait_s()
            if wait_s > 0:
                self._wake.wait(min(wait_s, _LONGEST_WAIT_S))

    def _wait_s(self) -> float:
        if self._stop_by_ns is not None:
            return _LAST_RETRY_S if self._failures else 0.0
        if self._urgent and not self._failures:
            return 0.0
        return (self._next_ns - self._clock.monotonic_ns()) / _NS

    def _round(self, book: Book) -> None:
        if self._wait_s() > 0 and self._stop_by_ns is None:
            return
        self._next_ns = self._clock.monotonic_ns() + self._commit_every_ns
        if self._reopen:
            self._open_again(book)
        self._note_findings()
        with self._wake:
            batch = self._waiting.take()
            self._urgent = False
        if batch:
            self._write(book, batch)
        elif self._failures:
            self._recovered()

    def _write(self, book: Book, batch: Batch) -> None:
        try:
            book.write(batch)
        except BaseException as error:
            if primary_code(error) in _CONNECTION_GOOD and not book.in_doubt:
                self._give_back(batch)
            else:
                self._reopen, self._doubtful = True, batch
            raise
        self._recovered()
        if batch.has_news:
            self._committed()
        self._checkpoint(book)

    def _open_again(self, book: Book) -> None:
        seen = book.reopen()
        self._reopen = False
        batch, self._doubtful = self._doubtful, None
        if batch is not None and not seen.arrived:
            self._give_back(batch)
        if seen.missing:
            self._report_missing(seen.missing)
        if seen.arrived:
            self._committed()
        if self._inspected:
            self._inspect().start()

    def _report_missing(self, numbers: range) -> None:
        _log.error("store %s: committed records %d to %d are gone", self._folder, numbers[0], numbers[-1])
        body = {"what": "committed records lost", "first_n": numbers[0], "last_n": numbers[-1]}
        with self._wake:
            self._waiting.report(body)

    def _give_back(self, batch: Batch) -> None:
        with self._wake:
            self._waiting.give_back(batch)

    def _failed(self, book: Book, error: Exception) -> None:
        delay_s = RETRY_S[min(self._failures, len(RETRY_S) - 1)]
        self._failures += 1
        self._next_ns = self._clock.monotonic_ns() + round(delay_s * _NS)
        if not isinstance(error, sqlite3.Error | OSError):
            _log.error("store writer: unexpected error", exc_info=error)
        self._trouble.begin("writing", describe(error, book.path))

    def _recovered(self) -> None:
        self._failures = 0
        self._trouble.end("writing")

    def _checkpoint(self, book: Book) -> None:
        try:
            book.checkpoint_if_due()
        except sqlite3.Error as error:
            self._trouble.begin("checkpoint", describe(error, book.path))
        else:
            self._trouble.end("checkpoint")

    def _note_findings(self) -> None:
        with self._wake:
            findings, self._findings = self._findings, None
            if findings is None:
                return
            self._waiting.report({"what": "store checked", "findings": findings})
        self._inspected = True
        if findings:
            self._trouble.begin("check", f"store {self._folder / FILE_NAME}: damaged: {'; '.join(findings)}")

    def _finish(self, book: Book) -> None:
        if self._inspection is not None:
            self._inspection.stop(_CLOSING_S)
        try:
            with self._wake:
                complete = not self._waiting and self._doubtful is None
            if complete:
                book.end(inspected=self._inspected)
                book.checkpoint("TRUNCATE")
            self._all_on_disk = complete
        except sqlite3.Error as error:
            _log.error("%s", describe(error, book.path))
        finally:
            self._let_go()
