"""The MQTT sink against a small broker that misbehaves: what a well-behaved one can't be made to do."""

from __future__ import annotations

import json
import socket
import threading

import pytest

from quietbench.daemon.core.records import EventKind
from quietbench.daemon.sinks import link as link_module
from tests.sinks.fake_broker import CUT, FakeBroker, Published, connack
from tests.sinks.kit import RUN, live, mqtt_options, mqtt_rig, running
from tests.support.brokers import free_port, wait_until

ROOT = "quietbench/room-2"
STATUS, EVENTS, READINGS, LIVE = (f"{ROOT}/{last}" for last in ("status", "events", "readings", "live"))
QUOTA, NOT_AUTHORISED, PAYLOAD_INVALID, TAKEN_OVER = 0x97, 0x87, 0x99, 0x8E


def numbers(batches: list[Published]) -> list[int]:
    """The counts of all readings of some batches."""
    return [one["id"][1] for batch in batches for one in batch.json["readings"]]


def holds(published: Published, count: int) -> bool:
    return published.topic == READINGS and count in numbers([published])


def test_everything_goes_at_qos_1_and_streams_are_not_retained() -> None:
    """Status is retained, streams are not; nothing is QoS 0, nothing a duplicate of the library's making."""
    with FakeBroker() as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_events([1])
            rig.add_readings([2])
            wait_until(lambda: rig.store.at("readings") == 2 and rig.store.at("events") == 1, "cursors")
    assert {one.qos for one in broker.published} == {1}
    assert not any(one.dup for one in broker.published)
    assert {(one.topic, one.retain) for one in broker.published} == {
        (STATUS, True),
        (EVENTS, False),
        (READINGS, False),
    }
    assert broker.client_ids == ["quietbench-room-2"]
    assert broker.goodbyes == [0]


def test_full_quota_is_a_fault_and_nothing_counts_as_sent() -> None:
    """A PUBACK with 0x97 leaves the cursor, tells a person, backs off, and all arrives when the broker has room."""
    full = [True]
    with FakeBroker(lambda one: QUOTA if full[0] and one.topic == READINGS else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_readings(range(1, 4))
            wait_until(lambda: len(broker.on(READINGS)) >= 3, "three attempts")
            assert rig.store.at("readings") == 0
            assert rig.complaints.texts == [
                f'the broker refuses a message on "{READINGS}": Quota exceeded (0x97)',
            ]
            full[0] = False
            wait_until(lambda: rig.store.at("readings") == 3, "readings")
            wait_until(lambda: rig.complaints.now is None, "well again")
    assert rig.store.aside == []
    assert broker.connects == 1


def test_publishing_that_is_not_allowed_is_a_fault() -> None:
    """A PUBACK with 0x87 for the status is told, and the streams go on."""
    with FakeBroker(lambda one: NOT_AUTHORISED if one.topic == STATUS else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.store.at("readings") == 1, "readings")
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert rig.complaints.now == f'the broker refuses a message on "{STATUS}": Not authorized (0x87)'


def test_refused_record_is_bisected_out() -> None:
    """Of a batch refused with 0x99 only the record that the broker can't stand is set aside, with the reason."""
    with FakeBroker(lambda one: PAYLOAD_INVALID if holds(one, 11) else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=16))
        with running(rig.sink):
            rig.add_readings(range(1, 41))
            wait_until(lambda: rig.store.at("readings") == 40, "readings")
    why = f'the broker refuses a message on "{READINGS}": Payload format invalid (0x99)'
    assert rig.store.aside == [("readings", 11, why)]
    taken = [one for one in broker.on(READINGS) if not holds(one, 11)]
    assert rebuilt(taken) == [n for n in range(1, 41) if n != 11]


def rebuilt(batches: list[Published]) -> list[int]:
    """What a receiver has that forgets back to ``after`` whenever a batch says so."""
    log: list[int] = []
    for batch in batches:
        log = [n for n in log if n <= batch.json["after"]] + numbers([batch])
    return log


@pytest.mark.slow
@pytest.mark.parametrize("receive_maximum", [1, 3])
def test_receive_maximum_is_kept(receive_maximum: int) -> None:
    """Never more messages are unanswered than the broker can take, with live events on top of a backlog."""
    gate = threading.Semaphore(0)

    def answer(_one: Published) -> int:
        gate.acquire(timeout=0.02)
        return 0

    with FakeBroker(answer, connack(receive_maximum=receive_maximum)) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=2))
        with running(rig.sink):
            for count in range(1, 6):
                rig.sink.offer(live(count))
            rig.add_readings(range(1, 41))
            wait_until(lambda: rig.store.at("readings") == 40, "readings")
            wait_until(lambda: len(broker.on(LIVE)) == 5, "live events")
    assert rebuilt(broker.on(READINGS)) == list(range(1, 41))


