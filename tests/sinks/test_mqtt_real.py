"""The MQTT sink against a real Mosquitto."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from quietbench.daemon.core.records import EventKind
from quietbench.daemon.sinks.options import RetryOptions, TlsOptions
from tests.sinks.kit import QUICK, RUN, STRAP_OPEN, Rig, TestClock, live, mqtt_options, mqtt_rig, running
from tests.support.brokers import Mosquitto, MosquittoSub, ServerTls, Subscriber, wait_until
from tests.support.certificates import Authority
from tests.support.proxy import Wire

pytestmark = pytest.mark.slow

ROOT = "quietbench/room-2"
STATUS, EVENTS, READINGS, LIVE = (f"{ROOT}/{last}" for last in ("status", "events", "readings", "live"))
BENCH, ALARM = f"{ROOT}/bench/bench-1", f"{ROOT}/alarm/bench-1/strap/closed"
# Long enough that the test's own subscriber is back before a restarted broker gets the backlog.
AFTER_THE_SUBSCRIBER = RetryOptions(first_s=1.0, most_s=1.0, steady_s=0.05)


def first_seen(heard: Subscriber, topic: str) -> list[int]:
    """The counts of a stream in the order they were first heard."""
    if topic == EVENTS:
        ids = [told["id"][1] for told in heard.on(topic)]
    else:
        ids = [one["id"][1] for batch in heard.on(topic) for one in batch["readings"]]
    return list(dict.fromkeys(ids))


def rebuilt(messages: list[dict[str, Any]]) -> list[int]:
    """What a receiver has that forgets back to ``after`` whenever a message says so."""
    log: list[int] = []
    for told in messages:
        counts = [one["id"][1] for one in told["readings"]] if "readings" in told else [told["id"][1]]
        log = [n for n in log if n <= told["after"]] + counts
    return log


def done(rig: Rig, *, events: int, readings: int) -> None:
    wait_until(
        lambda: (rig.store.at("events"), rig.store.at("readings")) == (events, readings), "both cursors"
    )


def test_records_arrive_in_order_and_cursors_follow() -> None:
    """Events and readings reach a subscriber once each, in order, and both cursors end at the last record."""
    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port, batch=7))
        with running(rig.sink):
            rig.add_events(range(1, 41))
            rig.add_readings(range(41, 141))
            done(rig, events=40, readings=140)
            heard.wait(lambda: len(first_seen(heard, READINGS)) == 100)
    assert [told["sequence"] for told in heard.on(EVENTS)] == list(range(1, 41))
    assert [told["after"] for told in heard.on(EVENTS)] == list(range(40))
    ids = [one["id"] for batch in heard.on(READINGS) for one in batch["readings"]]
    assert ids == [[RUN, n] for n in range(41, 141)]


def test_status_is_born_and_says_goodbye() -> None:
    """The retained status is online while the sink runs and offline after a stop in good order."""
    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            heard.wait(lambda: heard.on(STATUS))
        heard.wait(lambda: len(heard.on(STATUS)) == 2)
        with Subscriber(broker.port, STATUS) as late:
            late.wait(lambda: late.heard)
            assert late.heard[0].retained
            assert late.on(STATUS)[0]["status"] == "offline"
    online, offline = heard.on(STATUS)
    assert (online["status"], online["run"], online["reason"]) == ("online", RUN, None)
    assert (offline["status"], offline["run"], offline["reason"]) == ("offline", RUN, "stopped")


def test_will_speaks_when_the_connection_breaks_and_birth_follows() -> None:
    """A broken connection shows as offline with the run, the next connection as online again."""
    with Mosquitto() as broker, Wire(broker.port) as wire, Subscriber(broker.port, STATUS) as heard:
        rig = mqtt_rig(mqtt_options(wire.port))
        with running(rig.sink):
            heard.wait(lambda: heard.on(STATUS))
            wire.cut()
            heard.wait(lambda: len(heard.on(STATUS)) == 3)
            told = heard.on(STATUS)
    assert [(one["status"], one["reason"]) for one in told] == [
        ("online", None),
        ("offline", "connection lost"),
        ("online", None),
    ]
    assert told[1]["run"] == RUN


def test_status_is_renewed() -> None:
    """A connection that carries nothing else is shown to live."""
    with Mosquitto() as broker, Subscriber(broker.port, STATUS) as heard:
        rig = mqtt_rig(mqtt_options(broker.port, status_every_s=0.1))
        with running(rig.sink):
            heard.wait(lambda: len(heard.on(STATUS)) >= 3)
    assert {one["status"] for one in heard.on(STATUS)[:3]} == {"online"}


def test_broker_absent_at_start() -> None:
    """What was committed while there was no broker arrives in order once there is one."""
    with Mosquitto() as broker:
        broker.stop()
        rig = mqtt_rig(mqtt_options(broker.port, batch=10, retry=AFTER_THE_SUBSCRIBER))
        with running(rig.sink):
            rig.add_events(range(1, 21))
            rig.add_readings(range(21, 221))
            before = rig.sink.progress
            wait_until(lambda: rig.sink.progress > before + 2, "attempts")
            broker.start()
            with Subscriber(broker.port, "quietbench/#") as heard:
                done(rig, events=20, readings=220)
                heard.wait(lambda: len(first_seen(heard, READINGS)) == 200)
    assert first_seen(heard, EVENTS) == list(range(1, 21))
    assert first_seen(heard, READINGS) == list(range(21, 221))
    assert rig.complaints.texts == []


def test_broker_killed_and_restarted() -> None:
    """What is committed while the broker is gone arrives after it is back, in order, behind what was before."""
    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port, batch=10, retry=AFTER_THE_SUBSCRIBER))
        with running(rig.sink):
            rig.add_events(range(1, 11))
            rig.add_readings(range(11, 61))
            done(rig, events=10, readings=60)
            heard.wait(
                lambda: len(first_seen(heard, READINGS)) == 50 and len(first_seen(heard, EVENTS)) == 10
            )
            broker.kill()
            rig.add_events(range(61, 71))
            rig.add_readings(range(71, 171))
            time.sleep(0.1)
            broker.start()
            done(rig, events=70, readings=170)
            heard.wait(lambda: len(first_seen(heard, READINGS)) == 150)
            heard.wait(lambda: len(first_seen(heard, EVENTS)) == 20)
    assert first_seen(heard, EVENTS) == [*range(1, 11), *range(61, 71)]
    assert first_seen(heard, READINGS) == [*range(11, 61), *range(71, 171)]
    assert rig.store.aside == []


def test_broker_that_hangs_is_left_and_found_again() -> None:
    """A frozen broker costs one connection; nothing is lost, nothing blamed."""
    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port, ack_s=0.3, connect_s=0.2))
        with running(rig.sink):
            heard.wait(lambda: heard.on(STATUS))
            broker.freeze()
            rig.add_readings(range(1, 101))
            time.sleep(0.6)
            broker.thaw()
            done(rig, events=0, readings=100)
            heard.wait(lambda: len(first_seen(heard, READINGS)) == 100)
    assert rebuilt(heard.on(READINGS)) == list(range(1, 101))
    assert rig.store.aside == []


def test_wire_cut_again_and_again_loses_nothing() -> None:
    """With the connection cut in mid-stream twenty times, a receiver rebuilds the exact order of both streams."""
    with Mosquitto() as broker, Wire(broker.port) as wire, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(wire.port, batch=5))
        with running(rig.sink):
            for step in range(20):
                first = 100 * step
                rig.add_events(range(first + 1, first + 21))
                rig.add_readings(range(first + 21, first + 101))
                wire.wait_for_more(2_000)
                wire.cut()
            done(rig, events=1920, readings=2000)
            heard.wait(lambda: len(first_seen(heard, READINGS)) == 1600)
            heard.wait(lambda: len(first_seen(heard, EVENTS)) == 400)
    expected = range(1, 2001)
    assert rebuilt(heard.on(EVENTS)) == [n for n in expected if 1 <= (n - 1) % 100 + 1 <= 20]
    assert rebuilt(heard.on(READINGS)) == [n for n in expected if (n - 1) % 100 + 1 > 20]
    assert rig.store.aside == []


def test_live_event_and_retained_states() -> None:
    """An alarm goes out live before any commit, and its state and the bench's stay for those who come later."""
    with Mosquitto() as broker, MosquittoSub(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port))
        with running(rig.sink):
            wait_until(lambda: heard.heard, "the status")
            rig.sink.offer(live(5))
            rig.sink.offer(live(6, EventKind.BENCH, "bench-1", to="open", open=["bench-1/cord"], unknown=[]))
            wait_until(lambda: {LIVE, BENCH, ALARM} <= {one.topic for one in heard.heard}, "live and states")
            with Subscriber(broker.port, "quietbench/#") as late:
                late.wait(lambda: {BENCH, ALARM} <= {one.topic for one in late.heard})
    told = [one.json for one in heard.heard if one.topic == LIVE]
    assert [one["id"] for one in told] == [[RUN, 5], [RUN, 6]]
    assert told[0]["sentence"] == "Strap path open."
    assert not late.on(LIVE)
    (alarm,), (bench,) = late.on(ALARM), late.on(BENCH)
    assert (alarm["alarm"], alarm["state"], alarm["priority"]) == (STRAP_OPEN, "unacknowledged", "high")
    assert (bench["bench"], bench["state"], bench["open"]) == ("bench-1", "open", ["bench-1/cord"])
    assert rig.store.at("events") == 0


