"""A store's runs on one continuous time line, with everything that they recorded in its order."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from operator import attrgetter
from typing import TypeVar

from quietbench.daemon.core.codec import plan_from_json
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import EventKind
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import StoredEvent, StoredReading, StoredRun
from quietbench.daemon.upkeep.figures import Period
from quietbench.daemon.upkeep.occurrences import AlarmChange, change_of

__all__ = ["History", "Run", "StoredRecord"]

_PAGE = 5000

StoredRecord = StoredReading | StoredEvent
T = TypeVar("T", StoredReading, StoredEvent)


@dataclass(frozen=True, slots=True)
class Run:
    """One start of a watcher on the time line: monotonic time plus ``offset_ns`` is UTC (ns).

    One offset for the whole run: durations are those of the monotonic clock, whatever the wall clock was set to.
    """

    stored: StoredRun
    offset_ns: int
    clock_known: bool
    first_ns: int
    last_ns: int

    @property
    def number(self) -> int:
        """Get the run's number."""
        return self.stored.run

    def at_ns(self, monotonic_ns: int) -> int:
        """Return where a time of this run lies on the time line."""
        return monotonic_ns + self.offset_ns


class History:
    """Reads what upkeep needs from a store; raises `StoreError` where it can't be read."""

    def __init__(self, reader: StoreReader) -> None:
        self._reader = reader
        self.runs: tuple[Run, ...] = tuple(
            run for stored in reader.runs() if (run := self._placed(stored)) is not None
        )

    def _placed(self, stored: StoredRun) -> Run | None:
        """Return a run with its place in time, or None for one that left no record."""
        first, last = (self._record_after(n) for n in (stored.first_n - 1, stored.last_n - 1))
        if first is None or last is None or stored.last_n < stored.first_n:
            return None
        offset_ns = first.wall_ns - first.monotonic_ns
        first_ns = first.monotonic_ns + offset_ns
        return Run(
            stored, offset_ns, first.clock_known, first_ns, max(last.monotonic_ns + offset_ns, first_ns)
        )

    def _record_after(self, n: int) -> StoredRecord | None:
        found: list[StoredRecord] = [*self._reader.events_after(n, 1), *self._reader.readings_after(n, 1)]
        return min(found, key=attrgetter("n"), default=None)

    def plan(self, run: Run) -> Plan:
        """Return what a run watched."""
        return plan_from_json(self._reader.plan(run.number))

    def people(self) -> dict[str, str]:
        """Return names by the ids that stand in records."""
        return self._reader.people()

    def within(self, since_ns: int | None, until_ns: int | None) -> tuple[Run, ...]:
        """Return the runs that have a part in a time; None leaves an end open."""
        return tuple(
            run
            for run in self.runs
            if (until_ns is None or run.first_ns <= until_ns) and (since_ns is None or run.last_ns > since_ns)
        )

    def period(self, since_ns: int | None, until_ns: int | None) -> Period:
        """Return the period between two times, cut to what the store holds, and how much of it was watched."""
        if not self.runs:
            return Period(0, 0, 0)
        first, last = min(run.first_ns for run in self.runs), max(run.last_ns for run in self.runs)
        since = first if since_ns is None else max(since_ns, first)
        until = last if until_ns is None else min(until_ns, last)
        spans = ((max(run.first_ns, since), min(run.last_ns, until)) for run in self.runs)
        return Period(since, max(since, until), sum(max(0, end - start) for start, end in spans))

    def events(self, run: Run) -> Iterator[StoredEvent]:
        """Give every event of a run, in order."""
        return _paged(self._reader.events_after, run.stored)

    def records(self, run: Run) -> Iterator[StoredRecord]:
        """Give everything that a run's core recorded, readings and events together, in order."""
        events = (event for event in self.events(run) if event.count > 0)
        return heapq.merge(_paged(self._reader.readings_after, run.stored), events, key=attrgetter("n"))

    def changes(self, until_ns: int) -> Iterator[AlarmChange]:
        """Give every transition of every alarm up to a time, from the beginning of the store."""
        for run in self.runs:
            for event in self.events(run):
                at_ns = run.at_ns(event.monotonic_ns)
                if event.kind is EventKind.ALARM and at_ns <= until_ns:
                    yield change_of(at_ns, event.subject, event.body)


def _paged(after: Callable[[int, int], list[T]], run: StoredRun) -> Iterator[T]:
    n = run.first_n - 1
    while found := after(n, _PAGE):
        for record in found:
            if record.n > run.last_n:
                return
            yield record
        n = found[-1].n