@pytest.mark.slow
def test_window_is_small_and_refilled_after_a_reconnect() -> None:
    """With no answers at all at most a window's flights are out, before and after a lost connection."""
    answering = [True]

    def answer(one: Published) -> int | None:
        return 0 if answering[0] or one.topic == STATUS else None

    with FakeBroker(answer) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=1, window=8, ack_s=0.3))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.store.at("readings") == 1, "a first reading")
            answering[0] = False
            rig.add_readings(range(2, 101))
            wait_until(lambda: broker.connects >= 3, "two reconnects")
            answering[0] = True
            wait_until(lambda: rig.store.at("readings") == 100, "readings")
    unanswered = [one for one in broker.on(READINGS) if one.connection == 1][1:]
    assert numbers(unanswered) == list(range(2, 8))
    assert numbers([one for one in broker.on(READINGS) if one.connection == 2]) == [2]
    assert rebuilt(broker.on(READINGS)) == list(range(1, 101))


def test_broker_that_never_answers_is_left() -> None:
    """Unanswered for ``ack_s`` the connection is ended without goodbye, so that the will speaks, and made anew."""
    with FakeBroker(lambda one: None if one.connection == 1 else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, ack_s=0.2))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.store.at("readings") == 1, "readings")
            assert (broker.connects, broker.goodbyes) == (2, [])


@pytest.mark.slow
def test_broker_that_accepts_and_says_nothing_is_left() -> None:
    """Without a CONNACK the connection is given up after twice the time for connecting, and told with patience."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        options = mqtt_options(silent.getsockname()[1], connect_s=0.1)
        rig = mqtt_rig(options)
        with running(rig.sink, 1.0):
            peers = [silent.accept()[0] for _ in range(2)]
        for peer in peers:
            peer.close()
    assert rig.store.at("readings") == 0


def test_message_that_ends_the_connection_is_set_aside() -> None:
    """A record that three connections in a row ended with, alone, is given up like a refused one."""
    with FakeBroker(lambda one: CUT if holds(one, 3) else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=1))
        with running(rig.sink):
            rig.add_readings(range(1, 9))
            wait_until(lambda: rig.store.at("readings") == 8, "readings")
    ((stream, n, why),) = rig.store.aside
    assert (stream, n) == ("readings", 3)
    assert why.startswith("the connection ended each of three times while it was being sent")
    assert len([one for one in broker.on(READINGS) if holds(one, 3)]) >= 3, "at least alone each time"


@pytest.mark.slow
def test_broker_that_is_down_sets_nothing_aside() -> None:
    """Connections that end before the status is answered blame no record, however many."""
    down = [True]
    with FakeBroker(lambda _one: CUT if down[0] else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: broker.connects > 5, "reconnects")
            down[0] = False
            wait_until(lambda: rig.store.at("readings") == 1, "readings")
    assert rig.store.aside == []


def test_maximum_packet_size_is_kept() -> None:
    """Batches are made small enough before they are sent; a record that never fits is set aside."""
    with FakeBroker(connack=connack(packet_bytes=2000)) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=64))
        with running(rig.sink):
            rig.add_readings(range(1, 41))
            rig.add_events([41], body={"text": "x" * 2000})
            rig.add_events([42])
            wait_until(lambda: rig.store.at("readings") == 40 and rig.store.at("events") == 42, "cursors")
    assert max(one.size for one in broker.published) <= 2000
    assert rebuilt(broker.on(READINGS)) == list(range(1, 41))
    ((stream, n, why),) = rig.store.aside
    assert (stream, n) == ("events", 41)
    assert why.endswith("the broker takes 2000")


@pytest.mark.parametrize(
    ("answer", "text"),
    [
        (
            connack(0x86),
            "refuses the connection: Bad user name or password (0x86): check username and password",
        ),
        (
            connack(0x84),
            "refuses the connection: Unsupported protocol version (0x84): the broker must speak MQTT 5",
        ),
        (
            bytes((1,)),
            "refuses the connection: Unsupported protocol version (0x84): the broker must speak MQTT 5",
        ),
        (
            connack(maximum_qos=0),
            "can't be used: wanted QoS 1 and retained messages, got QoS 0, retained yes",
        ),
        (connack(retain=0), "can't be used: wanted QoS 1 and retained messages, got QoS 2, retained no"),
    ],
)
def test_broker_that_can_not_be_used_is_a_fault(answer: bytes, text: str) -> None:
    """Refused credentials, an old protocol or a missing ability are told, not retried in silence."""
    with FakeBroker(connack=answer) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.complaints.now, "a complaint")
            wait_until(lambda: broker.connects > 2, "further attempts")
    assert rig.complaints.texts[0] == f"broker 127.0.0.1:{broker.port} {text}"
    assert broker.on(READINGS) == []


def test_session_taken_over_is_a_fault() -> None:
    """Two watchers with one client id: the text names the cause, and it stays while they throw each other out."""
    with FakeBroker(lambda one: CUT if one.topic == READINGS else 0, say_goodbye=TAKEN_OVER) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: broker.connects > 2, "further attempts")
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert "another program uses the same client_id" in str(rig.complaints.texts[0])


def test_answer_before_publish_returns(monkeypatch: pytest.MonkeyPatch) -> None:
    """An acknowledgement that is there before the library has said the message's number is not lost."""
    answered = threading.Event()
    real_publish, real_note = link_module.Link.publish, link_module.Ears._note

    def publish(self: link_module.Link, topic: str, payload: bytes, *, retain: bool = False) -> int:
        answered.clear()
        mid = real_publish(self, topic, payload, retain=retain)
        assert answered.wait(5.0), "the callback waits for the publisher"
        return mid

    def note(self: link_module.Ears, make: object) -> None:
        real_note(self, make)  # type: ignore[arg-type]
        answered.set()

    monkeypatch.setattr(link_module.Link, "publish", publish)
    monkeypatch.setattr(link_module.Ears, "_note", note)
    with FakeBroker() as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=1))
        with running(rig.sink):
            rig.add_readings(range(1, 31))
            wait_until(lambda: rig.store.at("readings") == 30, "readings")
    assert numbers(broker.on(READINGS)) == list(range(1, 31))


