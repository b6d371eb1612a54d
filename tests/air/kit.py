"""What tests of the air share: a store made of arrays, and small made-up rooms."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.series import AirSeries, tidied
from quietbench.daemon.clock import Clock, Stamp
from quietbench.daemon.core.codec import channel_spec, plan_to_json
from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.convert.linear import Linear
from quietbench.daemon.core.plan import Channel, Limit, Plan, Priority, Requirement, Source
from quietbench.daemon.core.records import Event, EventKind, Quality, Reading, Record
from quietbench.daemon.store.stored import RunStart
from quietbench.daemon.store.writer import StoreWriter

Floats = NDArray[np.float64]

START_S = 1_930_867_200.0
"""A Monday, 00:00 UTC."""

BOOTED_NS = 10**18

_SOURCE = Source("an invented rule", "1", "2", "invented")
LOW = Limit("low", Requirement.ABOVE, 0.30, _SOURCE, Priority.MEDIUM)
HIGH = Limit("high", Requirement.AT_MOST, 0.70, _SOURCE, Priority.MEDIUM)


def humidity_channel(name: str) -> Channel:
    """A channel of 0.1 %RH steps with the band of 30 … 70 %RH."""
    return Channel(name, "relative_humidity", "1", Linear(0.1, divisor=100.0, u=0.01), (LOW, HIGH))


def temperature_channel(name: str) -> Channel:
    """A channel of 0.1 °C steps."""
    return Channel(name, "air_temperature", "K", Linear(0.1, offset=273.15, u=0.2))


@dataclass(slots=True)
class ShiftedClock(Clock):
    """Runs as the machine's does, from the time that a test wants; commits wait for its going on."""

    boot: str = "boot-1"
    wall_ns: int = 0
    began_ns: int = field(default_factory=time.monotonic_ns)

    def monotonic_ns(self) -> int:
        return BOOTED_NS + time.monotonic_ns() - self.began_ns

    def stamp(self) -> Stamp:
        now_ns = self.monotonic_ns()
        return Stamp(now_ns, self.wall_ns + now_ns - BOOTED_NS, True)

    def known(self) -> bool:
        return True


def stored(
    folder: Path, rooms: dict[str, tuple[Floats, Floats, Floats]], events: Sequence[Event] = ()
) -> None:
    """Write rooms (UTC seconds, humidity 0 … 1, kelvin) into a store, as a watcher would have left them.

    A name with a "-2" gives its sensor's channels that ending: "room-2/humidity-2".
    """
    channels: list[Channel] = []
    records: list[Record] = []
    end_s = max(float(times[-1]) for times, _, _ in rooms.values())
    clock = ShiftedClock(wall_ns=int(end_s * 1e9))
    for name, (times, humidity, air_k) in rooms.items():
        room, _, ending = name.partition("#")
        channels += [
            humidity_channel(f"{room}/humidity{ending}"),
            temperature_channel(f"{room}/temperature{ending}"),
        ]
        for place, raws in ((-2, humidity * 1000.0), (-1, (air_k - 273.15) * 10.0)):
            channel = len(channels) + place
            records += [
                Reading(
                    channel,
                    BOOTED_NS - int((end_s - at) * 1e9),
                    round(float(raw)),
                    None,
                    0.0,
                    0.0,
                    Sense.EQUAL,
                    Quality.GOOD,
                    None,
                    True,
                    0,
                )
                for at, raw in zip(times, raws, strict=True)
            ]
    records.sort(key=lambda record: record.monotonic_ns)
    _written(folder, clock, channels, [*records, *events])


def _written(folder: Path, clock: Clock, channels: list[Channel], records: list[Record]) -> None:
    done = threading.Event()
    writer = StoreWriter(folder, clock=clock, commit_every_s=0.05, committed=done.set, failing=lambda _: None)
    stamp = clock.stamp()
    specs = tuple((channel.name, channel_spec(channel)) for channel in channels)
    plan = plan_to_json(Plan("An invented site", "room", (), tuple(channels), "own"))
    writer.start(RunStart("boot-1", stamp.monotonic_ns, stamp.wall_ns, True, "0.1.0", plan, specs))
    for first in range(0, len(records), 5000):
        # What waits for a commit is bounded; readings beyond that would be dropped.
        done.clear()
        writer.put(records[first : first + 5000])
        assert done.wait(20.0)
    assert writer.stop(20.0)


def note(subject: str, detail: dict[str, object]) -> Event:
    """A salt check on record."""
    body: dict[str, object] = {"do": "note", "subject": subject, "what": "salt check", "detail": detail}
    return Event(1, BOOTED_NS, EventKind.COMMAND, subject, body)


def made_up(
    days: float, *, step_s: float = 600.0, name: str = "room-2", level: float = 0.4, swing: float = 0.05
) -> AirSeries:
    """A room whose humidity swings once a day about a level, at 21 °C."""
    times = START_S + np.arange(0.0, days * 86_400.0, step_s)
    humidity = level + swing * np.cos(2.0 * np.pi * (times % 86_400.0) / 86_400.0)
    return tidied(name, times, humidity, np.full_like(times, 294.15), u_humidity=0.01, u_air_k=0.2)
