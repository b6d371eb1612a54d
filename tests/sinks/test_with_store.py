"""Both sinks behind the real core and the real store."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from random import Random
from typing import TypeGuard

import pytest

from quietbench.daemon.core.codec import channel_spec, plan_to_json
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.records import Event, Output, Reading, Record
from quietbench.daemon.messages import render
from quietbench.daemon.sinks import LineProtocolOptions, MqttOptions, SinkContext, SinkOptions, open_sink
from quietbench.daemon.sinks.base import Sink, StoredRecord
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import RunStart
from quietbench.daemon.store.writer import StoreWriter
from tests.core.plans import BOND, HUMIDITY, MAT, MAT_GOOD, PRESENCE, STRAP, one_bench
from tests.sinks.kit import QUICK, TestClock
from tests.sinks.test_schemas import validate
from tests.support.brokers import Mosquitto, Subscriber, VictoriaMetrics, wait_until

pytestmark = pytest.mark.slow

PLAN = one_bench()
CLOCK = TestClock()


class Recording:
    """A core, a store and sinks, put together as the watcher does it."""

    def __init__(self, folder: Path, options: dict[str, SinkOptions]) -> None:
        self.failing: list[str | None] = []
        self._folder = folder
        self._last: dict[type, tuple[int, int]] = {}
        self._sinks: list[Sink] = []
        self.writer = StoreWriter(
            folder, clock=CLOCK, commit_every_s=0.02, committed=self._committed, failing=self.failing.append
        )
        stamp = CLOCK.stamp()
        channels = tuple((channel.name, channel_spec(channel)) for channel in PLAN.channels)
        start = RunStart(
            CLOCK.boot, stamp.monotonic_ns, stamp.wall_ns, True, "0.1.0", plan_to_json(PLAN), channels
        )
        self.run = self.writer.start(start)
        self._sinks = [
            open_sink(name, option, self._context(folder), random=Random(1))
            for name, option in options.items()
        ]
        for sink in self._sinks:
            sink.start()
        self.core = Core(PLAN, CLOCK.monotonic_ns())
        self.keep(self.core.start(CLOCK.monotonic_ns(), {"software": "0.1.0"}, {}))

    def keep(self, outputs: Iterable[Output]) -> list[Record]:
        """Store what is to be kept and offer what is urgent."""
        records: list[Record] = [one for one in outputs if isinstance(one, Event) or _kept(one)]
        self.writer.put(records)
        for record in records:
            self._last[type(record)] = (self.run, record.count)
            if isinstance(record, Event):
                for sink in self._sinks:
                    sink.offer(record)
        return records

    def feed(self, channel: int, raw: float) -> list[Record]:
        return self.keep(self.core.feed(channel, CLOCK.monotonic_ns(), raw))

    def stop(self) -> None:
        for sink in self._sinks:
            sink.stop(2.0)
        assert self.writer.stop(2.0)

    def sent(self, *sinks: str) -> bool:
        """Say whether the durable cursors of sinks are at the last record of each stream that was made."""
        with StoreReader(self._folder) as reader:
            ends = [
                (_at(reader.events_after, reader.cursor(sink, "events")), self._last.get(Event))
                for sink in sinks
            ]
            ends += [
                (_at(reader.readings_after, reader.cursor(sink, "readings")), self._last.get(Reading))
                for sink in sinks
            ]
        return all(at == last for at, last in ends)

    def _committed(self) -> None:
        for sink in self._sinks:
            sink.committed()

    def _context(self, folder: Path) -> SinkContext:
        return SinkContext(
            folder=folder,
            run=self.run,
            site=PLAN.site,
            watcher=PLAN.watcher,
            channels={c.name: (c.quantity, c.unit, c.quantity) for c in PLAN.channels},
            advance=self.writer.advance,
            set_aside=self.writer.set_aside,
            failing=self.failing.append,
            render=lambda body: (
                render(body["sentence"]["key"], body["sentence"]["args"]) if body.get("sentence") else ""
            ),
            clock=CLOCK,
        )


def _at(after: Callable[[int, int], Sequence[StoredRecord]], cursor: int) -> tuple[int, int] | None:
    """Return the id of the record that a cursor stands at."""
    records = after(cursor - 1, 1)
    return (records[0].run, records[0].count) if records and records[0].n == cursor else None


def _kept(one: object) -> TypeGuard[Reading]:
    return isinstance(one, Reading) and one.keep


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as broker:
        yield broker


def wait_for(recording: Recording) -> None:
    wait_until(lambda: recording.sent("broker"), "cursors")


def mqtt(broker: Mosquitto) -> MqttOptions:
    return MqttOptions("127.0.0.1", broker.port, retry=QUICK)


def test_a_strap_that_opens_reaches_both_far_ends(broker: Mosquitto, tmp_path: Path) -> None:
    """Real events and readings of a core fit the schemas, and the point reads back from the database."""
    with VictoriaMetrics() as database, Subscriber(broker.port, "quietbench/#") as heard:
        history = LineProtocolOptions(database.url, age_s=0.05, retry=QUICK)
        recording = Recording(tmp_path, {"broker": mqtt(broker), "history": history})
        for channel, raw in (
            (PRESENCE, 1),
            (BOND, 1),
            (STRAP, 1),
            (MAT, MAT_GOOD),
            (HUMIDITY, 450),
            (STRAP, 0),
        ):
            recording.feed(channel, raw)
        root = f"quietbench/{PLAN.watcher}"
        heard.wait(lambda: [one for one in heard.on(f"{root}/events") if one["subject"] == "b/strap:closed"])
        wait_until(lambda: recording.sent("broker", "history"), "cursors")
        series = database.wait_for(
            '{__name__="quietbench_value",channel="b/strap"}', lambda found: found and 0 in found[0]["values"]
        )
        states = database.wait_for(
            '{__name__="quietbench_alarm_state",limit="closed",channel="b/strap"}', bool
        )
        recording.stop()
    for topic, name in (
        ("events", "event"),
        ("live", "event"),
        ("readings", "readings"),
        ("status", "status"),
    ):
        assert heard.on(f"{root}/{topic}"), topic
        for payload in heard.on(f"{root}/{topic}"):
            validate(name, payload)
    alarm = heard.on(f"{root}/alarm/b/strap/closed")[-1]
    validate("alarm", alarm)
    assert alarm["state"] == "unacknowledged"
    assert alarm["sentence"].startswith("Strap path open")
    bench = heard.on(f"{root}/bench/b")[-1]
    validate("bench", bench)
    assert bench["state"] == "open"
    live = {tuple(one["id"]) for one in heard.on(f"{root}/live")}
    assert live
    assert live <= {tuple(one["id"]) for one in heard.on(f"{root}/events")}
    assert series[0]["metric"]["bench"] == "b"
    assert states[0]["values"][-1] == 1
    assert recording.failing == []


def test_a_restart_goes_on_where_the_cursors_are(broker: Mosquitto, tmp_path: Path) -> None:
    """A second run sends what the first left, once, and both runs are told apart by their ids."""
    with Subscriber(broker.port, "quietbench/#") as heard:
        for _ in range(2):
            recording = Recording(tmp_path, {"broker": mqtt(broker)})
            for raw in (1, 0, 1, 0):
                recording.feed(STRAP, raw)
            wait_for(recording)
            recording.stop()
        readings = heard.on(f"quietbench/{PLAN.watcher}/readings")
    ids = [tuple(one["id"]) for batch in readings for one in batch["readings"]]
    assert ids == sorted(ids)
    assert len(ids) == len(set(ids))
    assert {run for run, _ in ids} == {1, 2}


def test_everything_committed_before_the_far_end_came_arrives(broker: Mosquitto, tmp_path: Path) -> None:
    """A thousand readings on disk before the broker was reached all arrive, in order, while more are made."""
    with Subscriber(broker.port, "quietbench/#") as heard:
        recording = Recording(tmp_path, {})
        for step in range(1000):
            recording.feed(STRAP, step % 2)
        recording.stop()
        recording = Recording(tmp_path, {"broker": mqtt(broker)})
        for step in range(200):
            recording.feed(STRAP, step % 2)
        wait_for(recording)
        recording.stop()
        batches = heard.on(f"quietbench/{PLAN.watcher}/readings")
    ids = [tuple(one["id"]) for batch in batches for one in batch["readings"]]
    reader = StoreReader(tmp_path)
    assert ids == [(one.run, one.count) for one in reader.readings_after(0, 10**6)]
    reader.close()
    assert [batch["after"] for batch in batches[1:]] == [batch["sequence"][1] for batch in batches[:-1]]


def test_a_killed_watcher_shows_as_offline(broker: Mosquitto, tmp_path: Path) -> None:
    """The will of a process that is killed is published with its run."""
    script = f"""
