"""Two users: the watcher writes, the page's user only reads, before, during and after, stopped and killed."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietbench.daemon.store.stored import FILE_NAME
from tests.store.process import process

GROUP = 54_321
WATCHER = (54_321, GROUP)
PAGE = (54_322, GROUP)
STRANGER = (54_323, 54_323)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs to become other users: run as root"),
]


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder of the watcher's that the page's user can reach; pytest's own folders are private."""
    top = Path(tempfile.mkdtemp(prefix="store-"))
    top.chmod(0o755)
    folder = top / "store"
    folder.mkdir()
    os.chown(folder, *WATCHER)
    folder.chmod(0o750)
    yield folder
    shutil.rmtree(top)


def test_page_before_during_and_after_a_watcher_that_stops(folder: Path) -> None:
    """One reader stays open through everything; another comes fresh each time. Neither leaves a file behind."""
    with process("writer", folder, WATCHER) as watcher, process("reader", folder, PAGE) as page:
        assert "start the watcher once" in page.ask("count")
        assert watcher.ask("start") == "run 1"
        watcher.ask("put 10")
        assert page.ask("count") == "10 10"
        watcher.ask("put 5")
        assert page.ask("count") == "15 15"
        assert watcher.ask("stop") == "True"
        assert page.ask("count") == "15 15"
        with process("reader", folder, PAGE) as fresh:
            assert fresh.ask("count") == "15 15"
        assert watcher.ask("start") == "run 2"
        watcher.ask("put 3")
        assert page.ask("count") == "18 18"
        assert watcher.ask("stop") == "True"
        assert page.ask("count") == "18 18"
    assert {path.stat().st_uid for path in folder.iterdir()} == {WATCHER[0]}


def test_page_after_a_clean_stop_without_a_log_then_a_new_watcher(folder: Path) -> None:
    """The log is gone, so the file is read as it is; a watcher that starts is followed at the next read."""
    with process("writer", folder, WATCHER) as watcher:
        watcher.ask("start")
        watcher.ask("put 10")
        watcher.ask("stop")
        assert not (folder / f"{FILE_NAME}-wal").exists()
        with process("reader", folder, PAGE) as page:
            assert page.ask("count") == "10 10"
            assert sorted(path.name for path in folder.iterdir()) == [FILE_NAME, "writer.lock"]
            assert watcher.ask("start") == "run 2"
            watcher.ask("put 10")
            assert page.ask("count") == "20 20"
            watcher.ask("stop")
            assert page.ask("count") == "20 20"
        with process("reader", folder, PAGE) as page:
            assert page.ask("count") == "20 20"
            # A start and a stop between two reads leave no trace but the file itself.
            watcher.ask("start")
            watcher.ask("put 10")
            watcher.ask("stop")
            assert page.ask("count") == "30 30"


def test_page_while_and_after_the_watcher_is_killed(folder: Path) -> None:
    """The log stays behind with what was committed; it is read, and the next watcher starts all the same."""
    with process("reader", folder, PAGE) as page:
        with process("writer", folder, WATCHER) as watcher:
            watcher.ask("start")
            watcher.ask("put 10")
            assert page.ask("count") == "10 10"
            watcher.ask("put 10")
            watcher.kill()
        assert (folder / f"{FILE_NAME}-wal").exists()
        assert page.ask("count") == "20 20"
        with process("reader", folder, PAGE) as fresh:
            assert fresh.ask("count") == "20 20"
            with process("writer", folder, WATCHER) as watcher:
                assert watcher.ask("start") == "run 2"
                watcher.ask("put 10")
                # Ten more, and the store's own word that it was checked.
                assert page.ask("count") in ("30 30", "31 31")
                assert fresh.ask("count") in ("30 30", "31 31")
                watcher.ask("stop")
            assert fresh.ask("count") in ("30 30", "31 31")


def test_page_that_comes_only_after_the_kill(folder: Path) -> None:
    """Nobody has the file open when it comes, and it may not write what reading a log would want to."""
    with process("writer", folder, WATCHER) as watcher:
        watcher.ask("start")
        watcher.ask("put 10")
        watcher.kill()
    with process("reader", folder, PAGE) as page:
        assert page.ask("count") == "10 10"
        page.ask("close")
        assert page.ask("count") == "10 10"
    with process("writer", folder, WATCHER) as watcher:
        assert watcher.ask("start") == "run 2"
    assert {path.stat().st_uid for path in folder.iterdir()} == {WATCHER[0]}


def test_page_that_holds_a_snapshot_keeps_no_watcher_from_writing_or_starting(folder: Path) -> None:
    """A hung page costs disk, never a record."""
    with process("reader", folder, PAGE) as page, process("writer", folder, WATCHER) as watcher:
        watcher.ask("start")
        watcher.ask("put 10")
        assert page.ask("hold") == "held"
        assert watcher.ask("put 10") == "20"
        assert watcher.ask("stop") == "True"
        assert watcher.ask("start") == "run 2"
        assert watcher.ask("put 10") == "10"
        with process("reader", folder, PAGE) as fresh:
            assert fresh.ask("count") == "30 30"


def test_watchers_own_user_may_read_as_well(folder: Path) -> None:
    """The command line runs as the watcher's user or as root; it must not disturb either."""
    for user in (WATCHER, (0, 0)):
        with process("writer", folder, WATCHER) as watcher, process("reader", folder, user) as reader:
            watcher.ask("start")
            watcher.ask("put 10")
            first = reader.ask("count")
            watcher.kill()
            assert reader.ask("count") == first
            reader.ask("close")
            assert reader.ask("count") == first
    assert {path.stat().st_uid for path in folder.iterdir()} == {WATCHER[0]}


def test_who_is_not_in_the_group_reads_nothing(folder: Path) -> None:
    """The records are the site's own."""
    with process("writer", folder, WATCHER) as watcher, process("reader", folder, STRANGER) as stranger:
        watcher.ask("start")
        watcher.ask("put 10")

        assert "Permission denied" in stranger.ask("count")


def test_writer_that_may_not_write_says_so(folder: Path) -> None:
    """Wrong owner or mode: an error with the file and the cause."""
    with process("writer", folder, PAGE) as wrong:
        answer = wrong.ask("start")

    assert answer.startswith("error StoreError: store ")
    assert "Permission denied" in answer


def test_second_watcher_in_another_process_is_refused(folder: Path) -> None:
    """The lock goes with the process, however it ends."""
    with process("writer", folder, WATCHER) as second:
        with process("writer", folder, WATCHER) as first:
            assert first.ask("start") == "run 1"
            refused = second.ask("start")
            first.kill()
        assert refused.startswith("error StoreRefusedError")
        assert "another watcher (process" in refused
        assert second.ask("start") == "run 2"
