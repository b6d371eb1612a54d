"""What goes into the store at a start, and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.records import EventKind, Quality
from quietbench.drivers.samples import Reason

FILE_NAME = "records.db"
LOCK_NAME = "writer.lock"

STORE_SUBJECT = "watcher/store"
"""The subject of events that the store makes about itself; their counts are below 0."""

Stream = Literal["events", "readings"]
"""The two queues every sink follows; order holds within each."""


@dataclass(frozen=True, slots=True)
class RunStart:
    """What is known when a watcher starts; ``channels`` are (name, canonical spec) by index in the plan."""

    boot: str
    monotonic_ns: int
    wall_ns: int
    clock_known: bool
    software: str
    plan_json: str
    channels: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class StoredRun:
    """One start of a watcher. ``last_n`` is below ``first_n`` while it has no record; ``ended`` only when clean."""

    run: int
    boot: str
    monotonic_ns: int
    wall_ns: int
    clock_known: bool
    software: str
    plan_sha256: str
    first_n: int
    last_n: int
    ended: bool


class StoredReading(NamedTuple):
    """A reading as the store knows it; a tuple for speed, since a sink drains millions.

    ``wall_ns`` is UTC nanoseconds by the clocks of its commit, put right where the clock was set later in the
    same boot; ``clock_known`` False means that nothing has put it right yet. ``value`` and ``u`` (SI) are
    recomputed from ``raw`` by the conversion that was in force, ``None`` where there is no raw value.
    """

    n: int
    run: int
    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody asks of a reading
    monotonic_ns: int
    wall_ns: int
    clock_known: bool
    channel: str
    quantity: str
    unit: str
    raw: int | float | None
    given: Reason | None
    value: float | None
    u: float | None
    sense: Sense
    quality: Quality
    reason: Reason | None


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """An event as the store knows it; times as in `StoredReading`. ``count`` below 0: made by the store itself."""

    n: int
    run: int
    count: int
    monotonic_ns: int
    wall_ns: int
    clock_known: bool
    kind: EventKind
    subject: str
    body: dict[str, object]
