"""Commands over MQTT against a real Mosquitto, with the access list that the document publishes."""

from __future__ import annotations

import itertools
import json
import time
from collections.abc import Iterator

import pytest
from paho.mqtt.client import MQTTMessage

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.sinks import open_sink
from quietbench.daemon.sinks.commands import AT_ONCE, REMEMBERED_S
from quietbench.daemon.sinks.link import Arrived, Ears
from quietbench.daemon.sinks.options import MqttOptions
from tests.sinks.fake_broker import FakeBroker, connack
from tests.sinks.kit import (
    CommandTaker,
    MemoryStore,
    Rig,
    TestClock,
    command,
    context,
    mqtt_options,
    mqtt_rig,
    running,
)
from tests.sinks.test_schemas import ASYNCAPI, validate
from tests.support.brokers import Mosquitto, Subscriber, wait_until
from tests.support.commander import ROOT, Commander
from tests.support.proxy import Wire

pytestmark = pytest.mark.slow

NAMED, FOREIGN = "line-control", "shift-board"
USERS = {"watcher": "w", NAMED: "n", FOREIGN: "f"}
NOT_AUTHORISED, NOBODY_SUBSCRIBED = 0x87, 0x10
ACL = ASYNCAPI["channels"]["command"]["description"].split("```")[1].lstrip("\n")


def broker_with_users(**parts: str) -> Mosquitto:
    return Mosquitto(users=USERS, **{"acl": ACL, "extra": "log_type all", **parts})


def options(port: int, *clients: str, **parts: object) -> MqttOptions:
    return mqtt_options(port, username="watcher", password="w", commands=clients, **parts)


def commander(broker: Mosquitto, name: str = NAMED) -> Commander:
    return Commander(broker.port, name, USERS[name])


def subscribed(broker: Mosquitto) -> list[str]:
    """The topics of the watcher's subscriptions, by the broker's own log."""
    lines = [line for line in broker.log.splitlines() if ": quietbench-room-2 " in line]
    return [line.rsplit(" ", 1)[1] for line in lines if "SUBSCRIBE" not in line]


def listening(broker: Mosquitto, *clients: str) -> None:
    wanted = {f"{ROOT}/command/{client}" for client in clients}
    wait_until(lambda: wanted <= set(subscribed(broker)), f"subscriptions; log {broker.log[-500:]}")


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with broker_with_users() as broker:
        yield broker


def sink(broker: Mosquitto, taker: CommandTaker, *clients: str) -> Rig:
    return mqtt_rig(options(broker.port, *clients), command=taker.take)


def test_without_a_named_client_there_is_no_subscription(broker: Mosquitto) -> None:
    """The broker's own log knows of none, and a command finds nobody."""
    taker = CommandTaker()
    rig = mqtt_rig(mqtt_options(broker.port, username="watcher", password="w"), command=taker.take)
    with running(rig.sink), commander(broker) as client:
        rig.add_events([1])
        wait_until(lambda: rig.store.at("events") == 1, "an event")
        assert client.say(command()) == NOBODY_SUBSCRIBED
    assert subscribed(broker) == []
    assert "Received SUBSCRIBE from quietbench-room-2" not in broker.log
    assert taker.taken == []


def test_a_named_client_gives_a_command_and_hears_its_answer(broker: Mosquitto) -> None:
    """Signed in by name and password, at QoS 1 both ways, the subscription being that client's topic alone."""
    taker = CommandTaker()
    with running(sink(broker, taker, NAMED).sink), commander(broker) as client:
        listening(broker, NAMED)
        answer = client.ask(command(7))
    validate("command-answer", answer)
    assert (answer["id"], answer["ok"]["event"]["id"]) == (7, [12, 1])
    assert taker.taken == [(f"mqtt:{NAMED}", command(7))]
    assert set(subscribed(broker)) == {f"{ROOT}/command/{NAMED}"}
    assert f"quietbench-room-2 1 {ROOT}/command/{NAMED}" in broker.log


def test_nobody_writes_to_anothers_topic_or_hears_anothers_answer(broker: Mosquitto) -> None:
    """The published access list keeps a client that is signed in from the topic of another."""
    taker = CommandTaker()
    with (
        running(sink(broker, taker, NAMED).sink),
        commander(broker) as client,
        commander(broker, FOREIGN) as foreign,
        Subscriber(broker.port, f"{ROOT}/command/#", username=FOREIGN, password="f") as spying,
    ):
        listening(broker, NAMED)
        assert foreign.say(command(1), topic=client.topic) == NOT_AUTHORISED
        client.ask(command(2))
        assert foreign.say(command(3), topic=f"{client.topic}/answer") == NOT_AUTHORISED
        assert client.say(command(4), topic=f"{client.topic}/answer") == NOT_AUTHORISED
        assert spying.heard == []
    assert taker.ids == [2]
    assert len(client.answers) == 1


