"""What sinks have in common: the words of the shared loop, what a sink is given, and what one must offer.

Theory of operation. The store is the queue. A sink follows it with two durable cursors, one for events and one
for readings; everything up to a cursor has been confirmed by the far end, or set aside with the reason. The
follower (`quietbench.daemon.sinks.follower`) reads what comes after, makes flights of it and hands them to a
far end; a far end (broker, database) sends a flight and says later how that came out. All of it happens in the
sink's one thread; what other threads have to say goes through the follower's inbox.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.records import Event
from quietbench.daemon.store.stored import StoredEvent, StoredReading, StoredRun, Stream

__all__ = [
    "SECOND_NS",
    "Accepted",
    "Answer",
    "Desk",
    "FarEnd",
    "Flight",
    "GiveCommand",
    "Outcome",
    "Reader",
    "Refused",
    "Sink",
    "SinkContext",
    "StoredEvent",
    "StoredReading",
    "StoredRecord",
    "StoredRun",
    "Stream",
    "Trouble",
]

SECOND_NS = 1_000_000_000

Answer = Callable[[Mapping[str, Any]], None]
"""Takes what became of a command, "ok" or "error"; called once, from any thread, never blocks."""

GiveCommand = Callable[[str, Mapping[str, Any], Answer], None]
"""Gives a command: by which identity ("mqtt:NAME"), the request, where the answer goes. Never blocks."""


StoredRecord = StoredEvent | StoredReading
"""What every record of the store has: ``n``, which only grows, and the id ``(run, count)`` the world knows it by."""


class Reader(Protocol):
    """The part of the store's reader that a sink needs; opened and used in the sink's thread alone."""

    def events_after(self, n: int, limit: int) -> Sequence[StoredEvent]:
        """Return events with a greater number, in order."""

    def readings_after(self, n: int, limit: int) -> Sequence[StoredReading]:
        """Return readings with a greater number, in order."""

    def cursor(self, sink: str, stream: Stream) -> int:
        """Return the number up to which a sink has confirmed a stream, 0 at first."""

    def alarm_states(self) -> Mapping[str, str]:
        """Return the last state of every alarm."""

    def runs(self) -> Sequence[StoredRun]:
        """Return every start of a watcher."""

    def close(self) -> None:
        """Let go of the store."""


@dataclass(frozen=True, slots=True)
class SinkContext:
    """What the watcher gives a sink.

    ``channels`` maps a channel's name to (quantity, unit, label). ``advance(sink, stream, n)`` and
    ``set_aside(sink, stream, n, why)`` are the store writer's. ``failing`` gets one text while a far end
    refuses or stays away, and None when it is well again. ``render`` takes an event's body and returns its
    sentence in words, "" where it has none. None of them blocks.
    ``clock`` is the watcher's own, so that both know the same about the wall clock. ``command`` gives a command
    to the core, None where nobody takes any.
    """

    folder: Path
    run: int
    site: str
    watcher: str
    channels: Mapping[str, tuple[str, str, str]]
    advance: Callable[[str, Stream, int], None]
    set_aside: Callable[[str, Stream, int, str], None]
    failing: Callable[[str | None], None]
    render: Callable[[Mapping[str, Any]], str]
    clock: Clock
    command: GiveCommand | None = None


class Sink(Protocol):
    """Where records are sent on. ``progress`` grows at least every ``answer_s`` or second while the thread lives."""

    name: str
    progress: int

    def start(self) -> None:
        """Start the sink's thread; a far end that is absent is no error."""

    def committed(self) -> None:
        """Wake up, the store has news; callable from any thread, never blocks."""

    def offer(self, event: Event) -> None:
        """Send an event on at once, before its commit, if that can be; never blocks, bounded."""

    def stop(self, deadline_s: float) -> None:
        """Send what little is left, say goodbye, end the thread: all within ``deadline_s``."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """The far end confirmed a flight."""


@dataclass(frozen=True, slots=True)
class Refused:
    """The far end won't have a flight, and the fault lies in what was sent.

    ``certain``: it named a cause that only the records themselves can have. ``size``: too much at once.
    """

    why: str
    certain: bool = False
    size: bool = False


@dataclass(frozen=True, slots=True)
class Trouble:
    """The flight came to nothing, and the fault lies elsewhere: try again later.

    ``visible``: a person has to act, so say so at once. ``wait_s``: the far end asked for at least that long.
    """

    why: str
    visible: bool = False
    wait_s: float = 0.0


Outcome = Accepted | Refused | Trouble


@dataclass(eq=False, slots=True)
class Flight:
    """Consecutive records of one stream on their way, and how that came out.

    ``after`` is the number of the record before the first one in this stream, confirmed or set aside.
    """

    stream: Stream
    after: int
    records: tuple[StoredRecord, ...]
    outcome: Outcome | None = field(default=None)

    @property
    def last(self) -> int:
        """The number of the last record."""
        return self.records[-1].n


class Desk(Protocol):
    """What a far end may ask of the follower it works for; only from the sink's thread, but for `post`."""

    def post(self, note: object) -> None:
        """Put a note into the inbox: the one thing other threads may do. It never blocks."""

    def listen(self, wait_s: float) -> None:
        """Take notes for at most ``wait_s``; only for `FarEnd.close`, when the loop has ended."""

    def settle(self, flight: Flight, outcome: Outcome) -> None:
        """Say how a flight came out."""

    def recall(self) -> None:
        """Take back all flights that are not settled: the connection that carried them is gone."""

    def trouble(self, topic: str, trouble: Trouble) -> None:
        """Say what is wrong with ``topic``."""

    def well(self, topic: str) -> None:
        """Say that ``topic`` is well again."""

    def alarm_states(self) -> Mapping[str, str]:
        """The last state of every alarm in the store."""

    def boot_of(self, run: int) -> str | None:
        """The boot that a run belongs to, None where that isn't known."""


class FarEnd(Protocol):
    """One kind of destination. All methods are called in the sink's thread, but for `offer`."""

    batches: Mapping[Stream, int]
    """The most records of one flight, by stream."""
    age_s: float
    """How long readings may wait for company before they go."""
    needs_clock: frozenset[Stream]
    """Streams whose records are of no use here without a known time."""

    def attach(self, desk: Desk) -> None:
        """Remember whom to report to."""

    def tend(self, now_ns: int) -> float:
        """Look after the connection; return in how many seconds to look again."""

    def room(self) -> bool:
        """Say whether a flight could be sent now."""

    def send(self, flight: Flight) -> None:
        """Send; the outcome is reported by `Desk.settle`, now or later."""

    def hear(self, note: object) -> None:
        """Take a note that was posted from another thread."""

    def offer(self, event: Event) -> None:
        """Take a live event; from any thread, never blocks, bounded."""

    def close(self, deadline_ns: int) -> None:
        """Let go of everything before the monotonic ``deadline_ns``."""
