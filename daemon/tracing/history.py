"""From stores to arrays: channels with their readings, the wiring that was in force, repairs.

Read from the first run on whose wiring is the newest one's: what was measured across other stretches can't be added.
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from quietbench.daemon.core.codec import plan_from_json
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Channel, Limit, Plan, Requirement
from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.core.records import EventKind, Quality
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import StoredEvent, StoredReading, StoredRun
from quietbench.daemon.tracing.dropouts import Series, State, joined
from quietbench.daemon.tracing.errors import TracingError
from quietbench.daemon.tracing.wiring import Floats

_CHUNK = 5000
_NS = 1e9


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair on record: when (s), what it was done to, what was done, and by whom (an id)."""

    at_s: float
    subject: str
    what: str
    person: str
    role: str
    why: str


@dataclass(frozen=True, slots=True)
class ChannelHistory:
    """A channel of the plan and what was kept of it."""

    channel: Channel
    watcher: int
    series: Series

    @property
    def is_path(self) -> bool:
        """Get whether its quantity watches a way to earth, and it says which stretches."""
        return QUANTITIES[self.channel.quantity].path and bool(self.channel.measures)


@dataclass(frozen=True, slots=True)
class WatcherHistory:
    """One store: whose it is, what it covers, and whether some of it was left out for another wiring."""

    plan: Plan
    folder: Path
    last_n: int
    runs: int
    left_out: int
    clock_known: bool


@dataclass(slots=True)
class History:
    """Everything that was read, on the clocks of the watchers; times in s since ``origin_s`` (UTC)."""

    origin_s: float
    watchers: list[WatcherHistory] = field(default_factory=list)
    channels: list[ChannelHistory] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)

    def path_channels(self) -> list[ChannelHistory]:
        """Return the channels that watch stretches."""
        return [channel for channel in self.channels if channel.is_path]

    def of_quantity(self, quantity: str) -> list[ChannelHistory]:
        """Return the channels of one quantity."""
        return [channel for channel in self.channels if channel.channel.quantity == quantity]

    def stretches(self) -> dict[str, str]:
        """Return what every stretch of every watcher hangs on."""
        out: dict[str, str] = {}
        for watcher in self.watchers:
            for bench in watcher.plan.benches:
                out.update(bench.stretches)
            for channel in watcher.plan.channels:
                for stretch in channel.measures:
                    out.setdefault(stretch, "earth")
        return out


def read(folders: list[Path], since_s: float | None = None) -> History:
    """Read one or more stores; ``since_s`` (UTC) leaves out what is older.

    Raises:
        StoreError: a store can't be read.
        TracingError: a store holds no run yet.
    """
    history: History | None = None
    for index, folder in enumerate(folders):
        with StoreReader(folder) as reader:
            history = _read_one(reader, folder, index, history, since_s)
    assert history is not None
    return history


def _read_one(
    reader: StoreReader, folder: Path, index: int, history: History | None, since_s: float | None
) -> History:
    runs = reader.runs()
    if not runs:
        raise TracingError(f"{folder}: got a store without any run, wanted one that a watcher has written to")
    plan = plan_from_json(reader.plan(runs[-1].run))
    usable = _same_wiring(reader, runs, plan)
    history = history or History(since_s if since_s is not None else usable[0].wall_ns / _NS)
    collected = _Collected(plan)
    known = True
    for reading in _readings(reader, usable[0].first_n - 1):
        if since_s is None or reading.wall_ns / _NS >= since_s:
            collected.take(reading, history.origin_s)
            known = known and reading.clock_known
    history.repairs += _take_events(reader, history.origin_s, collected)
    history.channels += collected.channels(index)
    left_out = len(runs) - len(usable)
    history.watchers.append(WatcherHistory(plan, folder, reader.last_n(), len(usable), left_out, known))
    return history


def _same_wiring(reader: StoreReader, runs: list[StoredRun], plan: Plan) -> list[StoredRun]:
    """Return the newest runs in a row with the newest wiring."""
    wanted, seen = _wiring(plan), {runs[-1].plan_sha256: True}
    out: list[StoredRun] = []
    for run in reversed(runs):
        if run.plan_sha256 not in seen:
            seen[run.plan_sha256] = _wiring(plan_from_json(reader.plan(run.run))) == wanted
        if not seen[run.plan_sha256]:
            break
        out.append(run)
    return out[::-1]


