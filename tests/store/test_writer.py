"""The writer: numbers, when things are on disk, runs, people, cursors, and its own life."""

from __future__ import annotations

import logging
import math
import os
import threading
from pathlib import Path

import pytest

from quietbench.daemon.core.records import EventKind, Record
from quietbench.daemon.store import book, connect
from quietbench.daemon.store.errors import StoreRefusedError
from quietbench.daemon.store.migrate import newest
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import FILE_NAME, STORE_SUBJECT
from quietbench.drivers.samples import Reason
from tests.store.faulty import Disk
from tests.store.kit import NS, Site, event, in_order, numbers_and_counts, reading, run_start

NEVER_S = 3600.0


def test_numbers_are_consecutive_in_the_order_of_output(site: Site) -> None:
    """Readings and events share one sequence, whatever commits they fell into."""
    records: list[Record] = [reading(1), reading(2), event(3), reading(4), event(5), event(6), reading(7)]
    writer = site.started()
    for record in records:
        writer.put([record])
    assert writer.stop(5)

    assert numbers_and_counts(site.reader) == in_order(records)


def test_next_run_goes_on_with_the_numbers(site: Site) -> None:
    """Numbers never begin anew; counts do, under another run."""
    for _ in range(2):
        writer = site.started()
        writer.put([reading(1), event(2)])
        writer.stop(5)

    assert [(r.n, r.run, r.count) for r in site.reader.readings_after(0, 9)] == [(1, 1, 1), (3, 2, 1)]
    assert [(e.n, e.run, e.count) for e in site.reader.events_after(0, 9)] == [(2, 1, 2), (4, 2, 2)]


def test_run_is_on_disk_before_start_returns(site: Site, disk: Disk) -> None:
    """No id can be used twice: the run's number is synced before the first sample."""
    writer = site.writer()
    number = writer.start(run_start(site.clock))
    assert writer._book is not None
    synchronous = writer._book._connection.execute("PRAGMA synchronous").fetchone()
    left_by_a_cut = site.image(site.folder.with_name("image"))

    assert [run.run for run in left_by_a_cut.reader.runs()] == [number]
    assert synchronous == (2,)  # FULL
    assert disk.said[disk.said.index(book._RUN) :].count("COMMIT") == 1
    left_by_a_cut.close()


def test_event_is_committed_at_once_with_what_came_before(site: Site) -> None:
    """An event does not wait for the next commit, and nothing overtakes it."""
    writer = site.started(commit_every_s=NEVER_S)
    writer.put([reading(1), reading(2)])
    writer.put([event(3)])
    site.until_stored(3)

    assert numbers_and_counts(site.reader) == [(1, 1), (2, 2), (3, 3)]


def test_readings_wait_for_the_next_commit(site: Site) -> None:
    """Group commit: readings alone cause no write of their own, and a stop leaves none behind."""
    writer = site.started(commit_every_s=NEVER_S)
    for count in range(1, 101):
        writer.put([reading(count)])
    waiting = site.reader.last_n()
    assert writer.stop(5)

    assert waiting == 0
    assert site.rows("SELECT first, last FROM commit_span") == [(1, 100)]


def test_many_readings_do_not_wait(site: Site) -> None:
    """A flood is written before it fills the memory."""
    writer = site.started(commit_every_s=NEVER_S, waiting_limit=80)
    writer.put([reading(count) for count in range(1, 11)])
    site.until_stored(10)

    assert site.heard.troubles == []


def test_events_are_synced_and_readings_are_not(site: Site, disk: Disk) -> None:
    """synchronous=FULL stands while an event is committed, NORMAL while readings are; set outside transactions."""
    writer = site.started()
    writer.put([reading(1)])
    site.until_stored(1)
    writer.put([event(2)])
    site.until_stored(2)
    writer.put([reading(3)])
    site.until_stored(3)
    said = [s for s in disk.said if s.startswith(("PRAGMA synchronous", "BEGIN", "COMMIT"))]
    transaction = ["BEGIN IMMEDIATE", "COMMIT"]

    assert said[-9:] == [
        "PRAGMA synchronous = NORMAL", *transaction,
        "PRAGMA synchronous = FULL", *transaction,
        "PRAGMA synchronous = NORMAL", *transaction,
    ]  # fmt: skip


