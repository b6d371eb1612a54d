"""What the watcher stored, fed to a fresh core, gives what it stored: to the byte."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.daemon.core.codec import canonical, plan_from_json
from quietbench.daemon.core.records import Event, Record
from quietbench.daemon.core.replay import replay
from quietbench.daemon.store.read import StoreReader
from tests.support.brokers import wait_until
from tests.support.site import SimulatedSite

pytestmark = pytest.mark.slow


def written(record: Record) -> tuple[object, ...]:
    if isinstance(record, Event):
        body = canonical(record.body)
        return (record.count, record.monotonic_ns, record.kind.value, record.subject, body)
    return (record.count, record.monotonic_ns, record.channel, record.raw, record.given)


def test_a_recorded_run_replays_to_the_byte(folder: Path) -> None:
    """The demo's first half minute at four times its speed: dropouts, an opening, commands."""
    with SimulatedSite(folder, scenario="demo", speed=4.0) as site:
        site.start_watcher()
        wait_until(
            lambda: sum(e.kind.value == "alarm" for e in site.events()) >= 4,
            "four alarm events",
            within_s=30.0,
        )
        site.stop_watcher()

    with StoreReader(folder / "store") as reader:
        plan = plan_from_json(reader.plan(1))
        inputs = list(reader.inputs(1))
        stored = [
            (e.count, e.monotonic_ns, e.kind.value, e.subject, canonical(e.body))
            for e in reader.events_after(0, 1_000_000)
            if e.count > 0
        ]
        readings = [(r.count, r.monotonic_ns) for r in reader.readings_after(0, 1_000_000)]
    again = list(replay(plan, inputs))

    assert [written(r) for r in again if isinstance(r, Event)] == stored
    assert [(r.count, r.monotonic_ns) for r in again if not isinstance(r, Event)] == readings
