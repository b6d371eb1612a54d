"""What tests of the sinks share: a store in memory, a clock that can be moved, records, a running sink."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from quietbench.daemon.clock import Clock, Stamp
from quietbench.daemon.core.convert.base import Sense
from quietbench.daemon.core.records import Event, EventKind, Quality
from quietbench.daemon.sinks.base import Answer, FarEnd, GiveCommand, SinkContext, Stream
from quietbench.daemon.sinks.follower import Follower
from quietbench.daemon.sinks.line_protocol import LineProtocolFarEnd
from quietbench.daemon.sinks.mqtt import MqttFarEnd
from quietbench.daemon.sinks.options import LineProtocolOptions, MqttOptions, RetryOptions
from quietbench.daemon.store.stored import StoredEvent, StoredReading, StoredRun
from quietbench.drivers.samples import Reason

NS = 1_000_000_000
RUN = 12
QUICK = RetryOptions(first_s=0.02, most_s=0.1, patience_s=300.0, steady_s=0.05)
CHANNELS = {"bench-1/strap": ("strap_contact", "1", "strap contact")}
STRAP_OPEN = "bench-1/strap:closed"


@dataclass(slots=True)
class TestClock(Clock):
    """The machine's clock, or one that stands where a test puts it."""

    __test__ = False
    boot: str = "boot-1"
    is_known: bool = True
    at_ns: int | None = None

    def monotonic_ns(self) -> int:
        return time.monotonic_ns() if self.at_ns is None else self.at_ns

    def stamp(self) -> Stamp:
        now_ns = self.monotonic_ns()
        return Stamp(now_ns, time.time_ns() - time.monotonic_ns() + now_ns, self.is_known)

    def known(self) -> bool:
        return self.is_known


def reading(
    n: int,
    *,
    value: float | None = 1.0,
    channel: str = "bench-1/strap",
    run: int = RUN,
    known: bool = True,
    monotonic_ns: int | None = None,
    reason: Reason | None = None,
) -> StoredReading:
    """A reading as the store gives it; its count is its number."""
    return StoredReading(
        n=n,
        run=run,
        count=n,
        monotonic_ns=time.monotonic_ns() if monotonic_ns is None else monotonic_ns,
        wall_ns=time.time_ns() + n * 1_000_000,  # a database may know no less than milliseconds
        clock_known=known,
        channel=channel,
        quantity="strap_contact",
        unit="1",
        raw=value,
        given=None,
        value=value,
        u=None if value is None else 0.0,
        sense=Sense.EQUAL,
        quality=Quality.GOOD if reason is None else Quality.BAD,
        reason=reason,
    )


def alarm_body(to: str = "unacknowledged") -> dict[str, Any]:
    """The body of an alarm event, as the core makes it."""
    return {
        "alarm": STRAP_OPEN,
        "channel": "bench-1/strap",
        "limit": "closed",
        "from": "normal",
        "to": to,
        "cause": "condition",
        "condition": True,
        "priority": "high",
        "until_ns": None,
        "sentence": {"key": "open.strap_contact", "args": {"place": "bench-1"}},
        "requirement": ">=",
        "bound": 1.0,
        "source": {
            "document": "d",
            "edition": "e",
            "clause": "c",
            "trust": "t",
            "test_method": "",
            "remark": "",
        },
        "unit": "1",
        "reason": None,
        "value": 0.0,
        "u": 0.0,
        "sense": "=",
    }


def bench_body(**parts: Any) -> dict[str, Any]:
    """The body of a bench event, as the core makes it."""
    return {
        "bench": "bench-1",
        "from": "held",
        "to": "open",
        "open": ["bench-1/cord"],
        "unknown": [],
        "unwatched": [],
        "causes": [{"stretches": ["bench-1/cord"], "channels": ["bench-1/strap"]}],
        "live": False,
        "live_until_ns": None,
        "ready": "passed",
        "silenced": False,
        **parts,
    }


def event(
    n: int,
    *,
    kind: EventKind = EventKind.ALARM,
    subject: str = STRAP_OPEN,
    body: dict[str, Any] | None = None,
    known: bool = True,
    run: int = RUN,
) -> StoredEvent:
    """An event as the store gives it; its count is its number."""
    told = alarm_body() if body is None else body
    return StoredEvent(n, run, n, time.monotonic_ns(), time.time_ns(), known, kind, subject, told)


def live(count: int, kind: EventKind = EventKind.ALARM, subject: str = STRAP_OPEN, **body: Any) -> Event:
    """An event as the core gives it, at once."""
    whole = {**alarm_body(), **body} if kind is EventKind.ALARM else body
    return Event(count, time.monotonic_ns(), kind, subject, whole)


@dataclass
class CommandTaker:
    """Takes commands in the core's place, and answers each at once, or when told."""

    at_once: bool = True
    taken: list[tuple[str, Mapping[str, Any]]] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)

    def take(self, identity: str, request: Mapping[str, Any], answer: Answer) -> None:
        self.taken.append((identity, request))
        self.answers.append(answer)
        if self.at_once:
            answer(self.carried_out(len(self.taken)))

    @staticmethod
    def carried_out(count: int) -> dict[str, Any]:
        """The answer of the watcher's desk to a command, with the whole event."""
        event = {
            "id": [RUN, count],
            "kind": "command",
            "subject": STRAP_OPEN,
            "time": "2031-03-02T08:00:00.123456Z",
            "monotonic_ns": 7,
            "body": {"why": "as said"},
        }
        return {"ok": {"event": event}}

    @property
    def ids(self) -> list[object]:
        return [request["id"] for _, request in self.taken]