def test_second_writer_is_refused_while_the_first_lives(site: Site) -> None:
    """One folder, one writer: the second is told who has it, and may have it afterwards."""
    first = site.started()

    with pytest.raises(StoreRefusedError, match=rf"another watcher \(process {os.getpid()}\)"):
        site.writer().start(run_start(site.clock))

    first.stop(5)
    assert site.writer().start(run_start(site.clock)) == 2


def test_start_that_failed_may_be_tried_again(site: Site, disk: Disk) -> None:
    """A failed start leaves neither lock nor connection behind."""
    site.folder.mkdir()
    (site.folder / FILE_NAME).write_bytes(b"x" * 5000)
    writer = site.writer()
    with pytest.raises(OSError, match="no database"):
        writer.start(run_start(site.clock))
    (site.folder / FILE_NAME).unlink()

    assert writer.start(run_start(site.clock)) == 1


def test_writer_that_was_refused_is_in_nobodys_way(site: Site) -> None:
    """A refused start gives the lock back: whoever mends the store need not end the process first."""
    site.started().stop(5)
    refused = site.writer()
    for version in (9001, newest()):
        connection = connect.open_for_writing(site.folder)
        connection.execute(f"PRAGMA user_version = {version}")
        connection.close()
        if version == 9001:
            with pytest.raises(StoreRefusedError):
                refused.start(run_start(site.clock))

    assert site.writer().start(run_start(site.clock)) == 2


@pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf, 2**63, -(2**70)])
def test_raw_that_can_not_be_stored_becomes_no_value_with_a_reason(site: Site, raw: float) -> None:
    """NaN would turn into NULL without a word, and a long integer would stop the writer."""
    writer = site.started()
    writer.put([reading(1)._replace(raw=raw), reading(2)])
    writer.stop(5)
    first, second = site.reader.readings_after(0, 9)

    assert (first.raw, first.value, first.reason) == (None, None, Reason.OUT_OF_SPAN)
    assert first.given is Reason.OUT_OF_SPAN
    assert second.raw == 1


def test_event_body_json_can_not_say_is_kept_without_it(site: Site) -> None:
    """No body keeps an event from the disk."""
    writer = site.started()
    writer.put([event(1, body={"value": math.nan, "deep": [{"u": math.inf}], "odd": {1: Path("x")}})])
    writer.stop(5)

    (stored,) = site.reader.events_after(0, 9)
    assert stored.body == {"value": None, "deep": [{"u": None}], "odd": {"1": repr(Path("x"))}}


def test_cursors_survive_and_never_go_back(site: Site) -> None:
    """Each sink and stream has its own, and a late smaller number changes nothing."""
    writer = site.started()
    writer.advance("broker", "events", 7)
    writer.advance("broker", "readings", 3)
    writer.advance("broker", "events", 5)
    writer.stop(5)
    writer = site.started()
    writer.advance("broker", "events", 6)
    writer.stop(5)

    assert site.reader.cursor("broker", "events") == 7
    assert site.reader.cursor("broker", "readings") == 3
    assert site.reader.cursor("history", "events") == 0


def test_cursors_ride_along_with_one_commit(site: Site, disk: Disk) -> None:
    """A cursor moves as often as it likes for one write."""
    writer = site.started(commit_every_s=NEVER_S)
    commits = disk.said.count("COMMIT")
    for n in range(1, 1001):
        writer.advance("broker", "readings", n)
    writer.put([event(1)])
    site.until_stored(1)

    assert disk.said.count("COMMIT") == commits + 1
    assert site.reader.cursor("broker", "readings") == 1000


def test_refused_record_is_set_aside_once(site: Site) -> None:
    """What a far end refused is kept with its reason; telling it twice is harmless."""
    writer = site.started()
    for _ in range(2):
        writer.set_aside("history", "readings", 12, "field type conflict")
        writer.put([event(1)])
    writer.stop(5)

    query = "SELECT sink, stream, n, why, run FROM set_aside"
    assert site.rows(query) == [("history", "readings", 12, "field type conflict", 1)]