import sys, time
from pathlib import Path
sys.path.insert(0, {str(Path(__file__).parents[2])!r})
from tests.sinks.test_with_store import Recording
from quietbench.daemon.sinks import MqttOptions
recording = Recording(Path({str(tmp_path)!r}), {{"broker": MqttOptions("127.0.0.1", {broker.port})}})
time.sleep(60)
"""
    with Subscriber(broker.port, "quietbench/+/status") as heard:
        victim = subprocess.Popen([sys.executable, "-c", script])
        try:
            heard.wait(lambda: heard.heard)
            assert heard.heard[0].json["status"] == "online"
        finally:
            victim.kill()
            victim.wait()
        heard.wait(lambda: len(heard.heard) == 2)
    told = json.loads(heard.heard[1].payload)
    assert (told["status"], told["reason"], told["run"]) == ("offline", "connection lost", 1)


def test_live_events_are_fast_beside_a_backlog(broker: Mosquitto, tmp_path: Path) -> None:
    """While thousands of stored records drain, an alarm is heard live within a moment."""
    recording = Recording(tmp_path, {})
    for step in range(4_000):
        recording.feed(STRAP, step % 2)
    recording.stop()
    topic = f"quietbench/{PLAN.watcher}/live"
    with Subscriber(broker.port, topic) as heard:
        recording = Recording(tmp_path, {"broker": mqtt(broker)})
        heard.wait(lambda: heard.heard)
        delays_s = []
        for step in range(20):
            before, began = len(heard.heard), time.monotonic()
            recording.feed(BOND, step % 2)
            heard.wait(lambda before=before: len(heard.heard) > before)  # type: ignore[misc]
            delays_s.append(time.monotonic() - began)
        recording.stop()
    assert sorted(delays_s)[10] < 0.1
