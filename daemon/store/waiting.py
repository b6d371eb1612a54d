"""What waits to be written: bounded, in order, and honest about what it had to drop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from quietbench.daemon.core.records import Event, Reading, Record
from quietbench.daemon.store.stored import Stream

__all__ = ["Batch", "Lost", "Waiting"]

_SLACK = 20  # a full memory is thinned by a twentieth at a time, so that one more record is not one more pass


@dataclass(slots=True)
class Lost:
    """What was dropped since writing last worked; counts are the core's, None while nothing was dropped."""

    readings: int = 0
    events: int = 0
    first_count: int | None = None
    last_count: int | None = None

    def __bool__(self) -> bool:
        return self.readings > 0 or self.events > 0

    def add(self, record: Record) -> None:
        """Count one dropped record."""
        if isinstance(record, Event):
            self.events += 1
        else:
            self.readings += 1
        self.first_count = record.count if self.first_count is None else min(self.first_count, record.count)
        self.last_count = record.count if self.last_count is None else max(self.last_count, record.count)

    def body(self) -> dict[str, object]:
        """Return it as the body of the event that tells of it."""
        return {
            "what": "records lost",
            "readings": self.readings,
            "events": self.events,
            "first_count": self.first_count,
            "last_count": self.last_count,
        }


@dataclass(slots=True)
class Batch:
    """What goes to disk together. ``reports`` are bodies of events the store makes about itself."""

    records: list[Record] = field(default_factory=list)
    reports: list[dict[str, object]] = field(default_factory=list)
    cursors: dict[tuple[str, Stream], int] = field(default_factory=dict)
    refused: list[tuple[str, Stream, int, str]] = field(default_factory=list)
    people: list[tuple[str, str]] = field(default_factory=list)
    lost: Lost = field(default_factory=Lost)

    def __bool__(self) -> bool:
        return bool(self.has_news or self.cursors or self.refused or self.people)

    @property
    def has_news(self) -> bool:
        """Get whether there is anything that gets a number."""
        return bool(self.records or self.reports or self.lost)


class Waiting:
    """The writer's memory, at most ``limit`` records; the caller holds a lock around every call.

    Beyond the limit the oldest readings go first; events go only when there is no reading left to drop.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._batch = Batch()

    def __len__(self) -> int:
        return len(self._batch.records)

    def __bool__(self) -> bool:
        return bool(self._batch)

    def put(self, records: Sequence[Record]) -> None:
        """Append records in the order given."""
        self._batch.records.extend(records)
        self._keep_bounds()

    def report(self, body: dict[str, object]) -> None:
        """Append an event of the store about itself."""
        self._batch.reports.append(body)

    def advance(self, sink: str, stream: Stream, n: int) -> None:
        """Move a cursor forward; a smaller number than the waiting one changes nothing."""
        key = (sink, stream)
        self._batch.cursors[key] = max(n, self._batch.cursors.get(key, 0))

    def refuse(self, sink: str, stream: Stream, n: int, why: str) -> None:
        """Append a record that a far end refused for good."""
        self._batch.refused.append((sink, stream, n, why))

    def person(self, identity: str, name: str) -> None:
        """Append a new person."""
        self._batch.people.append((identity, name))

    def take(self) -> Batch:
        """Hand over everything that waits."""
        batch, self._batch = self._batch, Batch()
        return batch

    def give_back(self, batch: Batch) -> None:
        """Put a batch that could not be written before everything that came since."""
        newer, self._batch = self._batch, batch
        batch.records.extend(newer.records)
        batch.reports.extend(newer.reports)
        batch.refused.extend(newer.refused)
        batch.people.extend(newer.people)
        for (sink, stream), n in newer.cursors.items():
            self.advance(sink, stream, n)
        _merge(batch.lost, newer.lost)
        self._keep_bounds()

    def _keep_bounds(self) -> None:
        excess = len(self._batch.records) - self._limit
        if excess > 0:
            self._drop(excess + self._limit // _SLACK)

    def _drop(self, number: int) -> None:
        kept = self._without(self._batch.records, Reading, number)
        excess = len(kept) - self._limit
        self._batch.records = self._without(kept, Event, excess) if excess > 0 else kept

    def _without(self, records: list[Record], kind: type[Record], number: int) -> list[Record]:
        kept: list[Record] = []
        for record in records:
            if number > 0 and isinstance(record, kind):
                number -= 1
                self._batch.lost.add(record)
            else:
                kept.append(record)
        return kept


def _merge(into: Lost, other: Lost) -> None:
    into.readings += other.readings
    into.events += other.events
    counts = [
        c for c in (into.first_count, into.last_count, other.first_count, other.last_count) if c is not None
    ]
    if counts:
        into.first_count, into.last_count = min(counts), max(counts)