def test_person_has_one_id_for_good(site: Site) -> None:
    """The name stands in one place; the id is the same in every run."""
    writer = site.started()
    first = [writer.person("Ines Okoro"), writer.person("Per Lindqvist"), writer.person("Ines Okoro")]
    writer.stop(5)
    writer = site.started()

    assert first == ["p1", "p2", "p1"]
    assert writer.person("Per Lindqvist") == "p2"
    assert writer.person("Ada Nwosu") == "p3"
    writer.stop(5)
    assert site.reader.people() == {"p1": "Ines Okoro", "p2": "Per Lindqvist", "p3": "Ada Nwosu"}


def test_id_given_out_before_a_power_cut_is_given_to_nobody_else(site: Site) -> None:
    """An id may have been sent out with an event that the cut took: it must not come to mean another person."""
    writer = site.started(commit_every_s=NEVER_S)
    sent_out = writer.person("Ines Okoro")
    first_cut = site.image(site.folder.with_name("first"))
    other = first_cut.started(commit_every_s=NEVER_S)
    sent_out_later = other.person("Per Lindqvist")
    second_cut = first_cut.image(site.folder.with_name("second"))
    third = second_cut.started().person("Ada Nwosu")

    assert len({sent_out, sent_out_later, third}) == 3
    first_cut.close()
    second_cut.close()


def test_progress_grows_while_nothing_happens_and_stands_while_stuck(site: Site, disk: Disk) -> None:
    """A supervisor can tell an idle thread from one that hangs in the disk."""
    stuck, free = threading.Event(), threading.Event()

    def hang(statement: str) -> None:
        if stuck.is_set() and statement == "COMMIT":
            free.wait(20)

    disk.before = hang
    writer = site.started()
    before = writer.progress
    site.heard.until(lambda: writer.progress > before + 3, "progress")
    stuck.set()
    writer.put([event(1)])
    site.heard.until(lambda: disk.said[-1] == "COMMIT", "the commit that hangs")
    held = writer.progress
    stopped = writer.stop(0.01)

    assert not stopped
    assert writer.progress == held
    free.set()
    site.until_stored(1)


def test_clean_stop_leaves_one_file_and_the_end_of_the_run(site: Site) -> None:
    """After a stop nothing is left in the log, and the next start has nothing to check."""
    writer = site.started()
    writer.put([event(1), reading(2)])
    assert writer.stop(5)
    log = site.folder / f"{FILE_NAME}-wal"
    assert not log.exists()

    assert [(run.first_n, run.last_n, run.ended) for run in site.reader.runs()] == [(1, 2, True)]
    site.started().stop(5)
    assert site.rows("SELECT inspect FROM run") == [(0,), (0,)]


def test_stop_is_harmless_twice_and_before_start(site: Site) -> None:
    """Supervisors may stop what they like."""
    assert site.writer().stop(1)
    writer = site.started()
    assert writer.stop(5)
    assert writer.stop(5)


def test_folder_and_files_are_the_owners_to_write_and_the_groups_to_read(site: Site) -> None:
    """A reader in the group can read and can't leave files of its own."""
    mask = os.umask(0o077)
    try:
        writer = site.started()
    finally:
        os.umask(mask)
    writer.put([event(1)])
    site.until_stored(1)
    modes = {path.name: path.stat().st_mode & 0o777 for path in site.folder.iterdir()}
    files = {name: mode for name, mode in modes.items() if name.startswith(FILE_NAME)}

    assert site.folder.stat().st_mode & 0o777 == 0o750
    assert files == dict.fromkeys([FILE_NAME, f"{FILE_NAME}-wal", f"{FILE_NAME}-shm"], 0o640)


def test_store_after_an_unclean_stop_is_checked_and_says_so(site: Site) -> None:
    """The check runs beside the work, and its outcome is a record of the store's own."""
    site.started().put([event(1)])
    site.until_stored(1)
    cut = site.image(site.folder.with_name("image"))
    cut.started()
    cut.until_stored(2)
    (found,) = cut.reader.events_after(1, 9)

    assert (found.count, found.kind, found.subject) == (-1, EventKind.RUN, STORE_SUBJECT)
    assert found.body == {"what": "store checked", "findings": []}
    assert cut.heard.troubles == []
    cut.close()


