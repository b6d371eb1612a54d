"""kill -9 while it writes: what was told to be committed is there, in order, once."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import STORE_SUBJECT, StoredEvent, StoredReading
from tests.store.kit import Site
from tests.store.process import process


@pytest.mark.slow
def test_killed_writer_loses_nothing_it_was_told_is_committed(tmp_path: Path) -> None:
    """Several kills at random instants over one folder."""
    folder = tmp_path / "store"
    told: list[int] = []
    for _ in range(5):
        with process("writer", folder) as writer:
            assert writer.ask("start") == f"run {len(told) + 1}"
            writer.send("flood")
            heard = [writer.hear()]
            # A real wait: the instant of the kill is what is being varied.
            time.sleep(random.uniform(0.0, 0.15))
            writer.kill()
            heard += [line for line in writer.rest()[:-1] if line]
            told.append(int(heard[-1]))
    site = Site(folder)
    with StoreReader(folder) as reader:
        events, readings = reader.events_after(0, 9_999_999), reader.readings_after(0, 9_999_999)
        everything: list[StoredReading | StoredEvent] = [*events, *readings]
        everything.sort(key=lambda record: record.n)
        runs = reader.runs()
    checked = site.rows("PRAGMA quick_check")

    assert [record.n for record in everything] == list(range(1, len(everything) + 1))
    assert [run.ended for run in runs] == [False] * 5
    for run, committed in enumerate(told, 1):
        counts = [record.count for record in everything if record.run == run and record.count > 0]
        assert counts == list(range(1, len(counts) + 1))
        assert len(counts) >= committed
    assert all(e.subject == STORE_SUBJECT for e in events if e.count < 0)
    assert checked == [("ok",)]
    site.close()


@pytest.mark.slow
def test_file_that_may_not_grow_is_a_full_disk_too(tmp_path: Path) -> None:
    """A limit on file size stops writing as a full disk does; lifted, everything is written."""
    folder = tmp_path / "store"
    with process("writer", folder) as writer:
        writer.ask("start")
        writer.ask("put 10")
        writer.ask("limit 400000")
        sent = 0
        for _ in range(12):
            sent = int(writer.ask("send 1500"))
        assert "store" in writer.ask("trouble")
        writer.ask("limit")
        assert writer.ask("recovery") == "recovered"
        assert writer.ask("stop") == "True"
    site = Site(folder)
    events = site.reader.events_after(0, 999_999)
    stored = len(site.reader.readings_after(0, 999_999)) + sum(e.count > 0 for e in events)
    lost = sum(int(str(e.body["readings"])) for e in events if e.body.get("what") == "records lost")
    last_n = site.reader.last_n()
    site.close()

    assert stored + lost == sent
    assert last_n == stored + sum(e.count < 0 for e in events)