def test_a_client_that_is_signed_in_and_not_named_is_not_heard(broker: Mosquitto) -> None:
    """It may write to its own topic; nobody listens there."""
    taker = CommandTaker()
    with running(sink(broker, taker, NAMED).sink), commander(broker, FOREIGN) as foreign:
        listening(broker, NAMED)
        assert foreign.say(command()) == NOBODY_SUBSCRIBED
    assert taker.taken == []
    assert foreign.answers == []


def test_client_ids_do_where_the_broker_takes_them_from_the_user_name() -> None:
    """The same list by client id, with the one setting that makes a client id say who it is."""
    with broker_with_users(
        acl=ACL.replace("%u", "%c"), extra="log_type all\nuse_username_as_clientid true"
    ) as broker:
        taker = CommandTaker()
        with (
            running(mqtt_rig(options(broker.port, NAMED), command=taker.take).sink),
            commander(broker) as client,
            commander(broker, FOREIGN) as foreign,
        ):
            wait_until(lambda: f"watcher 1 {ROOT}/command/{NAMED}" in broker.log, "subscription")
            assert foreign.say(command(1), topic=client.topic) == NOT_AUTHORISED
            client.ask(command(2))
    assert taker.ids == [2]


def test_a_command_that_the_broker_kept_is_not_replayed(broker: Mosquitto) -> None:
    """Neither at the first connection nor at any other; and the watcher asks the broker not to."""
    taker = CommandTaker()
    with commander(broker) as client, Wire(broker.port) as wire:
        client.say(command(1), retain=True)
        rig = mqtt_rig(options(wire.port, NAMED), command=taker.take)
        with running(rig.sink):
            listening(broker, NAMED)
            assert client.ask(command(2))["id"] == 2
            wire.cut()
            wait_until(lambda: len(subscribed(broker)) == 2, "a second subscription")
            assert client.ask(command(3))["id"] == 3
        with Subscriber(broker.port, client.topic, username="watcher", password="w") as late:
            late.wait(lambda: late.heard)
            assert late.heard[0].retained, "the broker has it still"
    assert taker.ids == [2, 3]


def test_a_command_that_is_to_be_kept_is_refused_when_it_comes(broker: Mosquitto) -> None:
    """So the client learns of its mistake at once."""
    taker = CommandTaker()
    with running(sink(broker, taker, NAMED).sink), commander(broker) as client:
        listening(broker, NAMED)
        answer = client.ask(command(1), retain=True)
    validate("command-answer", answer)
    assert answer["error"]["what"] == "a retained command is not carried out"
    assert taker.taken == []


def test_a_command_given_while_the_watcher_is_away_is_never_carried_out(broker: Mosquitto) -> None:
    """No session waits at the broker: what was meant then is not done now."""
    taker = CommandTaker()
    with commander(broker) as client:
        for number in range(2):
            with running(sink(broker, taker, NAMED).sink):
                wait_until(lambda number=number: len(subscribed(broker)) == number + 1, "subscription")  # type: ignore[misc]
                client.ask(command(f"while-there-{number}"))
            assert client.say(command(f"while-away-{number}")) == NOBODY_SUBSCRIBED
    assert taker.ids == ["while-there-0", "while-there-1"]


def test_a_repeat_is_answered_and_not_carried_out_also_over_a_new_connection(broker: Mosquitto) -> None:
    """The memory is the sink's, not the connection's."""
    taker = CommandTaker()
    with (
        Wire(broker.port) as wire,
        commander(broker) as client,
        running(mqtt_rig(options(wire.port, NAMED), command=taker.take).sink),
    ):
        listening(broker, NAMED)
        first = client.ask(command(7))
        assert client.ask(command(7)) == first
        wire.cut()
        wait_until(lambda: len(subscribed(broker)) == 2, "a second subscription")
        assert client.ask(command(7)) == first
    assert taker.ids == [7]


def test_a_command_without_the_brokers_promise_is_carried_out_too(broker: Mosquitto) -> None:
    """At QoS 0 a command may be lost; its answer tells."""
    taker = CommandTaker()
    with running(sink(broker, taker, NAMED).sink), commander(broker) as client:
        listening(broker, NAMED)
        client.say(command(7), qos=0)
        client.wait(lambda: client.answers)
    assert taker.ids == [7]


