"""Stores with a known history: two benches that share a stud, and what their channels showed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from quietbench.daemon.core.codec import channel_spec, plan_to_json
from quietbench.daemon.core.convert import Contact, Conversion, Linear
from quietbench.daemon.core.plan import Bench, Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.quality import quality_of
from quietbench.daemon.core.records import Event, EventKind, Reading
from quietbench.daemon.store.stored import RunStart
from quietbench.drivers.samples import Reason
from tests.store.kit import Site, SteppedClock

NS = 1_000_000_000
HOUR_S = 3600.0
HEARTBEAT_S = 1800.0
BASE_NS = 1_000_000 * NS
SOURCE = Source("site's own", "1", "1", "own choice")

CLOSED = Limit("closed", Requirement.AT_LEAST, 1.0, SOURCE, Priority.HIGH, protects=True)
UPPER = Limit("upper", Requirement.BELOW, 1e9, SOURCE, Priority.HIGH, protects=True)


def contact(name: str, *measures: str) -> Channel:
    """A contact channel."""
    return _channel(name, "strap_contact", "1", Contact(), (CLOSED,), measures)


def mat(name: str, *measures: str) -> Channel:
    """A resistance channel."""
    return _channel(name, "mat_resistance", "ohm", Linear(1.0), (UPPER,), measures)


def transients(name: str) -> Channel:
    """A counter of transients on the supply, polled ten times a second."""
    polled = _channel(name, "supply_transients", "1", Linear(1.0), (), ())
    return replace(polled, silent_after_ns=3 * NS // 10)


def _channel(
    name: str,
    quantity: str,
    unit: str,
    conversion: Conversion,
    limits: tuple[Limit, ...],
    measures: tuple[str, ...],
) -> Channel:
    return Channel(
        name,
        quantity,
        unit,
        conversion,
        limits,
        frozenset(measures),
        heartbeat_ns=round(HEARTBEAT_S * NS),
    )


def benches(*names: str) -> tuple[Bench, ...]:
    """Benches whose mats hang on one stud, and whose straps hang on a common point of their own."""
    return tuple(
        Bench(
            name,
            name,
            {
                "site/stud": "earth",
                f"{name}/common_point": "earth",
                f"{name}/cord": f"{name}/common_point",
                f"{name}/skin": f"{name}/cord",
                f"{name}/mat_lead": "site/stud",
                f"{name}/mat": f"{name}/mat_lead",
            },
            (f"{name}/skin",),
        )
        for name in names
    )


CHANNELS = (
    contact("bench-1/strap", "bench-1/cord", "bench-1/skin"),
    contact("bench-1/mat", "bench-1/mat", "bench-1/mat_lead", "site/stud"),
    contact("bench-2/strap", "bench-2/cord", "bench-2/skin"),
    contact("bench-2/mat", "bench-2/mat", "bench-2/mat_lead", "site/stud"),
)


@dataclass(slots=True)
class Record:
    """What happens, times and lengths in s.

    Openings are (channel, start, length), values (channel, at, value), repairs (at, subject), faults (channel, at).
    """

    hours: float
    channels: tuple[Channel, ...] = CHANNELS
    openings: list[tuple[str, float, float]] = field(default_factory=list)
    values: list[tuple[str, float, float]] = field(default_factory=list)
    repairs: list[tuple[float, str]] = field(default_factory=list)
    faults: list[tuple[str, float]] = field(default_factory=list)
    watcher: str = "room"
    benches: tuple[Bench, ...] = benches("bench-1", "bench-2")

    def write(self, folder: Path, *, ahead_s: float = 0.0) -> None:
        """Write it into a store; ``ahead_s``: the watcher's clock is so far ahead."""
        site = Site(folder)
        site.clock = SteppedClock(boot=f"boot-{self.watcher}")
        site.clock.offset_ns += round(ahead_s * NS)
        writer = site.writer(waiting_limit=1_000_000)
        writer.start(self._start(site.clock))
        try:
            writer.put(list(self._records()))
            assert writer.stop(30.0)
        finally:
            site.close()

    def _start(self, clock: SteppedClock) -> RunStart:
        plan = plan_to_json(Plan("Invented room", self.watcher, self.benches, self.channels, "own"))
        specs = tuple((channel.name, channel_spec(channel)) for channel in self.channels)
        return RunStart(clock.boot, BASE_NS, BASE_NS + clock.offset_ns, True, "0.1.0", plan, specs)

    def _records(self) -> Iterator[Reading | Event]:
        index: Mapping[str, int] = {channel.name: i for i, channel in enumerate(self.channels)}
        happened: list[tuple[float, str, float | None]] = list(self._beats())
        for name, start, length in self.openings:
            worst = 0.0 if self.channels[index[name]].unit == "1" else 5e9
            happened += [(start, name, worst), (start + length, name, self._well(name, start))]
        happened += [(at, name, value) for name, at, value in self.values]
        happened += [(at, name, None) for name, at in self.faults]
        repairs: list[tuple[float, str, float | None]] = [
            (at, f"!{subject}", None) for at, subject in self.repairs
        ]
        for count, (at, name, raw) in enumerate(sorted(happened + repairs, key=lambda h: h[0]), start=1):
            now = BASE_NS + round(at * NS)
            yield (
                _repair(count, now, name[1:])
                if name[0] == "!"
                else self._reading(count, now, index[name], raw)
            )

    def _beats(self) -> Iterable[tuple[float, str, float | None]]:
        for channel in self.channels:
            if not any(name == channel.name for name, _, _ in self.values):
                for beat in range(int(self.hours * HOUR_S / HEARTBEAT_S) + 1):
                    yield beat * HEARTBEAT_S, channel.name, self._well(channel.name, 0.0)

    def _well(self, name: str, _: float) -> float:
        return 1.0 if next(c for c in self.channels if c.name == name).unit == "1" else 2e7

    def _reading(self, count: int, now: int, index: int, raw: float | None) -> Reading:
        reason = Reason.SILENT if raw is None else None
        value, u, sense, _ = self.channels[index].conversion.convert(raw if raw is not None else 1.0)
        if raw is None:
            return Reading(
                index, now, None, reason, None, None, sense, quality_of(reason), reason, True, count
            )
        return Reading(index, now, raw, None, value, u, sense, quality_of(None), None, True, count)


def _repair(count: int, now: int, subject: str) -> Event:
    body: dict[str, object] = {
        "do": "repair",
        "subject": subject,
        "what": "lead",
        "person": "p1",
        "role": "technician",
        "why": "drops out",
        "uid": 1000,
    }
    return Event(count, now, EventKind.COMMAND, subject, body)