def test_states_are_said_again_to_a_broker_that_forgot() -> None:
    """After a restart of a broker without persistence the retained states are there again."""
    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port))
        rig.store.states["bench-1/strap:fault"] = "acknowledged"
        rig.store.states["bench-9/gone:fault"] = "unacknowledged"
        with running(rig.sink):
            rig.sink.offer(live(5))
            heard.wait(lambda: heard.on(ALARM))
            broker.kill()
            broker.start()
            heard.wait(lambda: heard.connects == 2)
            with Subscriber(broker.port, "quietbench/#") as late:
                late.wait(lambda: late.on(ALARM))
                late.wait(lambda: late.on(f"{ROOT}/alarm/bench-1/strap/fault"))
    assert late.on(ALARM)[0]["id"] == [RUN, 5]
    assert late.on(f"{ROOT}/alarm/bench-1/strap/fault")[0]["state"] == "acknowledged"
    assert not [one for one in late.heard if "gone" in one.topic and one.payload]


def test_events_without_a_known_time_go_at_once() -> None:
    """Before the clock is set events carry boot and count and say so; readings wait."""
    with Mosquitto() as broker, Subscriber(broker.port, "quietbench/#") as heard:
        rig = mqtt_rig(mqtt_options(broker.port), TestClock(is_known=False))
        rig.store.boots[RUN - 1] = "boot-0"
        with running(rig.sink):
            rig.add_events([1], known=False, run=RUN - 1)
            rig.add_events([2], known=False)
            rig.add_readings([3], known=False)
            heard.wait(lambda: len(heard.on(EVENTS)) == 2)
        assert not heard.on(READINGS)
    assert [(one["boot"], one["id"][1], one["time"], one["clock"]) for one in heard.on(EVENTS)] == [
        ("boot-0", 1, None, "no clock"),
        ("boot-1", 2, None, "no clock"),
    ]
    assert rig.store.at("readings") == 0


