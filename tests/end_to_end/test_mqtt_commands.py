"""Commands from a client of a real broker, carried out by the running watcher and recorded with who and why."""

from __future__ import annotations

import itertools
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietbench.daemon.store.stored import StoredEvent
from tests.sinks.test_mqtt_commands import ACL
from tests.sinks.test_schemas import validate
from tests.support.brokers import Mosquitto, Subscriber, wait_until
from tests.support.commander import Commander
from tests.support.site import BUZZER_1, CLOSED, OPEN, STRAP_1, SimulatedSite

pytestmark = pytest.mark.slow

USERS = {"watcher": "w", "line-control": "n", "shift-board": "f", "wall": "l"}
LOOKING = "user wall\ntopic read quietbench/#\n\n"
STRAP_OPEN = "bench-1/strap:closed"
WHO = {"person": "ada", "role": "operator", "why": "new cord"}
SINK = """
[sinks.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
username = "watcher"
password = "env:BROKER_WORD"
"""
NAMED = 'commands = ["line-control"]\n'


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto(users=USERS, acl=LOOKING + ACL, extra="log_type all") as broker:
        yield broker


def watched(folder: Path, broker: Mosquitto, more: str) -> SimulatedSite:
    text = SINK.format(port=broker.port) + more
    return SimulatedSite(folder, more=text, environment={"BROKER_WORD": "w"})


def listening(broker: Mosquitto) -> None:
    """Wait until the watcher has subscribed, by the broker's own log."""
    line = "quietbench-room-2 1 quietbench/room-2/command/line-control"
    wait_until(lambda: line in broker.log, f"the subscription; log {broker.log[-500:]}")


def acknowledge(number: int) -> dict[str, object]:
    return {"id": number, "do": "acknowledge", "alarm": STRAP_OPEN, **WHO}


def commands(site: SimulatedSite) -> list[StoredEvent]:
    return [event for event in site.events() if event.kind.value == "command"]


def open_the_strap(site: SimulatedSite) -> None:
    site.start_watcher()
    site.wait_bench("bench-1", "held")
    site.control.line(STRAP_1, OPEN)
    site.wait_output(BUZZER_1, 1)
    site.wait_alarm(STRAP_OPEN, "unacknowledged")


def test_a_named_client_acknowledges_an_alarm_and_the_record_shows_by_whom(
    folder: Path, broker: Mosquitto
) -> None:
    """The buzzer falls silent, the bench stays open, the record names the client; the same again does nothing."""
    with (
        watched(folder, broker, NAMED) as site,
        Commander(broker.port, "line-control", "n") as client,
        Commander(broker.port, "shift-board", "f") as other,
        Subscriber(broker.port, "quietbench/#", username="wall", password="l") as heard,
    ):
        open_the_strap(site)
        listening(broker)
        assert other.say(acknowledge(1), topic=client.topic) == 0x87

        answer = client.ask(acknowledge(7))
        site.wait_alarm(STRAP_OPEN, "acknowledged")
        assert client.ask(acknowledge(7)) == answer
        refused = client.ask(acknowledge(8))

        validate("command-answer", answer)
        assert refused["error"]["got"] == "acknowledged"
        assert site.bench("bench-1")["state"] == "open"
        wait_until(lambda: commands(site), "the record")
        (record,) = commands(site)
        assert answer["ok"]["event"]["id"] == [record.run, record.count]
        assert (record.body["by"], record.body["uid"]) == ("mqtt:line-control", None)
        assert (record.body["role"], record.body["why"]) == ("operator", "new cord")
        assert str(record.body["person"]).startswith("p")

        heard.wait(lambda: any(e["kind"] == "command" for e in heard.on("quietbench/room-2/events")))
        for event in heard.on("quietbench/room-2/events"):
            validate("event", event)
        for one in heard.heard:
            if one.topic.startswith("quietbench/room-2/bench/"):
                validate("bench", one.json)
            elif one.topic.startswith("quietbench/room-2/alarm/"):
                validate("alarm", one.json)


