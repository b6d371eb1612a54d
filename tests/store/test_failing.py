"""A bad disk: nothing committed goes, nothing is written twice, and what had to be dropped is told."""

from __future__ import annotations

import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

from quietbench.daemon.core.records import EventKind, Record
from quietbench.daemon.store import writer as writer_module
from quietbench.daemon.store.connect import open_for_writing
from quietbench.daemon.store.errors import StoreError
from quietbench.daemon.store.rows import rows_of
from quietbench.daemon.store.stored import FILE_NAME, STORE_SUBJECT
from quietbench.daemon.store.waiting import Waiting
from tests.store.faulty import Disk, Fault, sqlite_error
from tests.store.kit import Site, event, in_order, numbers_and_counts, reading, run_start

FULL = sqlite_error("SQLITE_FULL", "database or disk is full")
READ_ONLY = sqlite_error("SQLITE_READONLY", "attempt to write a readonly database")
SYNC_FAILED = sqlite_error("SQLITE_IOERR_FSYNC", "disk I/O error")
WRITE_FAILED = sqlite_error("SQLITE_IOERR_WRITE", "disk I/O error")


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retry at once: waiting is not what is tested here."""
    monkeypatch.setattr(writer_module, "RETRY_S", (0.001,))


@pytest.mark.parametrize(
    "error", [FULL, READ_ONLY, SYNC_FAILED, WRITE_FAILED], ids=lambda e: e.sqlite_errorname
)
@pytest.mark.parametrize("statement", ["BEGIN", "INSERT INTO reading", "INSERT INTO commit_span", "COMMIT"])
def test_failed_commit_is_tried_again_and_nothing_is_lost_or_doubled(
    site: Site, disk: Disk, error: sqlite3.OperationalError, statement: str
) -> None:
    """Wherever a commit breaks, the records come through later, in order, once."""
    records: list[Record] = [reading(1), event(2), reading(3)]
    writer = site.started()
    disk.faults.append(Fault(statement, error, times=3))
    writer.put(records)
    site.heard.until(lambda: site.heard.troubles[-1:] == [None], "recovery")
    writer.put([event(4)])
    writer.stop(5)

    expected = in_order([*records, event(4)])
    core = [pair for pair in numbers_and_counts(site.reader) if pair[1] > 0]
    assert [count for _, count in core] == [count for _, count in expected]
    assert [n for n, _ in numbers_and_counts(site.reader)] == list(range(1, site.reader.last_n() + 1))


def test_trouble_is_told_once_and_its_end_once(site: Site, disk: Disk) -> None:
    """Many failed attempts are one trouble, said with file, cause and what to do."""
    writer = site.started()
    disk.faults.append(Fault("BEGIN", FULL, times=5))
    writer.put([event(1)])
    site.until_stored(1)
    site.heard.until(lambda: len(site.heard.troubles) == 2, "the end of the trouble")
    text, end = site.heard.troubles

    assert end is None
    assert text is not None
    assert str(site.folder / FILE_NAME) in text
    assert "the disk is full: free space" in text


def test_commit_that_arrived_although_it_failed_is_not_written_again(site: Site, disk: Disk) -> None:
    """A sync may fail after the log was written whole: the file is asked before anything is repeated."""
    writer = site.started()
    disk.faults.append(Fault("COMMIT", SYNC_FAILED, after=True))
    writer.put([reading(1), event(2)])
    site.heard.until(lambda: site.heard.troubles[-1:] == [None], "recovery")
    writer.put([event(3)])
    writer.stop(5)
    pairs = numbers_and_counts(site.reader)

    assert [count for _, count in pairs if count > 0] == [1, 2, 3]
    assert [n for n, _ in pairs] == list(range(1, len(pairs) + 1))


def test_cursor_and_person_of_a_commit_that_arrived_are_written_again_harmlessly(
    site: Site, disk: Disk
) -> None:
    """A commit without records can't be told from one that never was, so repeating it must do nothing."""
    writer = site.started()
    disk.faults.append(Fault("COMMIT", SYNC_FAILED, after=True))
    writer.advance("broker", "events", 3)
    identity = writer.person("Ines Okoro")
    writer.set_aside("broker", "events", 2, "refused")
    site.heard.until(lambda: site.heard.troubles[-1:] == [None], "recovery")
    writer.stop(5)

    assert site.reader.cursor("broker", "events") == 3
    assert site.reader.people() == {identity: "Ines Okoro"}
    assert site.rows("SELECT n FROM set_aside") == [(2,)]


