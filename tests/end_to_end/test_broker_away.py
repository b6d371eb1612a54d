"""A broker that is absent or dies: watching goes on, and everything arrives in order once it is back."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest

from tests.end_to_end.test_strap_opens import sinks
from tests.support.brokers import Mosquitto, Subscriber, wait_until
from tests.support.site import BUZZER_1, CLOSED, OPEN, STRAP_1, SimulatedSite

pytestmark = pytest.mark.slow


def in_order_and_complete(heard: Subscriber, site: SimulatedSite) -> None:
    """Every event and every kept reading of the store was heard, each stream in the order of its numbers."""
    events = [message["sequence"] for message in heard.on("quietbench/room-2/events")]
    batches = heard.on("quietbench/room-2/readings")
    readings = [tuple(reading["id"]) for batch in batches for reading in batch["readings"]]

    assert without_repeats(events) == [event.n for event in site.events()]
    assert without_repeats(readings) == [(r.run, r.count) for r in site.readings()]


def without_repeats(ids: list[Any]) -> list[Any]:
    """Drop what came again after a broken connection: ids make duplicates harmless."""
    return list(dict.fromkeys(ids))


def everything_sent(site: SimulatedSite, heard: Subscriber) -> bool:
    sent = heard.on("quietbench/room-2/events")
    batches = heard.on("quietbench/room-2/readings")
    events, readings = site.events(), site.readings()
    return (
        bool(sent)
        and bool(batches)
        and (sent[-1]["sequence"] == events[-1].n and batches[-1]["sequence"][1] == readings[-1].n)
    )


def open_and_close(site: SimulatedSite) -> None:
    site.control.line(STRAP_1, OPEN)
    site.wait_output(BUZZER_1, 1, within_s=2.0)
    site.control.line(STRAP_1, CLOSED)
    site.wait_bench("bench-1", "held", within_s=2.0)


def test_a_broker_absent_at_the_start_gets_everything_once_it_is_there(folder: Path) -> None:
    """The watcher neither waits for it nor forgets what happened before."""
    broker = Mosquitto()
    with SimulatedSite(folder, more=sinks(broker.port)) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        open_and_close(site)
        wait_until(lambda: "records wait in the store" in site.said(), "the log says that nobody is there")

        with broker, Subscriber(broker.port, "quietbench/#") as heard:
            wait_until(lambda: everything_sent(site, heard), "all records at the broker", within_s=40.0)
            assert site.stop_watcher() == 0
            heard.wait(lambda: everything_sent(site, heard))
            in_order_and_complete(heard, site)


def test_a_broker_killed_in_mid_run_gets_everything_after_it_is_back(folder: Path) -> None:
    """Nothing is lost, nothing out of order; the buzzer never noticed."""
    with (
        Mosquitto() as broker,
        Subscriber(broker.port, "quietbench/#") as heard,
        SimulatedSite(folder, more=sinks(broker.port)) as site,
    ):
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        open_and_close(site)
        heard.wait(lambda: everything_sent(site, heard))

        broker.kill()
        for _ in range(3):
            open_and_close(site)
        connects = heard.connects
        broker.start()
        heard.wait(lambda: heard.connects > connects)

        wait_until(lambda: everything_sent(site, heard), "all records at the broker", within_s=60.0)
        in_order_and_complete(heard, site)


def test_the_will_is_published_when_the_watcher_is_killed(folder: Path) -> None:
    """Retained: whoever looks later sees that nobody watches."""
    with (
        Mosquitto() as broker,
        Subscriber(broker.port, "quietbench/#") as heard,
        SimulatedSite(folder, more=sinks(broker.port)) as site,
    ):
        site.start_watcher()
        heard.wait(lambda: [m["status"] for m in heard.on("quietbench/room-2/status")] == ["online"])

        site.stop_watcher(signal.SIGKILL)

        heard.wait(lambda: heard.on("quietbench/room-2/status")[-1]["status"] == "offline", within_s=40.0)
        with Subscriber(broker.port, "quietbench/room-2/status") as late:
            late.wait(lambda: bool(late.heard))
            assert late.heard[0].retained
            assert late.heard[0].json["status"] == "offline"