def test_check_that_was_broken_off_is_made_at_the_next_start(site: Site) -> None:
    """A clean stop in the middle of the check does not make the file checked."""
    site.started().stop(5)
    connection = connect.open_for_writing(site.folder)
    connection.execute("UPDATE run_end SET inspected = 0")
    connection.close()
    site.started()
    site.until_stored(1)

    assert site.reader.events_after(0, 9)[0].body["what"] == "store checked"


def test_damage_is_told_and_work_goes_on(site: Site) -> None:
    """A torn page is found after the cut; new records are still written, and the trouble stands."""
    writer = site.started()
    for start in range(1, 4001, 500):
        writer.put([reading(count) for count in range(start, start + 500)])
    writer.stop(5)
    connection = connect.open_for_writing(site.folder)
    connection.execute("DELETE FROM run_end")
    pages = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'set_aside'").fetchone()
    connection.close()
    with (site.folder / FILE_NAME).open("r+b") as file:
        file.seek((pages[0] - 1) * 4096)
        file.write(b"\xff" * 4096)
    writer = site.started()
    site.heard.until(lambda: bool(site.heard.troubles), "the finding")
    writer.put([event(1)])
    site.until_stored(4002)

    assert "damaged" in str(site.heard.troubles)
    assert None not in site.heard.troubles


def test_versions_with_the_log_reset_fault_are_named(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log says which SQLite this is, and whether it needs the single writer to be safe."""
    caplog.set_level(logging.INFO)
    for version, faulty in (((3, 40, 1), True), ((3, 51, 3), False), ((3, 50, 7), False), ((3, 51, 0), True)):
        caplog.clear()
        monkeypatch.setattr("sqlite3.sqlite_version_info", version)
        connect.log_version()
        assert ("WAL-reset" in caplog.text) is faulty


def test_log_is_moved_into_the_file_by_the_writer_now_and_then(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no reader in the way the log stays small however much is written."""
    monkeypatch.setattr(book, "_CHECKPOINT_COMMITS", 20)
    writer = site.started()
    for count in range(1, 400):
        writer.put([event(count)])
        site.until_stored(count)
    log = (site.folder / f"{FILE_NAME}-wal").stat().st_size

    assert log < 400 * 4096


def test_forgotten_read_transaction_stops_nothing_and_the_log_shrinks_after_it(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that never ends its snapshot costs disk, not records; then the log is cut back."""
    monkeypatch.setattr(book, "_CHECKPOINT_COMMITS", 10)
    monkeypatch.setattr(book, "WAL_LIMIT_BYTES", 200_000)
    writer = site.started()
    writer.put([event(1)])
    site.until_stored(1)
    reader = StoreReader(site.folder)
    reader.last_n()
    forgotten = reader._access._connection
    assert forgotten is not None
    forgotten.execute("BEGIN")
    assert forgotten.execute("SELECT count(*) FROM event").fetchone() == (1,)
    log = site.folder / f"{FILE_NAME}-wal"
    count = 1
    while log.stat().st_size < 400_000:
        count += 1
        writer.put([event(count)])
        site.until_stored(count)
    seen = forgotten.execute("SELECT count(*) FROM event").fetchone()
    forgotten.execute("ROLLBACK")
    for _ in range(40):
        count += 1
        writer.put([event(count)])
        site.until_stored(count)

    assert seen == (1,)
    assert log.stat().st_size < 200_000
    assert numbers_and_counts(site.reader) == [(n, n) for n in range(1, count + 1)]
    assert site.heard.troubles == []
    reader.close()


def test_monotonic_durations_are_kept_to_the_nanosecond(site: Site) -> None:
    """Times of records are what the core said, not when they were written."""
    start = 5 * NS + 123_456_789
    writer = site.started()
    writer.put([reading(1, monotonic_ns=start), event(2, monotonic_ns=start + 1)])
    writer.stop(5)

    assert site.reader.readings_after(0, 1)[0].monotonic_ns == start
    assert site.reader.events_after(0, 1)[0].monotonic_ns == start + 1