def test_committed_records_that_a_failed_sync_took_are_told_and_their_numbers_not_used_again(
    site: Site, disk: Disk
) -> None:
    """After a failed sync the file may be older than it was; cursors past the hole must not miss new records."""

    def lose_the_tail(folder: Path) -> None:
        connection = open_for_writing(folder)
        connection.execute("DELETE FROM event WHERE n > 2")
        connection.execute("DELETE FROM commit_span WHERE first > 2")
        connection.close()

    writer = site.started()
    for count in range(1, 6):
        writer.put([event(count)])
        site.until_stored(count)
    disk.before_open = lose_the_tail
    disk.faults.append(Fault("COMMIT", SYNC_FAILED))
    writer.put([event(6)])
    site.heard.until(lambda: site.heard.troubles[-1:] == [None], "recovery")
    site.reader.close()
    writer.stop(5)
    told = [e for e in site.reader.events_after(0, 99) if e.body.get("what") == "committed records lost"]
    after = [(e.n, e.count) for e in site.reader.events_after(2, 99) if e.count > 0]

    assert [e.body for e in told] == [{"what": "committed records lost", "first_n": 3, "last_n": 5}]
    assert [count for _, count in after] == [6]
    assert min(n for n, _ in after) > 5


def test_file_is_checked_after_an_error_of_the_disk(site: Site, disk: Disk) -> None:
    """The connection is not trusted any more, and neither is the file until it was looked through."""
    writer = site.started()
    disk.faults.append(Fault("COMMIT", SYNC_FAILED))
    writer.put([event(1)])
    site.until_stored(2)
    bodies = [e.body for e in site.reader.events_after(0, 9)]

    assert {"what": "store checked", "findings": []} in bodies


def test_ids_of_the_stores_own_events_stay_apart_over_errors(site: Site, disk: Disk) -> None:
    """Each look through the file is an event with a count of its own, whatever happened to the commit it was in."""
    writer = site.started()
    for after in (False, True, False):
        told = len(site.reader.events_after(0, 99))
        disk.faults.append(Fault("COMMIT", SYNC_FAILED, after=after))
        writer.put([event(told + 1)])
        site.until_stored(told + 2)
    counts = [e.count for e in site.reader.events_after(0, 99) if e.count < 0]

    assert counts == [-1, -2, -3]


def test_several_of_the_stores_own_events_in_one_commit_have_their_own_ids() -> None:
    """A loss and a finding may go to disk together."""
    waiting = Waiting(1)
    waiting.put([reading(1), reading(2)])
    waiting.report({"what": "store checked"})
    waiting.report({"what": "store checked"})
    rows = rows_of(waiting.take(), (1, 2), last_n=10, own_count=-4, monotonic_ns=5)

    assert [(row[0], row[1]) for row in rows.events] == [(11, -4), (12, -5), (13, -6)]


def test_memory_is_bounded_and_the_loss_is_recorded(site: Site, disk: Disk) -> None:
    """Readings go first and oldest first, every event stays, and the first commit tells what is missing."""
    writer = site.started(waiting_limit=100)
    disk.faults.append(Fault("BEGIN", FULL, times=1_000_000))
    writer.put([event(1)])
    site.heard.until(lambda: bool(site.heard.troubles), "the trouble")
    for count in range(2, 1002):
        writer.put([event(count) if count % 50 == 0 else reading(count)])
    disk.faults.clear()
    site.heard.until(lambda: site.heard.troubles[-1] is None, "recovery")
    writer.stop(5)
    events = site.reader.events_after(0, 9999)
    readings = site.reader.readings_after(0, 9999)
    lost = [e for e in events if e.count < 0]

    assert [e.count for e in events if e.count > 0] == [1, *range(50, 1002, 50)]
    assert [r.count for r in readings] == [c for c in range(readings[0].count, 1002) if c % 50]
    assert len(lost) == 1
    assert (lost[0].kind, lost[0].subject) == (EventKind.RUN, STORE_SUBJECT)
    assert lost[0].body == {
        "what": "records lost",
        "readings": 980 - len(readings),
        "events": 0,
        "first_count": 2,
        "last_count": readings[0].count - 1,
    }
    assert lost[0].n == 1


def test_two_losses_are_two_records(site: Site, disk: Disk) -> None:
    """Counts of the store's own events go on downwards, so that every id is used once."""
    writer = site.started(waiting_limit=10)
    for stage in (1, 2):
        site.heard.troubles.clear()
        fault = Fault("BEGIN", FULL, times=1_000_000)
        disk.faults.append(fault)
        writer.put([reading(stage * 100 + i) for i in range(30)])
        site.heard.until(lambda: bool(site.heard.troubles), "the trouble")
        fault.times = 0
        site.heard.until(lambda: site.heard.troubles[-1] is None, "recovery")
    writer.stop(5)

    assert [e.count for e in site.reader.events_after(0, 99)] == [-1, -2]


