"""Stores as a watcher writes them, from samples of a hand-moved clock: minutes to months in a moment."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from quietbench.daemon.clock import Clock, Stamp
from quietbench.daemon.core.codec import channel_spec, plan_to_json
from quietbench.daemon.core.convert import Contact, Divider, Linear
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Bench, Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.records import Record
from quietbench.daemon.core.replay import kept
from quietbench.daemon.store.stored import RunStart
from quietbench.daemon.store.writer import StoreWriter

MS = 1_000_000
SECOND = 1_000 * MS
WALL_NS = 1_930_608_000 * SECOND  # 2031-03-07T00:00:00Z
DAY = 86_400 * SECOND
OWN = Source("own rule", "", "", "own choice")

Sample = tuple[int, int, float]
"""Monotonic time (ns), channel by index, raw value."""


@dataclass(slots=True)
class FixedClock(Clock):
    """Wall time is monotonic time and a fixed offset, so that synthetic times come out as they were meant."""

    boot: str = "boot-1"

    def stamp(self) -> Stamp:
        monotonic_ns = self.monotonic_ns()
        return Stamp(monotonic_ns, monotonic_ns + WALL_NS, True)

    def known(self) -> bool:
        return True


def closed(*, on_delay_ns: int = 0, off_delay_ns: int = 0) -> Limit:
    return Limit(
        "closed", Requirement.AT_LEAST, 1.0, OWN, Priority.HIGH,
        on_delay_ns=on_delay_ns, off_delay_ns=off_delay_ns, protects=True,
    )  # fmt: skip


def strap(bench: str, limit: Limit | None = None) -> Channel:
    return Channel(
        f"{bench}/strap", "strap_contact", "1", Contact(), (limit or closed(),), frozenset({f"{bench}/cord"}),
        Priority.HIGH,
    )  # fmt: skip


def mat(bench: str, *limits: Limit) -> Channel:
    conversion = Divider(series_ohm=1e7, leakage_a=3e-11)
    return Channel(
        f"{bench}/mat", "mat_resistance", "ohm", conversion, limits, frozenset({f"{bench}/mat"}), thin_raw=3.0
    )


def humidity(room: str, *limits: Limit, thin_raw: float = 2.0) -> Channel:
    return Channel(
        f"{room}/rh", "relative_humidity", "1", Linear(0.001, low=0.0, high=1.0), limits, thin_raw=thin_raw
    )


def bench(name: str) -> Bench:
    tree = {f"{name}/cord": f"{name}/stud", f"{name}/stud": "earth", f"{name}/mat": f"{name}/stud"}
    return Bench(name, name, tree, (f"{name}/cord", f"{name}/mat"))


def plan_of(channels: Iterable[Channel], benches: Iterable[Bench] = (), profile: str = "own") -> Plan:
    return Plan("site", "room", tuple(benches), tuple(channels), profile)


def recorded(
    plan: Plan,
    samples: Iterable[Sample],
    *,
    start_ns: int = 0,
    restored: Mapping[str, Mapping[str, object]] | None = None,
) -> Iterator[Record]:
    """Give what a watcher would store of these samples: its core thins and judges them, its delays run."""
    core = Core(plan, start_ns)
    yield from kept(core.start(start_ns, {"software": "test"}, restored or {}))
    for at_ns, channel, raw in samples:
        # A real one would see silence between samples of minutes; here nobody is silent.
        for due in core.due(at_ns) if core.book.timers else ():
            if due.kind == "delay":
                yield from kept(core.let(due, core.book.timers[due]))
        yield from kept(core.feed(channel, at_ns, raw))


def write_run(
    folder: Path, plan: Plan, records: Iterable[Record], *, start_ns: int = 0, boot: str = "boot-1"
) -> int:
    """Write one run into a store; return its number."""
    clock = FixedClock(boot)
    writer = StoreWriter(
        folder, clock=clock, commit_every_s=0.2, committed=_nothing, failing=_fail, waiting_limit=100_000_000
    )
    channels = tuple((channel.name, channel_spec(channel)) for channel in plan.channels)
    run = writer.start(
        RunStart(boot, start_ns, start_ns + WALL_NS, True, "test", plan_to_json(plan), channels)
    )
    batch: list[Record] = []
    for record in records:
        batch.append(record)
        if len(batch) == 10_000:
            writer.put(batch)
            batch = []
    writer.put(batch)
    assert writer.stop(600.0)
    return run


def merged(*streams: Iterable[Sample]) -> Iterator[Sample]:
    """Put samples of several channels in order."""
    return heapq.merge(*streams)


def _nothing() -> None:
    pass


def _fail(text: str | None) -> None:
    assert text is None, text