def _wiring(plan: Plan) -> str:
    measured = {channel.name: sorted(channel.measures) for channel in plan.channels if channel.measures}
    return json.dumps([measured, [bench.stretches for bench in plan.benches]], sort_keys=True)


def _readings(reader: StoreReader, n: int) -> Iterator[StoredReading]:
    while found := reader.readings_after(n, _CHUNK):
        yield from found
        n = found[-1].n


def _events(reader: StoreReader) -> Iterator[StoredEvent]:
    n = 0
    while found := reader.events_after(n, _CHUNK):
        yield from found
        n = found[-1].n


def _take_events(reader: StoreReader, origin_s: float, collected: _Collected) -> list[Repair]:
    """Return repairs, also those before the analysed time: drift and rates start anew there. Note how runs go on."""
    out = []
    for event in _events(reader):
        collected.goes_on(event.run, event.wall_ns / _NS - origin_s)
        body: Mapping[str, Any] = event.body
        if event.kind is EventKind.COMMAND and body.get("do") == "repair":
            words = (str(body.get(key, "")) for key in ("what", "person", "role", "why"))
            out.append(Repair(event.wall_ns / _NS - origin_s, event.subject, *words))
    return out


class _Collected:
    """Readings by channel, in growing arrays: a list of floats would take four times as much memory."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._limits = {c.name: _protecting(c) for c in plan.channels}
        self._at = {c.name: array("d") for c in plan.channels}
        self._state = {c.name: array("b") for c in plan.channels}
        self._value = {c.name: array("d") for c in plan.channels}
        self._run = {c.name: array("l") for c in plan.channels}
        self._last: dict[int, float] = {}

    def goes_on(self, run: int, at_s: float) -> None:
        """Note that a run was still going at a time."""
        self._last[run] = max(self._last.get(run, at_s), at_s)

    def take(self, reading: StoredReading, origin_s: float) -> None:
        """Add one reading; channels that the newest plan does not know are passed over."""
        name, at_s = reading.channel, reading.wall_ns / _NS - origin_s
        self.goes_on(reading.run, at_s)
        if name not in self._at:
            return
        self._at[name].append(at_s)
        self._run[name].append(reading.run)
        self._state[name].append(_state(reading, self._limits[name]))
        self._value[name].append(float("nan") if reading.value is None else reading.value)

    def channels(self, watcher: int) -> list[ChannelHistory]:
        """Return every channel with its series, sorted by time (clocks may have been put right between)."""
        return [ChannelHistory(channel, watcher, self._series(channel)) for channel in self._plan.channels]

    def _series(self, channel: Channel) -> Series:
        at = np.array(self._at[channel.name])
        order = np.argsort(at, kind="stable")
        holds = 1.5 * channel.heartbeat_ns / _NS + channel.silent_after_ns / _NS
        state = np.array(self._state[channel.name], dtype=np.int64)
        ends = np.array([self._last[run] for run in self._run[channel.name]])
        value = np.array(self._value[channel.name])
        return Series(at[order], state[order], value[order], ends[order], holds)


def _protecting(channel: Channel) -> tuple[Limit, ...]:
    return tuple(limit for limit in channel.limits if limit.protects and not limit.entered)


def _state(reading: StoredReading, limits: tuple[Limit, ...]) -> int:
    if reading.quality is Quality.BAD or reading.value is None:
        return State.UNTRUSTED
    opened = any(zone(limit, reading.value, reading.sense) is Zone.VIOLATING for limit in limits)
    return State.OPEN if opened else State.GOOD


def upper_limit(channel: Channel) -> float | None:
    """Return the lowest bound a channel's value must stay below, if there is one."""
    below = (Requirement.BELOW, Requirement.AT_MOST)
    bounds = [limit.bound for limit in channel.limits if limit.protects and limit.requirement in below]
    return min(bounds, default=None)


def holding(channel: ChannelHistory, hold_s: float = 0.0) -> Floats:
    """Return the intervals (s) in which a contact said 1, each prolonged by ``hold_s``."""
    series = channel.series
    if not len(series.at_s):
        return np.zeros((0, 2))
    until = series.until()
    here = (series.value >= 0.5) & (series.state != State.UNTRUSTED)
    return joined(np.stack((series.at_s[here], until[here] + hold_s), axis=1))
