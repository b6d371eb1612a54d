"""From records to rows: total over everything the core may hand over, so that no record can stop the writer."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from quietbench.daemon.core.codec import canonical
from quietbench.daemon.core.records import Event, EventKind, Reading, Record
from quietbench.daemon.store.stored import STORE_SUBJECT
from quietbench.daemon.store.waiting import Batch
from quietbench.drivers.samples import Reason

__all__ = ["EventRow", "ReadingRow", "Rows", "rows_of", "storable_raw"]

ReadingRow = tuple[int, int, int, int, int | float | None, int | None, int | None]
EventRow = tuple[int, int, int, str, str, str]

_INT64 = range(-(2**63), 2**63)
_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Rows:
    """Numbered rows of one commit; ``last`` is the last number given."""

    last: int
    readings: list[ReadingRow] = field(default_factory=list)
    events: list[EventRow] = field(default_factory=list)


def rows_of(batch: Batch, series: Sequence[int], *, last_n: int, own_count: int, monotonic_ns: int) -> Rows:
    """Number and encode a batch, beginning after ``last_n``.

    What the store says about itself goes first, with counts going down from ``own_count``: what was lost is
    older than what is left.
    """
    rows = Rows(last_n)
    for record in [*_own_events(batch, own_count, monotonic_ns), *batch.records]:
        rows.last += 1
        _append(rows, record, series)
    return rows


def _own_events(batch: Batch, own_count: int, monotonic_ns: int) -> list[Record]:
    bodies = [batch.lost.body()] if batch.lost else []
    bodies.extend(batch.reports)
    return [
        Event(own_count - place, monotonic_ns, EventKind.RUN, STORE_SUBJECT, body)
        for place, body in enumerate(bodies)
    ]


def _append(rows: Rows, record: Record, series: Sequence[int]) -> None:
    if isinstance(record, Event):
        body = _text(record.body)
        rows.events.append(
            (rows.last, record.count, record.monotonic_ns, record.kind.value, record.subject, body)
        )
    else:
        rows.readings.append(_reading_row(rows.last, record, series))


def _reading_row(n: int, reading: Reading, series: Sequence[int]) -> ReadingRow:
    raw, given, reason = reading.raw, reading.given, reading.reason
    if raw is not None and not storable_raw(raw):
        _log.error("reading %d of channel %d: raw %r kept as no value", reading.count, reading.channel, raw)
        raw, given, reason = None, given or Reason.OUT_OF_SPAN, reason or Reason.OUT_OF_SPAN
    return (
        n,
        reading.count,
        series[reading.channel],
        reading.monotonic_ns,
        raw,
        None if given is None else given.value,
        None if reason is None else reason.value,
    )


def storable_raw(raw: float) -> bool:
    """Say whether SQLite keeps this number as it is: it turns NaN into NULL and refuses integers over 64 bits."""
    return raw in _INT64 if isinstance(raw, int) else math.isfinite(raw)


def _text(body: dict[str, object]) -> str:
    try:
        return canonical(body)
    except (ValueError, TypeError) as error:
        _log.error("event body %r: %s; kept without what JSON can't say", body, error)
        return canonical(_sayable(body))


def _sayable(value: object) -> object:
    if isinstance(value, dict):
        return {str(key): _sayable(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_sayable(inner) for inner in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, str | int) else repr(value)