@pytest.mark.parametrize("where", ["Acknowledged", "Connected"])
def test_exception_in_a_callback_deafens_nobody(where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What fails in a callback is caught there; the unanswered message comes again over a new connection."""
    failures = [RuntimeError("in a callback")]
    real = getattr(link_module, where)

    def fail_once(*parts: object) -> object:
        if failures:
            raise failures.pop()
        return real(*parts)

    monkeypatch.setattr(link_module, where, fail_once)
    with FakeBroker() as broker:
        rig = mqtt_rig(mqtt_options(broker.port, ack_s=0.2, connect_s=0.1))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.store.at("readings") == 1, "readings")
    assert failures == []
    assert broker.connects == 2


@pytest.mark.slow
def test_live_events_overtake_a_backlog() -> None:
    """With the streams' places of the window all taken, a live event still goes out at once."""
    with FakeBroker(lambda one: 0 if one.topic in (STATUS, LIVE) or holds(one, 1) else None) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=1))
        with running(rig.sink, 0.6):
            rig.add_readings(range(1, 101))
            wait_until(lambda: len(broker.on(READINGS)) == 17, "a full window")
            rig.sink.offer(live(7))
            wait_until(lambda: broker.on(LIVE), "the live event")
    (told,) = [one.json for one in broker.on(LIVE)]
    assert (told["id"], told["sequence"], told["after"]) == ([RUN, 7], None, None)


def test_live_events_without_a_broker_are_dropped() -> None:
    """Live events are not queued: there may be thousands before the broker is there, and the stream has them."""
    rig = mqtt_rig(mqtt_options(free_port()))
    with running(rig.sink):
        for count in range(5_000):
            rig.sink.offer(live(count, EventKind.ALARM, f"bench-1/strap:{count % 7}"))
    announcer = rig.sink._far_end._announcer  # type: ignore[attr-defined]
    assert len(announcer._live) <= 256
    assert len(announcer._states) + len(announcer._offered) <= 7


def test_unsendable_event_is_set_aside() -> None:
    """An event that has no form in JSON stops nobody."""
    with FakeBroker() as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            rig.add_events([1], body={"value": float("nan")})
            rig.add_events([2])
            wait_until(lambda: rig.store.at("events") == 2, "events")
    ((_, n, why),) = rig.store.aside
    assert n == 1
    assert why.startswith("can't be written as JSON: ValueError")
    assert [json.loads(one.payload)["sequence"] for one in broker.on(EVENTS)] == [2]


@pytest.mark.slow
def test_stop_is_bounded_with_a_broker_that_hangs() -> None:
    """A broker that answers nothing any more can't hold the stop up; `running` watches the deadline."""
    with FakeBroker(lambda one: 0 if one.topic == STATUS and len(broker.published) < 2 else None) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink, 0.5):
            rig.add_readings(range(1, 100))
            wait_until(lambda: broker.on(READINGS), "a message under way")
    assert rig.store.at("readings") == 0
    assert broker.goodbyes == [4]


def test_goodbye_keeps_the_receive_maximum() -> None:
    """With the window full to the end the last status is left to the will."""
    with FakeBroker(lambda one: 0 if one.topic == STATUS else None, connack(receive_maximum=1)) as broker:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink, 0.4):
            rig.add_readings([1])
            wait_until(lambda: broker.on(READINGS), "a message under way")
    assert [one.json["status"] for one in broker.on(STATUS)] == ["online"]
    assert broker.outstanding_most == 1
    assert broker.goodbyes == [4]


def test_message_that_ends_the_connection_is_found_among_others() -> None:
    """Events that get through between the losses don't hide the reading that causes them."""
    with FakeBroker(lambda one: CUT if holds(one, 1) else 0) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, batch=1))
        with running(rig.sink):
            rig.add_readings([1, 2])
            rig.add_events(range(3, 100))
            wait_until(lambda: rig.store.at("readings") == 2, "readings")
            wait_until(lambda: rig.store.at("events") == 99, "events")
    assert [(stream, n) for stream, n, _ in rig.store.aside] == [("readings", 1)]