@pytest.mark.parametrize("bytes_too_many", [1, 60_000])
def test_a_long_command_is_refused(broker: Mosquitto, bytes_too_many: int) -> None:
    """Up to twice what is taken it comes through and is answered."""
    taker = CommandTaker()
    with running(sink(broker, taker, NAMED).sink), commander(broker) as client:
        listening(broker, NAMED)
        answer = client.ask(b" " * (65_536 + bytes_too_many))
    validate("command-answer", answer)
    assert answer["error"]["what"] == "the command is too long"
    assert answer["id"] is None


def test_a_huge_message_does_not_reach_the_watcher_and_the_next_one_does(broker: Mosquitto) -> None:
    """The watcher told the broker what it takes; a megabyte never crosses the wire."""
    taker = CommandTaker()
    with (
        Wire(broker.port) as wire,
        commander(broker) as client,
        running(mqtt_rig(options(wire.port, NAMED), command=taker.take).sink),
    ):
        listening(broker, NAMED)
        client.say(b"x" * 1_000_000)
        assert client.ask(command(2))["id"] == 2
        assert wire.carried < 100_000
    assert taker.ids == [2]


@pytest.mark.parametrize("nonsense", [b"{", b"\xff", b"[]", b'{"id":{}}', b"\x00", b'"' * 1000])
def test_nonsense_is_answered_and_nobody_is_disturbed(broker: Mosquitto, nonsense: bytes) -> None:
    """The streams go on, the connection stays, the next command is carried out."""
    taker = CommandTaker()
    rig = sink(broker, taker, NAMED)
    with running(rig.sink), commander(broker) as client:
        listening(broker, NAMED)
        validate("command-answer", client.ask(nonsense))
        client.ask(command(2))
        rig.add_events([1])
        wait_until(lambda: rig.store.at("events") == 1, "an event")
    assert taker.ids == [2]
    assert len(subscribed(broker)) == 1
    assert rig.complaints.texts == []


def test_a_flood_costs_its_sender_and_nobody_else(broker: Mosquitto) -> None:
    """Hundreds at once: some taken, some refused with words, and another client is served all the while."""
    taker = CommandTaker()
    with (
        running(sink(broker, taker, NAMED, FOREIGN).sink),
        commander(broker) as client,
        commander(broker, FOREIGN) as foreign,
    ):
        listening(broker, NAMED, FOREIGN)
        began = time.monotonic()
        for number in range(300):
            client._client.publish(client.topic, json.dumps(command(number)), qos=1)
        assert "ok" in foreign.ask(command("theirs"))
        client.wait(lambda: len([a for a in client.answers if "error" in a]) >= AT_ONCE)
        spent_s = time.monotonic() - began
    taken = [request["id"] for identity, request in taker.taken if identity == f"mqtt:{NAMED}"]
    assert AT_ONCE <= len(taken) <= AT_ONCE + 5 * spent_s + 1
    refused = [answer["error"]["what"] for answer in client.answers if "error" in answer]
    assert set(refused) == {"too many commands; this one was not carried out"}


def test_who_slows_down_after_a_flood_is_served_again(broker: Mosquitto) -> None:
    """What fell away is not held against anybody."""
    taker = CommandTaker()
    with running(sink(broker, taker, NAMED).sink), commander(broker) as client:
        listening(broker, NAMED)
        for _ in range(200):
            client._client.publish(client.topic, b"{", qos=1)
        client.wait(lambda: len(client.answers) >= AT_ONCE)
        numbers = itertools.count()

        def served() -> bool:
            time.sleep(0.1)
            client.say(command(next(numbers)))
            return bool(taker.taken)

        wait_until(served, "a command carried out")


def test_messages_that_nobody_hears_are_bounded_by_topic() -> None:
    """A network thread faster than the sink's keeps at most a few of each topic in memory."""
    posted: list[object] = []
    ears = Ears(posted.append)

    def arrive(topic: str) -> None:
        message = MQTTMessage(topic=topic.encode())
        message.payload = b"x"
        ears.on_message(None, None, message)

    for _ in range(100):
        arrive("a")
    arrive("b")
    assert [note.topic for note in posted if isinstance(note, Arrived)] == ["a"] * 32 + ["b"]
    ears.heard("a")
    arrive("a")
    arrive("a")
    assert len(posted) == 34


def test_what_is_refused_at_the_end_is_still_answered(broker: Mosquitto) -> None:
    """A watcher that stops says so to whoever waits, before it says goodbye."""
    taker = CommandTaker(at_once=False)
    with commander(broker) as client:
        with running(sink(broker, taker, NAMED).sink):
            listening(broker, NAMED)
            client.say(command(7))
            wait_until(lambda: taker.taken, "the command")
            taker.answers[0]({"error": {"what": "the watcher is stopping", "got": "g", "wanted": "w"}})
        client.wait(lambda: client.answers)
    assert client.answers[0]["error"]["what"] == "the watcher is stopping"


