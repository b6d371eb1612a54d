"""Whether a stored run, fed to a fresh core, gives the records that are stored: to the byte."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import tee

from quietbench.daemon.core.codec import canonical
from quietbench.daemon.core.engine import CommandError
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import Event, Reading, Record
from quietbench.daemon.core.replay import replay
from quietbench.daemon.store.stored import StoredEvent, StoredReading
from quietbench.daemon.upkeep.history import StoredRecord

__all__ = ["Verified", "verify"]

Written = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Verified:
    """How far a run was reproduced: ``difference`` says in words where it was not, "" where all is the same.

    ``beyond`` records follow from the last stored input and are not stored: a run that was cut off.
    """

    run: int
    records: int
    difference: str
    beyond: int = 0


def verify(run: int, plan: Plan, records: Iterable[StoredRecord], *, ended: bool) -> Verified:
    """Replay a run's records and compare; ``ended`` says that the run ended cleanly, so nothing may be missing."""
    index = {channel.name: place for place, channel in enumerate(plan.channels)}
    stored, inputs = tee(records)
    replayed = _replayed(plan, (as_made(record, index) for record in inputs))
    count = 0
    for record in stored:
        wanted, got = _written_stored(record, index), next(replayed, None)
        if wanted != got:
            return Verified(run, count, _difference(record, wanted, got))
        count += 1
    beyond = sum(1 for _ in replayed)
    difference = f"{beyond} records more than are stored" if ended and beyond else ""
    return Verified(run, count, difference, beyond)


def as_made(record: StoredRecord, index: dict[str, int]) -> Record:
    """Return a stored record as the core made it."""
    if isinstance(record, StoredEvent):
        return Event(record.count, record.monotonic_ns, record.kind, record.subject, record.body)
    place = index[record.channel]
    judged = (record.value, record.u, record.sense, record.quality, record.reason)
    return Reading(
        place, record.monotonic_ns, record.raw, record.given, *judged, keep=True, count=record.count
    )


def _replayed(plan: Plan, inputs: Iterator[Record]) -> Iterator[Written | str]:
    try:
        for record in replay(plan, inputs):
            yield _written(record)
    except (CommandError, KeyError, ValueError) as error:
        yield f"replay ends: {error}"


def _written(record: Record) -> Written:
    if isinstance(record, Reading):
        return (record.count, record.monotonic_ns, record.channel, record.raw, record.given, record.reason)
    return (record.count, record.monotonic_ns, record.kind.value, record.subject, canonical(record.body))


def _written_stored(record: StoredRecord, index: dict[str, int]) -> Written:
    if isinstance(record, StoredReading):
        place = index[record.channel]
        return (record.count, record.monotonic_ns, place, record.raw, record.given, record.reason)
    return (record.count, record.monotonic_ns, record.kind.value, record.subject, canonical(record.body))


def _difference(record: StoredRecord, wanted: Written, got: Written | str | None) -> str:
    what = record.channel if isinstance(record, StoredReading) else f"{record.kind.value} of {record.subject}"
    return f"record {record.count} ({what}): stored {_short(wanted)}, replay gives {_short(got)}"


def _short(written: object) -> str:
    text = "nothing more" if written is None else str(written)
    return text if len(text) <= 300 else f"{text[:300]} …"