def command(number: object = 1, **parts: Any) -> dict[str, Any]:
    """A command as a client gives it."""
    who = {"person": "ada", "role": "operator", "why": "new cord"}
    return {"id": number, "do": "acknowledge", "alarm": STRAP_OPEN, **who, **parts}


@dataclass
class MemoryStore:
    """A store in memory with the faces of reader and writer that a sink sees."""

    events: list[StoredEvent] = field(default_factory=list)
    readings: list[StoredReading] = field(default_factory=list)
    cursors: dict[tuple[str, Stream], int] = field(default_factory=dict)
    advances: list[tuple[Stream, int]] = field(default_factory=list)
    aside: list[tuple[Stream, int, str]] = field(default_factory=list)
    states: dict[str, str] = field(default_factory=dict)
    boots: dict[int, str] = field(default_factory=dict)
    opened_by: set[str] = field(default_factory=set)
    closed: int = 0

    def open(self, folder: Path) -> MemoryStore:
        self.opened_by.add(threading.current_thread().name)
        return self

    def events_after(self, n: int, limit: int) -> list[StoredEvent]:
        return [one for one in self.events if one.n > n][:limit]

    def readings_after(self, n: int, limit: int) -> list[StoredReading]:
        return [one for one in self.readings if one.n > n][:limit]

    def cursor(self, sink: str, stream: Stream) -> int:
        return self.cursors.get((sink, stream), 0)

    def alarm_states(self) -> dict[str, str]:
        return dict(self.states)

    def runs(self) -> list[StoredRun]:
        return [StoredRun(run, boot, 0, 0, True, "", "", 1, 0, True) for run, boot in self.boots.items()]

    def close(self) -> None:
        self.closed += 1

    def advance(self, sink: str, stream: Stream, n: int) -> None:
        assert n >= self.cursors.get((sink, stream), 0), "a cursor went back"
        self.cursors[sink, stream] = n
        self.advances.append((stream, n))

    def set_aside(self, sink: str, stream: Stream, n: int, why: str) -> None:
        self.aside.append((stream, n, why))

    def at(self, stream: Stream, sink: str = "far") -> int:
        return self.cursor(sink, stream)


@dataclass
class Complaints:
    """What a sink said about its health."""

    texts: list[str | None] = field(default_factory=list)

    def failing(self, text: str | None) -> None:
        self.texts.append(text)

    @property
    def now(self) -> str | None:
        return self.texts[-1] if self.texts else None


def context(
    store: MemoryStore,
    complaints: Complaints | None = None,
    clock: Clock | None = None,
    folder: Path = Path(),
    command: GiveCommand | None = None,
) -> SinkContext:
    """What a sink is given."""
    return SinkContext(
        folder=folder,
        run=RUN,
        site="Rework room two",
        watcher="room-2",
        channels=CHANNELS,
        advance=store.advance,
        set_aside=store.set_aside,
        failing=(complaints or Complaints()).failing,
        render=lambda body: "Strap path open." if body.get("sentence") else "",
        clock=clock or TestClock(),
        command=command,
    )


def follower(
    far_end: FarEnd, store: MemoryStore, given: SinkContext, retry: RetryOptions = QUICK, seed: int = 1
) -> Follower:
    """A sink that is not started."""
    return Follower("far", given, far_end, retry=retry, random=Random(seed), open_reader=store.open)


@contextmanager
def running(sink: Follower, deadline_s: float = 2.0) -> Iterator[Follower]:
    """A sink that runs, and is stopped at the end within its deadline."""
    sink.start()
    try:
        yield sink
    finally:
        began = time.monotonic()
        sink.stop(deadline_s)
        assert time.monotonic() - began < deadline_s + 0.5, "stopping took longer than its deadline"


@dataclass
class Rig:
    """A sink with everything around it."""

    store: MemoryStore
    complaints: Complaints
    sink: Follower

    def add_readings(self, numbers: Sequence[int], **parts: Any) -> None:
        self.store.readings += [reading(n, **parts) for n in numbers]
        self.sink.committed()

    def add_events(self, numbers: Sequence[int], **parts: Any) -> None:
        self.store.events += [event(n, **parts) for n in numbers]
        self.sink.committed()


def mqtt_options(port: int, **parts: Any) -> MqttOptions:
    """Options of a broker on loopback that is retried quickly."""
    return MqttOptions(**{"host": "127.0.0.1", "port": port, "retry": QUICK, "connect_s": 2.0, **parts})


def mqtt_rig(
    options: MqttOptions,
    clock: Clock | None = None,
    store: MemoryStore | None = None,
    command: GiveCommand | None = None,
) -> Rig:
    """A sink for a broker."""
    store, complaints = store or MemoryStore(), Complaints()
    given = context(store, complaints, clock, command=command)
    far_end = MqttFarEnd(options, given, Random(1))
    return Rig(store, complaints, follower(far_end, store, given, options.retry))


def line_rig(options: LineProtocolOptions, clock: Clock | None = None) -> Rig:
    """A sink for a database."""
    store, complaints = MemoryStore(), Complaints()
    given = context(store, complaints, clock)
    return Rig(store, complaints, follower(LineProtocolFarEnd(options, given), store, given, options.retry))
