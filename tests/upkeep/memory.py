"""A history in memory, for tests that go through hundreds of runs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import Event, Reading, Record
from quietbench.daemon.store.stored import StoredEvent, StoredReading, StoredRun
from quietbench.daemon.upkeep.history import History, Run, StoredRecord
from tests.upkeep.recording import WALL_NS


class Memory(History):
    """One or more runs, each of a plan and its records."""

    def __init__(self, *runs: tuple[Plan, Iterable[Record]]) -> None:
        self._plans = {number: plan for number, (plan, _) in enumerate(runs, start=1)}
        self._records: dict[int, list[StoredRecord]] = {}
        placed = []
        n = 0
        for number, (plan, records) in enumerate(runs, start=1):
            stored = [_stored(plan, number, n + k, record) for k, record in enumerate(records, start=1)]
            self._records[number] = stored
            placed.append(_run(number, stored))
            n += len(stored)
        self.runs = tuple(placed)

    def plan(self, run: Run) -> Plan:
        return self._plans[run.number]

    def events(self, run: Run) -> Iterator[StoredEvent]:
        return (record for record in self._records[run.number] if isinstance(record, StoredEvent))

    def records(self, run: Run) -> Iterator[StoredRecord]:
        return iter(self._records[run.number])


def _run(number: int, stored: list[StoredRecord]) -> Run:
    first, last = stored[0], stored[-1]
    row = StoredRun(
        number, "boot", first.monotonic_ns, first.wall_ns, True, "test", "", first.n, last.n, True
    )
    return Run(row, WALL_NS, True, first.wall_ns, last.wall_ns)


def _stored(plan: Plan, run: int, n: int, record: Record) -> StoredRecord:
    wall_ns = record.monotonic_ns + WALL_NS
    if isinstance(record, Event):
        return StoredEvent(
            n, run, record.count, record.monotonic_ns, wall_ns, True, record.kind, record.subject, record.body
        )
    assert isinstance(record, Reading)
    channel = plan.channels[record.channel]
    return StoredReading(
        n, run, record.count, record.monotonic_ns, wall_ns, True, channel.name, channel.quantity, channel.unit,
        record.raw, record.given, record.value, record.u, record.sense, record.quality, record.reason,
    )  # fmt: skip