def test_shelf_silence_and_live_work_show_on_the_retained_topics(folder: Path, broker: Mosquitto) -> None:
    """A shelf with its end in UTC, a quieted buzzer; each event fits the published schema."""
    alarm, bench = "quietbench/room-2/alarm/bench-1/strap/closed", "quietbench/room-2/bench/bench-1"
    with (
        watched(folder, broker, NAMED) as site,
        Commander(broker.port, "line-control", "n") as client,
        Subscriber(broker.port, "quietbench/#", username="wall", password="l") as heard,
    ):
        open_the_strap(site)
        listening(broker)

        assert "ok" in client.ask({"id": 1, "do": "silence", "bench": "bench-1", **WHO})
        heard.wait(lambda: heard.on(bench)[-1]["silenced"])
        site.wait_output(BUZZER_1, 0)
        assert "ok" in client.ask({"id": 2, "do": "shelve", "alarm": STRAP_OPEN, "for_s": 600, **WHO})
        heard.wait(lambda: heard.on(alarm)[-1]["state"] == "shelved")
        too_long = client.ask({"id": 3, "do": "shelve", "alarm": "bench-1/mat:fault", "for_s": 1801, **WHO})
        assert "1800" in too_long["error"]["wanted"]
        assert "ok" in client.ask({"id": 4, "do": "unshelve", "alarm": STRAP_OPEN, **WHO})
        site.control.line(STRAP_1, CLOSED)
        site.wait_bench("bench-1", "held")

        shelved = next(one for one in heard.on(alarm) if one["state"] == "shelved")
        assert shelved["until"] > shelved["since"]
        assert shelved["condition"] is True
        topics = {
            alarm: "alarm",
            bench: "bench",
            "quietbench/room-2/events": "event",
            "quietbench/room-2/live": "event",
        }
        for topic, schema in topics.items():
            assert heard.on(topic)
            for payload in heard.on(topic):
                validate(schema, payload)


def test_without_a_named_client_no_command_is_taken(folder: Path, broker: Mosquitto) -> None:
    """Off by default: nobody subscribes, nothing is recorded, the buzzer goes on."""
    with (
        watched(folder, broker, "") as site,
        Commander(broker.port, "line-control", "n") as client,
        Subscriber(broker.port, "quietbench/#", username="wall", password="l") as heard,
    ):
        open_the_strap(site)
        heard.wait(lambda: heard.on("quietbench/room-2/alarm/bench-1/strap/closed"))
        client.say(acknowledge(7))
        client.say(acknowledge(8), retain=True)
        site.stop_watcher()
        site.start_watcher()
        site.wait_alarm(STRAP_OPEN, "unacknowledged")

        assert commands(site) == []
        assert client.answers == []
        assert "Received SUBSCRIBE from quietbench-room-2" not in broker.log


def test_a_command_that_comes_while_the_watcher_stops_is_answered_or_has_no_effect(
    folder: Path, broker: Mosquitto
) -> None:
    """However it falls: what is answered with ok is in the record, what is not is not."""
    with watched(folder, broker, NAMED) as site, Commander(broker.port, "line-control", "n") as client:
        site.start_watcher()
        listening(broker)
        note = {"do": "note", "subject": "bench-1", "what": "seen", **WHO}
        assert site.watcher is not None
        client.ask({**note, "id": 0})
        site.watcher.send_signal(signal.SIGTERM)
        for number in itertools.count(1):
            client.say({**note, "id": number})
            if site.watcher.poll() is not None:
                break
        assert site.stop_watcher() == 0

        carried_out = {tuple(a["ok"]["event"]["id"]) for a in client.answers if "ok" in a}
        assert carried_out <= {(event.run, event.count) for event in commands(site)}
        for answer in client.answers:
            validate("command-answer", answer)


def test_commands_from_a_broker_without_sign_in_are_refused_by_check_and_by_the_watcher(folder: Path) -> None:
    """At load, with the key that lacks."""
    config = folder / "site.toml"
    with SimulatedSite(folder, more='\n[sinks.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\n' + NAMED):
        for module in (["quietbench.daemon.cli", "check"], ["quietbench.daemon.watcher"]):
            done = subprocess.run(
                [sys.executable, "-P", "-m", *module, str(config)],
                capture_output=True,
                text=True,
                timeout=30,
                check=False,
            )
            assert done.returncode != 0, module
            assert "username" in done.stdout + done.stderr, module
