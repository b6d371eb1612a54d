"""A writer or a reader as a process of its own, another user's if asked, driven by lines on its standard input.

Run as ``python -m tests.store.process writer|reader FOLDER [UID GID]`` from the tree's top. Each line gets one line
of answer; the process ends with its input.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from quietbench.daemon.store.errors import StoreError
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.writer import StoreWriter
from tests.store.kit import Site, event, reading, run_start

TOP = Path(__file__).parents[2]


class Process:
    """The parent's end."""

    def __init__(self, role: str, folder: Path, user: tuple[int, int] | None = None) -> None:
        words = [] if user is None else [str(number) for number in user]
        self._child = subprocess.Popen(
            [sys.executable, "-m", "tests.store.process", role, str(folder), *words],
            cwd=TOP,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def send(self, line: str) -> None:
        assert self._child.stdin is not None
        self._child.stdin.write(line + "\n")
        self._child.stdin.flush()

    def hear(self) -> str:
        assert self._child.stdout is not None
        return self._child.stdout.readline().strip()

    def ask(self, line: str) -> str:
        self.send(line)
        return self.hear()

    def rest(self) -> list[str]:
        """Whatever it had said before it ended."""
        assert self._child.stdout is not None
        return self._child.stdout.read().split("\n")

    def kill(self) -> None:
        self._child.kill()
        self._child.wait(20)

    def end(self) -> None:
        for pipe in (self._child.stdin, self._child.stdout):
            assert pipe is not None
            pipe.close()
        if self._child.poll() is None:
            self._child.kill()
        self._child.wait(20)


@contextmanager
def process(role: str, folder: Path, user: tuple[int, int] | None = None) -> Iterator[Process]:
    """A process that does not outlive the block."""
    child = Process(role, folder, user)
    try:
        yield child
    finally:
        child.end()


# -- the child's end -----------------------------------------------------------------------------------------


def say(text: object) -> None:
    print(text, flush=True)


def become(uid: int, gid: int) -> None:
    """Everything is imported by now: the other user need not be able to read this tree."""
    os.setgroups([])
    os.setgid(gid)
    os.setuid(uid)


def serve_writer(folder: Path) -> None:
    site = Site(folder)
    writer: StoreWriter | None = None
    count = 0
    for line in sys.stdin:
        word, _, number = line.strip().partition(" ")
        try:
            if word == "start":
                writer, count = site.writer(), 0
                say(f"run {writer.start(run_start(site.clock))}")
            elif word == "limit":
                limit = int(number) if number else resource.RLIM_INFINITY
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
                say("limited")
            elif word == "trouble":
                site.heard.until(lambda: bool(site.heard.troubles))
                say(site.heard.troubles[0])
            elif word == "recovery":
                site.heard.until(lambda: site.heard.troubles[-1] is None)
                say("recovered")
            elif word == "flood":
                flood(site, writer, count)
            elif writer is not None and word == "send":
                writer.put([reading(count + i) for i in range(1, int(number) + 1)])
                count += int(number)
                say(count)
            elif writer is not None and word == "put":
                count = put(site, writer, count, int(number))
                say(count)
            elif writer is not None and word == "stop":
                site.reader.close()
                say(writer.stop(5))
        except (StoreError, OSError) as error:
            say(f"error {type(error).__name__}: {error}")


def put(site: Site, writer: StoreWriter, count: int, number: int) -> int:
    """Put readings and an event behind them; return when another connection sees them committed.

    The number of commits would not do: the store writes something of its own after an unclean stop.
    """
    before = site.reader.last_n()
    count += number
    writer.put([*(reading(count - i) for i in range(number - 1, 0, -1)), event(count)])
    site.heard.until(
        lambda: any(e.count == count for e in site.reader.events_after(before, 99)), "the commit"
    )
    return count


def flood(site: Site, writer: StoreWriter | None, count: int) -> None:
    """Write for ever, and say after each commit which count is on disk."""
    assert writer is not None
    while True:
        count = put(site, writer, count, 1 + count % 37)
        say(count)


def serve_reader(folder: Path) -> None:
    reader = StoreReader(folder)
    for line in sys.stdin:
        try:
            if line.strip() == "close":
                reader.close()
                say("closed")
            elif line.strip() == "count":
                counts = len(reader.events_after(0, 999_999)) + len(reader.readings_after(0, 999_999))
                say(f"{reader.last_n()} {counts}")
            elif line.strip() == "hold":
                reader.last_n()
                connection = reader._access._connection
                assert connection is not None
                connection.execute("BEGIN")
                connection.execute("SELECT count(*) FROM reading").fetchone()
                say("held")
        except StoreError as error:
            say(f"error {type(error).__name__}: {error}")


def main(role: str, folder: str, *user: str) -> None:
    if user:
        become(int(user[0]), int(user[1]))
    serve_writer(Path(folder)) if role == "writer" else serve_reader(Path(folder))


if __name__ == "__main__":
    main(*sys.argv[1:])
