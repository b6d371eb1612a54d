"""From the strap to everybody who must know: buzzer, bench, broker, store, database; and back."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.brokers import Mosquitto, MosquittoSub, VictoriaMetrics, wait_until
from tests.support.site import (
    BUZZER_1,
    CLOSED,
    GREEN_1,
    OPEN,
    RED_1,
    STRAP_1,
    SimulatedSite,
)

pytestmark = pytest.mark.slow


def sinks(broker: int | None = None, database: str | None = None) -> str:
    """Return the sink tables for far ends on this machine."""
    text = ""
    if broker is not None:
        text += f'\n[sinks.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker}\n'
    if database is not None:
        text += f'\n[sinks.history]\nkind = "line-protocol"\nurl = "{database}"\nbucket = "benches"\n'
    return text


def test_a_strap_that_opens_reaches_everybody_and_all_return_when_it_closes(folder: Path) -> None:
    """One opening, seen by an independent MQTT client, in the store, and read back from the database."""
    with (
        Mosquitto() as broker,
        VictoriaMetrics() as database,
        MosquittoSub(broker.port, "quietbench/#") as heard,
        SimulatedSite(folder, more=sinks(broker.port, database.url)) as site,
    ):
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.wait_relay(energised=True)
        wait_until(lambda: any(h.topic.endswith("/status") for h in heard.heard), "birth message")

        opened_ns = site.control.line(STRAP_1, OPEN)

        site.wait_output(BUZZER_1, 1, within_s=2.0)
        site.wait_bench("bench-1", "open", within_s=2.0)
        site.wait_relay(energised=False)
        site.wait_output(GREEN_1, 0)
        shown = site.bench("bench-1")
        assert shown["sentence"].startswith("Strap path open")
        assert [s["state"] for s in shown["paths"][0]] == ["open"] * 4 + ["good"]

        wait_until(
            lambda: any(
                h.topic == "quietbench/room-2/events"
                and h.json["kind"] == "alarm"
                and h.json["subject"] == "bench-1/strap:closed"
                and h.json["body"]["to"] == "unacknowledged"
                for h in heard.heard
            ),
            "the alarm at mosquitto_sub",
        )
        edge = next(
            r
            for r in site.readings()
            if r.channel == "bench-1/strap" and r.value == 0 and r.monotonic_ns >= opened_ns
        )
        assert abs(edge.monotonic_ns - opened_ns) < 1000, "the edge's own time, to the microsecond"
        alarm = site.stored("bench-1/strap:closed")
        assert alarm.body["value"] == 0

        match = '{__name__="quietbench_value",quantity="strap_contact",bench="bench-1"}'
        database.wait_for(match, lambda found: found and 0 in found[0]["values"])

        site.control.line(STRAP_1, CLOSED)

        site.wait_bench("bench-1", "held", within_s=2.0)
        site.wait_output(BUZZER_1, 0, within_s=3.0)
        site.wait_output(RED_1, 0)
        site.wait_output(GREEN_1, 1)
        site.wait_relay(energised=True)
        site.wait_alarm("bench-1/strap:closed", "returned unacknowledged", within_s=3.0)
        database.wait_for(match, lambda found: found and found[0]["values"][-1] == 1)
        wait_until(
            lambda: any(
                h.topic == "quietbench/room-2/bench/bench-1" and h.json["state"] == "held"
                for h in heard.heard[-50:]
            ),
            "the retained state of the bench",
        )


@pytest.mark.parametrize("ms", [5.0, 20.0])
def test_an_opening_of_milliseconds_is_recorded_with_both_its_edges(folder: Path, ms: float) -> None:
    """What no poll at 10 Hz would see: start and end to the microsecond, and a bench that was open between."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")

        start_ns, end_ns = site.control.pulse(STRAP_1, OPEN, ms)

        wait_until(
            lambda: len([r for r in site.readings() if r.channel == "bench-1/strap"]) >= 3, "three readings"
        )
        edges = [(r.monotonic_ns, r.value) for r in site.readings() if r.channel == "bench-1/strap"]
        assert abs(edges[-2][0] - start_ns) < 1000
        assert abs(edges[-1][0] - end_ns) < 1000
        assert [value for _, value in edges[-2:]] == [0.0, 1.0]
        assert [e.body["to"] for e in site.events() if e.subject == "bench-1"][-2:] == ["open", "held"]


def test_with_no_sink_at_all_the_bench_is_watched_all_the_same(folder: Path) -> None:
    """No broker, no database, no network: buzzer and store work."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.control.line(STRAP_1, OPEN)
        site.wait_output(BUZZER_1, 1, within_s=2.0)

        assert site.stop_watcher() == 0

        assert any(e.subject == "bench-1/strap:closed" for e in site.events())
        assert "ERROR" not in site.said()


def test_the_mat_lead_that_falls_off_opens_the_bench_within_two_polls(folder: Path) -> None:
    """Read through the converter: more than the circuit resolves, beyond ten times the commissioning value."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-2", "held")

        site.control.force("bench-2/mat_lead", "open")

        site.wait_bench("bench-2", "open", within_s=4.0)
        shown = site.bench("bench-2")
        assert shown["sentence"].startswith("Mat path open")
        reading = next(r for r in site.snapshot()["readings"] if r["channel"] == "bench-2/mat")
        assert reading["sense"] == ">"
        assert reading["value"] > 2.2e8

        site.control.force("bench-2/mat_lead", "closed")
        site.wait_bench("bench-2", "held", within_s=4.0)


def test_dry_air_is_announced_with_the_clause_it_comes_from(folder: Path) -> None:
    """The limit quotes its document; the bench stays held."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")

        site.control.force_humidity("room-2", 24.0)

        wait_until(lambda: any("humidity" in alarm for alarm in site.alarms()), "an alarm of the air")
        event = site.stored("humidity", part=True)
        source = event.body["source"]
        assert isinstance(source, dict)
        assert source["document"]
        assert source["clause"]
        assert source["trust"]
        assert event.body["value"] == pytest.approx(0.24, abs=0.01)
        assert site.bench("bench-1")["state"] == "held"
