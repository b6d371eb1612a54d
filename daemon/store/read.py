"""Everybody's view of the store but the writer's: short reads by number, values recomputed from what was in force."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from quietbench.daemon.core.codec import conversion_from_spec
from quietbench.daemon.core.convert import Conversion, Sense
from quietbench.daemon.core.quality import quality_of
from quietbench.daemon.core.records import Event, EventKind, Quality, Reading, Record
from quietbench.daemon.store.access import Access
from quietbench.daemon.store.errors import StoreError
from quietbench.daemon.store.stored import StoredEvent, StoredReading, StoredRun, Stream
from quietbench.daemon.store.times import Spans, Times
from quietbench.drivers.samples import Reason

__all__ = ["StoreReader"]

_CHUNK = 2000  # numbers read at a time where all of a run is wanted
_MEMORY = 512  # converted values kept for each series (100 KB at most): a converter's noise is far narrower

_REASONS: dict[int | None, tuple[Reason | None, Quality]] = {None: (None, Quality.GOOD)} | {
    reason.value: (reason, quality_of(reason)) for reason in Reason
}
_KINDS = {kind.value: kind for kind in EventKind}
_DECIDING = ("due", "command", "clock", "run")
_READINGS = "SELECT n, count, series, monotonic_ns, raw, given, reason FROM reading "
_EVENTS = "SELECT n, count, monotonic_ns, kind, subject, body FROM event "


class _Series:
    """A channel with one conversion; remembers what raw values convert to, for few codes come back often."""

    __slots__ = ("_conversion", "_known", "channel", "quantity", "unit")

    def __init__(self, channel: str, spec: str) -> None:
        body = json.loads(spec)
        self.channel = channel
        self.quantity = str(body["quantity"])
        self.unit = str(body["unit"])
        self._conversion: Conversion = conversion_from_spec(spec)
        self._known: dict[float, tuple[float, float, Sense]] = {}

    def value(self, raw: float | None) -> tuple[float | None, float | None, Sense]:
        """Return value, standard uncertainty and sense, as the core computed them."""
        if raw is None:
            return None, None, Sense.EQUAL
        known = self._known.get(raw)
        if known is None:
            if len(self._known) >= _MEMORY:
                self._known.clear()
            known = self._known[raw] = self._conversion.convert(raw)[:3]
        return known


class StoreReader:
    """Reads one watcher's store, whoever holds it and whether or not the watcher runs. One thread uses it.

    Every method raises `StoreError` when the store can't be read now, and `StoreRefusedError` when it never can.
    """

    def __init__(self, folder: Path) -> None:
        self._access = Access(folder, self._forget)
        self._forget()

    def _forget(self) -> None:
        """Begin with empty caches: it is another file than before."""
        self._series: dict[int, _Series] = {}
        self._times = Times()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; idempotent. Reading again opens it again."""
        self._access.close()

    def events_after(self, n: int, limit: int) -> list[StoredEvent]:
        """Return at most ``limit`` events with numbers above ``n``, rising."""
        return self._access.read(lambda c: self._events(c, "WHERE n > ? ORDER BY n LIMIT ?", (n, limit)))

    def readings_after(self, n: int, limit: int) -> list[StoredReading]:
        """Return at most ``limit`` readings with numbers above ``n``, rising."""
        return self._access.read(lambda c: self._readings(c, "WHERE n > ? ORDER BY n LIMIT ?", (n, limit)))

    def cursor(self, sink: str, stream: Stream) -> int:
        """Return the number up to which a sink's far end has confirmed a stream; 0 when nothing."""
        query = "SELECT n FROM cursor WHERE sink = ? AND stream = ?"
        rows = self._fetch(query, (sink, stream))
        return int(rows[0][0]) if rows else 0

    def last_n(self) -> int:
        """Return the highest number on record, of readings and events together; 0 in an empty store."""
        rows = self._fetch("SELECT last FROM commit_span ORDER BY first DESC LIMIT 1")
        return int(rows[0][0]) if rows else 0

    def alarm_states(self) -> dict[str, str]:
        """Return the last state of every alarm that ever changed, in the words of `AlarmState`."""
        return dict(
            self._fetch(
                "SELECT subject, json_extract(body, '$.to') FROM event"
                " WHERE n IN (SELECT max(n) FROM event WHERE kind = 'alarm' GROUP BY subject)"
            )
        )

    def last_events(self, kind: EventKind) -> list[StoredEvent]:
        """Return the last event of a kind about each subject (alarm, bench), oldest first."""
        condition = "WHERE n IN (SELECT max(n) FROM event WHERE kind = ? GROUP BY subject) ORDER BY n"
        return self._access.read(lambda c: self._events(c, condition, (kind.value,)))

    def last_commands(self) -> list[StoredEvent]:
        """Return the last command of each sort about each subject, oldest first."""
        condition = (
            "WHERE n IN (SELECT max(n) FROM event WHERE kind = 'command'"
            " GROUP BY subject, json_extract(body, '$.do')) ORDER BY n"
        )
        return self._access.read(lambda c: self._events(c, condition, ()))

    def people(self) -> dict[str, str]:
        """Return names by the ids that stand for them in records."""
        return dict(self._fetch("SELECT id, name FROM people"))

    def runs(self) -> list[StoredRun]:
        """Return every start of a watcher, oldest first."""
        rows = self._fetch(
            "SELECT run, boot, run.monotonic_ns, run.wall_ns, clock_known, software, plan, first_n,"
            " coalesce(lead(first_n) OVER (ORDER BY run) - 1,"
            " (SELECT last FROM commit_span ORDER BY first DESC LIMIT 1), 0),"
            " run_end.run IS NOT NULL FROM run LEFT JOIN run_end USING (run) ORDER BY run"
        )
        return [_run(*row) for row in rows]

    def plan(self, run: int) -> str:
        """Return the canonical JSON of the plan of a run.

        Raises:
            StoreError: there is no such run.
        """
        rows = self._fetch(
            "SELECT body FROM plan WHERE sha256 = (SELECT plan FROM run WHERE run = ?)", (run,)
        )
        if not rows:
            raise StoreError(f"run {run}: got no such run, wanted one of those that runs() tells")
        return str(rows[0][0])

    def inputs(self, run: int) -> Iterator[Record]:
        """Give what replay of a run needs, in the order it happened: kept readings and the events that decided.

        Channels are by index in the run's plan. What the store said about itself is left out.

        Raises:
            StoreError: there is no such run.
        """
        found = next((stored for stored in self.runs() if stored.run == run), None)
        indices = {channel["name"]: i for i, channel in enumerate(json.loads(self.plan(run))["channels"])}
        assert found is not None
        for first in range(found.first_n, found.last_n + 1, _CHUNK):
            last = min(first + _CHUNK - 1, found.last_n)
            readings, events = self._access.read(partial(self._between, first=first, last=last))
            records: list[StoredReading | StoredEvent] = [*readings, *events]
            records.sort(key=lambda record: record.n)
            yield from (_as_made(record, indices) for record in records)

    def _between(
        self, connection: sqlite3.Connection, first: int, last: int
    ) -> tuple[list[StoredReading], list[StoredEvent]]:
        readings = self._readings(connection, "WHERE n BETWEEN ? AND ? ORDER BY n", (first, last))
        events = self._events(connection, "WHERE n BETWEEN ? AND ? AND count > 0 ORDER BY n", (first, last))
        return readings, [event for event in events if event.kind.value in _DECIDING]

    def _fetch(self, query: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        return self._access.read(lambda connection: connection.execute(query, values).fetchall())

    def _events(
        self, connection: sqlite3.Connection, where: str, values: tuple[Any, ...]
    ) -> list[StoredEvent]:
        rows = connection.execute(_EVENTS + where, values).fetchall()
        spans = self._spans(connection, rows)
        return [_event(row, spans) for row in rows]

    def _readings(
        self, connection: sqlite3.Connection, where: str, values: tuple[int, int]
    ) -> list[StoredReading]:
        rows = connection.execute(_READINGS + where, values).fetchall()
        spans = self._spans(connection, rows)
        for identity in {row[2] for row in rows} - self._series.keys():
            self._series[identity] = _load_series(connection, identity)
        return [_reading(row, self._series[row[2]], spans) for row in rows]

    def _spans(self, connection: sqlite3.Connection, rows: list[tuple[Any, ...]]) -> Spans:
        return self._times.spans(connection, rows[0][0], rows[-1][0]) if rows else Spans([])


def _load_series(connection: sqlite3.Connection, identity: int) -> _Series:
    channel, spec = connection.execute(
        "SELECT channel, spec FROM series WHERE id = ?", (identity,)
    ).fetchone()
    return _Series(channel, spec)


def _run(
    run: int, boot: str, monotonic_ns: int, wall_ns: int, known: int, software: str, plan: str, *rest: int
) -> StoredRun:
    first_n, last_n, ended = rest
    return StoredRun(
        run, boot, monotonic_ns, wall_ns, bool(known), software, plan, first_n, last_n, bool(ended)
    )


def _event(row: tuple[Any, ...], spans: Spans) -> StoredEvent:
    n, count, monotonic_ns, kind, subject, body = row
    span = spans.of(n)
    wall_ns = monotonic_ns + span.offset_ns
    return StoredEvent(
        n, span.run, count, monotonic_ns, wall_ns, span.clock_known, _KINDS[kind], subject, json.loads(body)
    )


def _reading(row: tuple[Any, ...], series: _Series, spans: Spans) -> StoredReading:
    n, count, _, monotonic_ns, raw, given, judged = row
    span = spans.of(n)
    value, u, sense = series.value(raw)
    reason, quality = _REASONS[judged]
    return StoredReading(
        n,
        span.run,
        count,
        monotonic_ns,
        monotonic_ns + span.offset_ns,
        span.clock_known,
        series.channel,
        series.quantity,
        series.unit,
        raw,
        _REASONS[given][0],
        value,
        u,
        sense,
        quality,
        reason,
    )


def _as_made(record: StoredReading | StoredEvent, indices: dict[str, int]) -> Record:
    if isinstance(record, StoredEvent):
        return Event(record.count, record.monotonic_ns, record.kind, record.subject, record.body)
    return Reading(
        indices[record.channel],
        record.monotonic_ns,
        record.raw,
        record.given,
        record.value,
        record.u,
        record.sense,
        record.quality,
        record.reason,
        keep=True,
        count=record.count,
    )