def test_readings_go_marked_when_the_clock_stays_unknown() -> None:
    """A reading a quarter of an hour old goes with "no clock" and without a time."""
    with Mosquitto() as broker, Subscriber(broker.port, READINGS) as heard:
        rig = mqtt_rig(mqtt_options(broker.port), TestClock(is_known=False))
        with running(rig.sink):
            rig.add_readings([1], known=False, monotonic_ns=time.monotonic_ns() - 901 * 10**9)
            heard.wait(lambda: heard.heard)
    (one,) = heard.on(READINGS)[0]["readings"]
    assert (one["time"], one["clock"]) == (None, "no clock")


@pytest.mark.parametrize(("password", "complaint"), [("right", None), ("wrong", "check"), (None, "check")])
def test_credentials(password: str | None, complaint: str | None) -> None:
    """With the right password records arrive; a wrong or missing one is a fault that a person sees."""
    with Mosquitto(users={"watcher": "right"}) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, username="watcher", password=password))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.store.at("readings") == 1 or rig.complaints.now, "an outcome")
    assert (rig.store.at("readings") == 1) is (complaint is None)
    assert (complaint or "") in str(rig.complaints.now or "")
    assert "wrong" not in str(rig.complaints.texts)


def test_access_list_of_a_real_broker() -> None:
    """What an access list forbids is a fault as long as it does, and goes on by itself when it doesn't."""
    closed = f"topic write {STATUS}\ntopic write {EVENTS}\n"
    with Mosquitto(acl=closed) as broker:
        rig = mqtt_rig(mqtt_options(broker.port, retry=QUICK))
        with running(rig.sink):
            rig.add_events([1])
            rig.add_readings([2])
            wait_until(lambda: rig.store.at("events") == 1 and rig.complaints.now, "events, and a complaint")
            assert (
                rig.complaints.now == f'the broker refuses a message on "{READINGS}": Not authorized (0x87)'
            )
            broker.set_acl("topic readwrite #\n")
            wait_until(lambda: rig.store.at("readings") == 2, "readings")
            wait_until(lambda: rig.complaints.now is None, "well again")
    assert rig.store.aside == []


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """Who signs the broker's and the clients' certificates."""
    return Authority(tmp_path_factory.mktemp("authority"))