def test_a_broker_that_refuses_the_subscription_is_a_fault() -> None:
    """A person sees it at once, with the topic; the streams go on."""
    with FakeBroker(suback=NOT_AUTHORISED) as broker:
        rig = mqtt_rig(options(broker.port, NAMED), command=CommandTaker().take)
        with running(rig.sink):
            rig.add_events([1])
            wait_until(lambda: rig.store.at("events") == 1 and rig.complaints.now, "events, and a complaint")
    assert rig.complaints.now == (
        f'the broker refuses to hand on commands from "{ROOT}/command/{NAMED}" (Not authorized, 0x87): '
        "check what it allows this user to read"
    )
    retain_as_published, no_replay = 0x08, 0x20
    assert broker.subscribed == [(f"{ROOT}/command/{NAMED}", 1 | retain_as_published | no_replay)]


def test_a_broker_that_never_answers_the_subscription_is_left() -> None:
    """As with every message that it doesn't acknowledge."""
    with FakeBroker(suback=1) as broker:
        broker.answer_subscriptions = False
        rig = mqtt_rig(options(broker.port, NAMED, ack_s=0.1), command=CommandTaker().take)
        with running(rig.sink):
            wait_until(lambda: broker.connects >= 2, "another connection")


def test_answers_that_the_broker_refuses_are_a_fault() -> None:
    """A watcher that may not answer must say so somewhere else."""
    answers = f"{ROOT}/command/{NAMED}/answer"
    with FakeBroker(lambda one: NOT_AUTHORISED if one.topic == answers else 0) as broker:
        rig = mqtt_rig(options(broker.port, NAMED), command=CommandTaker().take)
        with running(rig.sink):
            wait_until(lambda: broker.subscribed, "subscription")
            broker.send(f"{ROOT}/command/{NAMED}", json.dumps(command()).encode())
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert rig.complaints.now == f'the broker refuses a message on "{answers}": Not authorized (0x87)'


def test_a_broker_with_a_window_of_one_takes_answers_too() -> None:
    """Subscription, status, events and answers one after the other."""
    with FakeBroker(connack=connack(receive_maximum=1)) as broker:
        taker = CommandTaker()
        rig = mqtt_rig(options(broker.port, NAMED), command=taker.take)
        with running(rig.sink):
            wait_until(lambda: broker.subscribed and broker.published, "status")
            broker.send(f"{ROOT}/command/{NAMED}", json.dumps(command()).encode())
            rig.add_events(range(1, 20))
            wait_until(lambda: broker.on(f"{ROOT}/command/{NAMED}/answer"), "answer")
            wait_until(lambda: rig.store.at("events") == 19, "events")
    assert broker.outstanding_most == 1


def test_a_message_replayed_by_a_broker_that_should_not_is_refused() -> None:
    """The flag on the message is enough, whoever ignores what the subscription asked for."""
    taker = CommandTaker()
    with FakeBroker() as broker:
        rig = mqtt_rig(options(broker.port, NAMED), command=taker.take)
        with running(rig.sink):
            wait_until(lambda: broker.subscribed and broker.published, "status")
            broker.send(f"{ROOT}/command/{NAMED}", json.dumps(command()).encode(), retain=True)
            broker.send(f"{ROOT}/command/stranger", json.dumps(command()).encode())
            wait_until(lambda: broker.on(f"{ROOT}/command/{NAMED}/answer"), "a refusal")
    assert taker.taken == []


def test_a_sink_whose_context_takes_no_commands_is_refused_at_the_start() -> None:
    """Configured and impossible is an error, not silence."""
    with pytest.raises(ConfigurationError, match="takes none"):
        open_sink("broker", options(1, NAMED), context(MemoryStore()))


def test_ids_are_forgotten_by_the_monotonic_clock(broker: Mosquitto) -> None:
    """After five minutes the same id is a new command; the wall clock plays no part."""
    taker, clock = CommandTaker(), TestClock(at_ns=time.monotonic_ns())
    rig = mqtt_rig(options(broker.port, NAMED, ack_s=10_000.0), clock, command=taker.take)
    with commander(broker) as client:
        rig.sink.start()
        try:
            listening(broker, NAMED)
            client.ask(command(1))
            client.ask(command(1))
            assert clock.at_ns is not None
            clock.at_ns += (REMEMBERED_S + 1) * 10**9
            client.ask(command(1))
        finally:
            clock.at_ns = None
            rig.sink.stop(2.0)
    assert taker.ids == [1, 1]