def test_stop_on_a_disk_that_stays_full_gives_up_in_time_and_says_so(site: Site, disk: Disk) -> None:
    """A stop never hangs, and what is not on disk is not called written."""
    writer = site.started()
    disk.faults.append(Fault("INSERT INTO event", FULL, times=1_000_000))
    writer.put([event(1)])

    assert not writer.stop(0.1)
    assert [run.ended for run in site.reader.runs()] == [False]


def test_checkpoint_that_fails_is_a_trouble_and_loses_nothing(
    site: Site, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full disk the checkpoint fails too; commits that fit into the log go on."""
    monkeypatch.setattr("quietbench.daemon.store.book._CHECKPOINT_COMMITS", 1)
    writer = site.started()
    disk.faults.append(Fault("PRAGMA wal_checkpoint", FULL))
    writer.put([event(1)])
    site.heard.until(lambda: bool(site.heard.troubles), "the trouble")
    writer.put([event(2)])
    site.heard.until(lambda: site.heard.troubles[-1] is None, "its end")

    assert numbers_and_counts(site.reader) == [(1, 1), (2, 2)]


def test_listener_that_raises_does_not_end_the_thread(site: Site) -> None:
    """A mistake elsewhere must not cost every later record."""

    def broken() -> None:
        raise RuntimeError("broken listener")

    writer = site.writer()
    writer._committed = broken
    writer.start(run_start(site.clock))
    writer.put([event(1)])
    site.until_stored(1)
    writer._committed = site.heard.committed
    writer.put([event(2)])
    site.until_stored(2)

    assert numbers_and_counts(site.reader) == [(1, 1), (2, 2)]


# -- real disks ----------------------------------------------------------------------------------------------


@contextmanager
def mounted(folder: Path, options: str) -> Iterator[Path]:
    """A small file system in memory; skips where this user may not mount."""
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode != 0:
        pytest.skip("needs to mount a tmpfs: run as root")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def written_or_failing(site: Site, n: int) -> bool:
    return bool(site.heard.troubles) or site.reader.last_n() >= n


def test_full_disk_and_space_again(tmp_path: Path) -> None:
    """On a real file system that fills up: nothing vanishes without a record, and all goes on with space."""
    with mounted(tmp_path / "disk", "size=1m") as disk_folder:
        ballast = disk_folder / "ballast"
        ballast.write_bytes(b"x" * 600_000)
        site = Site(disk_folder / "store")
        writer = site.started(waiting_limit=2000)
        count = 0
        while not site.heard.troubles and count < 100_000:
            writer.put([reading(count + i) for i in range(1, 101)])
            count += 100
            site.heard.until(partial(written_or_failing, site, count))
        for _ in range(50):
            writer.put([reading(count + i) for i in range(1, 101)])
            count += 100
        count += 1
        writer.put([event(count)])
        assert site.heard.troubles, "the disk never filled"
        assert "full" in str(site.heard.troubles[0])
        ballast.unlink()
        site.heard.until(lambda: site.heard.troubles[-1] is None, "recovery")
        assert writer.stop(5)
        events = site.reader.events_after(0, 999_999)
        stored = len(site.reader.readings_after(0, 999_999)) + sum(e.count > 0 for e in events)
        lost = sum(int(str(e.body["readings"])) for e in events if e.body.get("what") == "records lost")
        numbers = [n for n, _ in numbers_and_counts(site.reader)]
        checked = site.rows("PRAGMA quick_check")
        site.close()

    assert stored + lost == count
    assert numbers == list(range(1, len(numbers) + 1))
    assert checked == [("ok",)]


def test_full_disk_at_start_is_an_error_that_may_pass(tmp_path: Path) -> None:
    """Without a run number on disk nothing starts; with space it does."""
    with mounted(tmp_path / "disk", "size=64k") as disk_folder:
        ballast = disk_folder / "ballast"
        ballast.write_bytes(b"x" * 40_000)
        site = Site(disk_folder / "store")
        writer = site.writer()
        with pytest.raises(StoreError, match="full") as caught:
            writer.start(run_start(site.clock))
        assert caught.value.retryable
        subprocess.run(["mount", "-o", "remount,size=2m", str(disk_folder)], check=True)

        assert writer.start(run_start(site.clock)) == 1
        site.close()


def test_read_only_disk_at_start_is_told_with_what_to_do(tmp_path: Path) -> None:
    """A read-only mount is an error with the path and the advice, not a traceback."""
    with mounted(tmp_path / "disk", "size=1m,ro") as disk_folder:
        site = Site(disk_folder / "store")
        with pytest.raises(StoreError, match="store"):
            site.writer().start(run_start(site.clock))