def _tls_broker(authority: Authority, name: str, address: str = "127.0.0.1") -> Mosquitto:
    pair = authority.sign(name, address=address)
    own = authority.own.certificate.read_text()
    return Mosquitto(tls=ServerTls(pair.certificate.read_text(), pair.key.read_text(), own))


def test_tls_with_a_client_certificate(authority: Authority) -> None:
    """With authority, certificate and key records arrive over TLS."""
    client = authority.sign("client")
    tls = TlsOptions(authority.own.certificate, client.certificate, client.key)
    with _tls_broker(authority, "broker") as broker:
        rig = mqtt_rig(mqtt_options(broker.port, tls=tls))
        with running(rig.sink):
            rig.add_readings(range(1, 500))
            wait_until(lambda: rig.store.at("readings") == 499, "readings")


def test_tls_broker_of_another_authority_is_a_fault(authority: Authority, tmp_path: Path) -> None:
    """A broker that can't be verified gets nothing."""
    other = Authority(tmp_path, "other")
    with _tls_broker(authority, "stranger") as broker:
        rig = mqtt_rig(mqtt_options(broker.port, tls=TlsOptions(other.own.certificate)))
        with running(rig.sink):
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert "its certificate isn't trusted" in str(rig.complaints.now)


def test_tls_broker_with_another_name_is_a_fault(authority: Authority) -> None:
    """A certificate for another address doesn't do."""
    with _tls_broker(authority, "elsewhere", "127.0.0.9") as broker:
        rig = mqtt_rig(mqtt_options(broker.port, tls=TlsOptions(authority.own.certificate)))
        with running(rig.sink):
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert "its certificate isn't trusted" in str(rig.complaints.now)


def test_missing_tls_file_is_a_fault(tmp_path: Path) -> None:
    """A file that isn't there is told with its name, again and again, and ends nothing."""
    with Mosquitto() as broker:
        rig = mqtt_rig(mqtt_options(broker.port, tls=TlsOptions(tmp_path / "none.pem")))
        with running(rig.sink):
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert "the TLS files can't be used" in str(rig.complaints.now)


def test_plain_client_at_a_tls_port_is_left_waiting(authority: Authority) -> None:
    """Without TLS where the broker wants it nothing is delivered, and patience turns it into a fault."""
    retry = RetryOptions(first_s=0.02, most_s=0.05, patience_s=0.1, steady_s=0.05)
    with _tls_broker(authority, "tls-only") as broker:
        rig = mqtt_rig(mqtt_options(broker.port, retry=retry, connect_s=0.2))
        with running(rig.sink):
            rig.add_readings([1])
            wait_until(lambda: rig.complaints.now, "a complaint")
    assert "nothing delivered for more than 0.1 s" in str(rig.complaints.now)
    assert rig.store.at("readings") == 0
