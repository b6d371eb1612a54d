"""What tests of the store share: a clock that can step, a small plan, records, a writer that reports."""

from __future__ import annotations

import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietbench.daemon.clock import Clock, Stamp
from quietbench.daemon.core.codec import channel_spec, plan_to_json
from quietbench.daemon.core.convert import Contact, Divider
from quietbench.daemon.core.plan import Channel, Plan
from quietbench.daemon.core.quality import quality_of
from quietbench.daemon.core.records import Event, EventKind, Reading, Record
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import FILE_NAME, RunStart
from quietbench.daemon.store.writer import StoreWriter
from quietbench.drivers.samples import Reason

NS = 1_000_000_000
WALL_NS = 1_930_000_000 * NS
CHANNELS = (
    Channel("bench-1/strap", "strap_contact", "1", Contact()),
    Channel("bench-1/mat", "mat_resistance", "ohm", Divider(series_ohm=1e7)),
)
PATIENCE_S = 20.0


@dataclass(slots=True)
class SteppedClock(Clock):
    """Runs as the machine's monotonic clock does; its wall time is put where a test wants it."""

    boot: str = "boot-1"
    offset_ns: int = WALL_NS
    is_known: bool = True

    def stamp(self) -> Stamp:
        monotonic_ns = self.monotonic_ns()
        return Stamp(monotonic_ns, monotonic_ns + self.offset_ns, self.is_known)

    def known(self) -> bool:
        return self.is_known


def run_start(clock: Clock, channels: Sequence[Channel] = CHANNELS) -> RunStart:
    """A run of the small plan, beginning now."""
    stamp = clock.stamp()
    plan = plan_to_json(Plan("site", "room", (), tuple(channels), "own"))
    specs = tuple((channel.name, channel_spec(channel)) for channel in channels)
    return RunStart(clock.boot, stamp.monotonic_ns, stamp.wall_ns, stamp.known, "0.1.0", plan, specs)


def reading(
    count: int,
    raw: float | None = 1,
    *,
    channel: int = 0,
    given: Reason | None = None,
    reason: Reason | None = None,
    monotonic_ns: int | None = None,
) -> Reading:
    """A kept reading, converted as the core would."""
    value, u, sense = None, None, Contact().convert(1).sense
    if raw is not None:
        value, u, sense, _ = CHANNELS[channel].conversion.convert(raw)
    when = time.monotonic_ns() if monotonic_ns is None else monotonic_ns
    reason = reason or given
    return Reading(channel, when, raw, given, value, u, sense, quality_of(reason), reason, True, count)


def event(
    count: int,
    kind: EventKind = EventKind.BENCH,
    subject: str = "bench-1",
    body: dict[str, object] | None = None,
    *,
    monotonic_ns: int | None = None,
) -> Event:
    """An event with some body."""
    when = time.monotonic_ns() if monotonic_ns is None else monotonic_ns
    return Event(count, when, kind, subject, {"to": "held"} if body is None else body)


@dataclass(slots=True)
class Listener:
    """Hears what a writer reports, and lets a test wait for it."""

    commits: int = 0
    troubles: list[str | None] = field(default_factory=list)
    news: threading.Condition = field(default_factory=threading.Condition)

    def committed(self) -> None:
        with self.news:
            self.commits += 1
            self.news.notify_all()

    def failing(self, text: str | None) -> None:
        with self.news:
            self.troubles.append(text)
            self.news.notify_all()

    def until(self, holds: Callable[[], bool], what: str = "it") -> None:
        """Wait until ``holds``; asks at each report, and now and then without."""
        deadline_s = time.monotonic() + PATIENCE_S
        while not holds():
            assert time.monotonic() < deadline_s, f"{what} did not happen; troubles: {self.troubles}"
            with self.news:
                self.news.wait(0.01)


class Site:
    """One store folder with the writers and readers a test opens on it; `close` ends them all."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = SteppedClock()
        self.heard = Listener()
        self._writers: list[StoreWriter] = []
        self._reader: StoreReader | None = None

    def writer(self, *, commit_every_s: float = 0.001, waiting_limit: int = 20_000) -> StoreWriter:
        """A writer that is not started yet."""
        writer = StoreWriter(
            self.folder,
            clock=self.clock,
            commit_every_s=commit_every_s,
            committed=self.heard.committed,
            failing=self.heard.failing,
            waiting_limit=waiting_limit,
        )
        self._writers.append(writer)
        return writer

    def started(self, *, commit_every_s: float = 0.001, waiting_limit: int = 20_000) -> StoreWriter:
        """A writer with a run of the small plan."""
        writer = self.writer(commit_every_s=commit_every_s, waiting_limit=waiting_limit)
        writer.start(run_start(self.clock))
        return writer

    @property
    def reader(self) -> StoreReader:
        """The one reader of this thread."""
        if self._reader is None:
            self._reader = StoreReader(self.folder)
        return self._reader

    def until_stored(self, n: int) -> None:
        """Wait until ``n`` records are there."""
        self.heard.until(lambda: self.reader.last_n() >= n, f"record {n} in the store")

    def image(self, folder: Path) -> Site:
        """What a power cut would leave at this moment, in another folder."""
        shutil.copytree(self.folder, folder)
        return Site(folder)

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Ask the file itself, after everything is closed or while the writer runs."""
        connection = sqlite3.connect((self.folder / FILE_NAME).as_uri() + "?mode=ro", uri=True)
        try:
            return connection.execute(query).fetchall()
        finally:
            connection.close()

    def close(self) -> None:
        if self._reader is not None:
            self._reader.close()
        for writer in self._writers:
            writer.stop(2.0)


def numbers_and_counts(reader: StoreReader) -> list[tuple[int, int]]:
    """(n, count) of everything in the store, in order."""
    events = [(e.n, e.count) for e in reader.events_after(0, 1_000_000)]
    readings = [(r.n, r.count) for r in reader.readings_after(0, 1_000_000)]
    return sorted(events + readings)


def in_order(records: Iterable[Record], first_n: int = 1) -> list[tuple[int, int]]:
    """(n, count) as they have to be in the store."""
    return [(n, record.count) for n, record in enumerate(records, first_n)]
