"""The line-protocol sink against a small server that refuses, and against a real VictoriaMetrics."""

from __future__ import annotations

import logging
import ssl
import subprocess
import sys
import time

import pytest

from quietbench.daemon.core.records import EventKind
from quietbench.daemon.sinks.options import LineProtocolOptions, RetryOptions, TlsOptions
from quietbench.drivers.samples import Reason
from tests.sinks.kit import NS, QUICK, Rig, TestClock, line_rig, live, running
from tests.support.brokers import VictoriaMetrics, free_port, wait_until
from tests.support.certificates import Authority
from tests.support.http_server import Answer, HttpServer, Request


def rig(url: str, clock: TestClock | None = None, **parts: object) -> Rig:
    options = {"age_s": 0.0, "retry": QUICK, "answer_s": 2.0, "connect_s": 1.0, **parts}
    return line_rig(LineProtocolOptions(url, **options), clock)  # type: ignore[arg-type]


def written(requests: list[Request]) -> list[bytes]:
    return [line for request in requests for line in request.lines]


def error(text: str) -> bytes:
    return b'{"code":"invalid","message":"%s"}' % text.encode()


def readings_done(one: Rig, n: int) -> None:
    wait_until(lambda: one.store.at("readings") == n, f"readings up to {n}")


def test_batches_are_packed_and_go_to_the_write_address() -> None:
    """Bytes of our own, packed, with bucket, organisation, nanoseconds and token; the cursor moves on 204."""
    with HttpServer() as server:
        one = rig(server.url, bucket="room", organisation="site", token="hush", batch=100)
        with running(one.sink):
            one.add_readings(range(1, 251))
            readings_done(one, 250)
    assert [len(request.lines) for request in server.requests] == [100, 100, 50]
    first = server.requests[0]
    assert (first.path, first.packed) == ("/api/v2/write", True)
    assert first.query == {"bucket": ["room"], "org": ["site"], "precision": ["ns"]}
    assert first.headers["Authorization"] == "Token hush"
    assert len(set(written(server.requests))) == 250


def test_small_batches_wait_for_their_age() -> None:
    """Readings that come one by one go together when the first is old enough."""
    with HttpServer() as server:
        one = rig(server.url, age_s=0.2)
        with running(one.sink):
            for n in range(1, 6):
                one.add_readings([n])
                time.sleep(0.01)
            readings_done(one, 5)
    assert [len(request.lines) for request in server.requests] == [5]


def test_events_are_numbers_and_live_ones_are_left_to_the_stream() -> None:
    """Alarm and bench events become states; others pass without a request, and nothing is sent before its commit."""
    with HttpServer() as server:
        one = rig(server.url)
        with running(one.sink):
            one.sink.offer(live(1))
            one.add_events([1])
            one.add_events([2], kind=EventKind.COMMAND, subject="x", body={})
            wait_until(lambda: one.store.at("events") == 2, "events")
    assert [line.split(b",")[0] for line in written(server.requests)] == [b"quietbench_alarm"]


def test_nothing_but_events_without_lines_makes_no_request() -> None:
    """An empty body is never sent."""
    with HttpServer() as server:
        one = rig(server.url)
        with running(one.sink):
            one.add_events([1, 2], kind=EventKind.DUE, subject="x", body={})
            wait_until(lambda: one.store.at("events") == 2, "events")
    assert server.requests == []


@pytest.mark.parametrize("status", [200, 301, 401, 403, 404, 405])
def test_configuration_faults_are_told_and_keep_the_data(status: int) -> None:
    """A wrong token, address or bucket is a fault that a person sees; all arrives when it is put right."""
    wrong = [True]
    with HttpServer(lambda _request: Answer(status, error("no")) if wrong[0] else Answer()) as server:
        one = rig(server.url)
        with running(one.sink):
            one.add_readings([1, 2])
            wait_until(lambda: one.complaints.now, "a complaint")
            assert one.store.at("readings") == 0
            wrong[0] = False
            readings_done(one, 2)
            wait_until(lambda: one.complaints.now is None, "well again")
    assert str(one.complaints.texts[0]).startswith(f"database {server.url} answers {status}")
    assert one.store.aside == []


@pytest.mark.parametrize("status", [400, 422])
def test_poison_line_is_bisected_out(status: int) -> None:
    """Of a refused batch only the poison line is set aside, with what the server said; the rest arrives in order."""

    def answer(request: Request) -> Answer:
        poison = any(b"bench-9" in line for line in request.lines)
        return Answer(status, error("field type conflict")) if poison else Answer()

    with HttpServer(answer) as server:
        one = rig(server.url, batch=64)
        with running(one.sink):
            one.add_readings(range(1, 31))
            one.add_readings([31], channel="bench-9/mat")
            one.add_readings(range(32, 101))
            readings_done(one, 100)
    assert one.store.aside == [
        ("readings", 31, f"database {server.url} answers {status}: field type conflict"),
    ]
    assert one.complaints.texts == []


def test_partial_write_is_repeated_without_the_poison() -> None:
    """A server that keeps the good points of a refused batch gets them again: the same lines, so nothing doubles."""
    kept: set[bytes] = set()

    def answer(request: Request) -> Answer:
        good = [line for line in request.lines if b"bench-9" not in line]
        kept.update(good)
        short = len(good) < len(request.lines)
        return Answer(422, error("partial write: dropped=1")) if short else Answer()

    with HttpServer(answer) as server:
        one = rig(server.url)
        with running(one.sink):
            one.add_readings(range(1, 11))
            one.add_readings([11], channel="bench-9/mat")
            readings_done(one, 11)
    assert len(kept) == 10
    assert [n for _, n, _ in one.store.aside] == [11]


def test_backlog_older_than_the_server_keeps_is_given_up() -> None:
    """Points beyond the retention are set aside, however many in a row, and the newer ones arrive."""

    def answer(request: Request) -> Answer:
        old = any(b"bench-9" in line for line in request.lines)
        return Answer(422, error("points beyond retention policy")) if old else Answer()

    with HttpServer(answer) as server:
        one = rig(server.url, batch=16)
        with running(one.sink):
            one.add_readings(range(1, 41), channel="bench-9/mat")
            one.add_readings(range(41, 61))
            readings_done(one, 60)
    assert [n for _, n, _ in one.store.aside] == list(range(1, 41))


def test_server_that_refuses_everything_is_suspected() -> None:
    """A handful of records is set aside at most; then a person is told and time passes between further ones."""
    slow = RetryOptions(first_s=30.0, most_s=30.0)
    with HttpServer(lambda _request: Answer(400, error("line too strange"))) as server:
        one = rig(server.url, batch=16, retry=slow)
        with running(one.sink):
            one.add_readings(range(1, 200))
            wait_until(lambda: one.complaints.now, "a complaint")
    assert len(one.store.aside) == 8
    assert "one record after the other is refused" in str(one.complaints.now)


def test_too_large_batches_are_halved() -> None:
    """A server that takes 20 lines at a time gets no more, and nothing is set aside."""
    with HttpServer(lambda request: Answer(413 if len(request.lines) > 20 else 204)) as server:
        one = rig(server.url, batch=100)
        with running(one.sink):
            one.add_readings(range(1, 201))
            readings_done(one, 200)
    assert one.store.aside == []


@pytest.mark.slow
def test_too_many_requests_waits_as_long_as_asked() -> None:
    """After 429 with Retry-After nothing is sent before that time."""
    at: list[float] = []

    def answer(_request: Request) -> Answer:
        at.append(time.monotonic())
        return Answer(429, b"slow down", {"Retry-After": "1"}) if len(at) == 1 else Answer()

    with HttpServer(answer) as server:
        one = rig(server.url)
        with running(one.sink):
            one.add_readings([1])
            readings_done(one, 1)
    assert at[1] - at[0] >= 1.0
    assert one.complaints.texts == []


def test_overloaded_server_is_retried_quietly() -> None:
    """503 a few times is no fault; all arrives."""
    times = [Answer(503, b"busy")] * 4
    with HttpServer(lambda _request: times.pop() if times else Answer()) as server:
        one = rig(server.url)
        with running(one.sink):
            one.add_readings([1, 2, 3])
            readings_done(one, 3)
    assert one.complaints.texts == []
    assert len(server.requests) == 5


def test_server_that_stays_away_becomes_a_fault() -> None:
    """An address where nobody listens is waited for, and told when patience ends."""
    retry = RetryOptions(first_s=0.02, most_s=0.05, patience_s=0.2)
    one = rig(f"http://127.0.0.1:{free_port()}", retry=retry)
    with running(one.sink):
        one.add_readings([1])
        wait_until(lambda: one.complaints.now, "a complaint")
    assert "nothing delivered for more than 0.2 s" in str(one.complaints.now)
    assert "Connection refused" in str(one.complaints.now)


@pytest.mark.parametrize(
    "answer",
    [Answer(wait_s=0.6), Answer(200, b"half", cut=True), Answer(500, b"\xff\xfe")],
    ids=["hangs", "breaks off", "no text"],
)
def test_server_that_answers_badly_is_retried(answer: Answer) -> None:
    """A request that hangs, breaks off or comes back as nonsense counts for nothing and is made again."""
    answers = [answer]
    with HttpServer(lambda _request: answers.pop() if answers else Answer()) as server:
        one = rig(server.url, answer_s=0.2)
        with running(one.sink):
            one.add_readings([1])
            readings_done(one, 1)
    assert len(server.requests) == 2
    assert server.requests[0].lines == server.requests[1].lines


@pytest.mark.slow
def test_stop_is_bounded_with_a_server_that_hangs() -> None:
    """A request without an answer doesn't hold the stop up; `running` watches the deadline."""
    with HttpServer(lambda _request: Answer(wait_s=1.0)) as server:
        one = rig(server.url, answer_s=5.0)
        with running(one.sink, 0.3):
            one.add_readings([1])
            wait_until(lambda: server.requests, "a request")
    one.sink._thread.join(5.0)


def test_readings_without_a_time_wait_for_it() -> None:
    """A database gets no time that is not one; the corrected reading goes."""
    with HttpServer() as server:
        one = rig(server.url, TestClock(is_known=False))
        with running(one.sink):
            one.add_readings([1], known=False, monotonic_ns=time.monotonic_ns() - 10_000 * NS)
            one.add_events([2], known=False)
            time.sleep(0.1)
            assert server.requests == []
            one.store.readings[0] = one.store.readings[0]._replace(clock_known=True)
            one.sink.committed()
            readings_done(one, 1)
    assert one.store.at("events") == 0


def test_token_is_in_no_log_and_no_complaint(caplog: pytest.LogCaptureFixture) -> None:
    """A refused token doesn't show in what is said about it."""
    with (
        caplog.at_level(logging.DEBUG),
        HttpServer(lambda _request: Answer(401, error("unauthorized"))) as server,
    ):
        one = rig(server.url, token="hush-hush")
        with running(one.sink):
            one.add_readings([1])
            wait_until(lambda: one.complaints.now, "a complaint")
    assert "hush-hush" not in caplog.text
    assert "hush-hush" not in str(one.complaints.texts)


def test_untrusted_server_is_a_fault(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Over TLS a server of another authority gets nothing, and a person is told."""
    authority = Authority(tmp_path_factory.mktemp("own"))
    other = Authority(tmp_path_factory.mktemp("other"))
    pair = authority.sign("database")
    with HttpServer() as server:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(pair.certificate, pair.key)
        server._server.socket = context.wrap_socket(server._server.socket, server_side=True)
        url = f"https://127.0.0.1:{server.port}"
        trusting = rig(url, tls=TlsOptions(authority.own.certificate))
        with running(trusting.sink):
            trusting.add_readings([1])
            readings_done(trusting, 1)
        wary = rig(url, tls=TlsOptions(other.own.certificate))
        with running(wary.sink):
            wary.add_readings([1])
            wait_until(lambda: wary.complaints.now, "a complaint")
    assert "TLS fails" in str(wary.complaints.now)
    assert wary.store.at("readings") == 0


@pytest.mark.slow
def test_points_read_back_from_victoria_metrics() -> None:
    """What was confirmed is there: value, time, labels; a reading without a value shows by its quality."""
    with VictoriaMetrics() as database:
        one = rig(database.url)
        with running(one.sink):
            one.add_readings([1], value=1.0)
            one.add_readings([2], value=None, reason=Reason.UNPLUGGED)
            one.add_events([3])
            readings_done(one, 2)
            (value,) = database.wait_for('{__name__="quietbench_value"}', bool)
            (quality,) = database.wait_for(
                '{__name__="quietbench_quality"}', lambda found: len(found[0]["values"]) == 2
            )
            (state,) = database.wait_for('{__name__="quietbench_alarm_state"}', bool)
    labels = {name: value["metric"][name] for name in ("site", "watcher", "bench", "channel", "quantity")}
    assert labels == {
        "site": "Rework room two",
        "watcher": "room-2",
        "bench": "bench-1",
        "channel": "bench-1/strap",
        "quantity": "strap_contact",
    }
    assert (value["values"], value["timestamps"]) == ([1], [one.store.readings[0].wall_ns // 1_000_000])
    assert quality["values"] == [0, 2]
    assert (state["values"], state["metric"]["limit"]) == ([1], "closed")


@pytest.mark.slow
def test_database_absent_then_there() -> None:
    """A database that starts late gets everything."""
    with VictoriaMetrics() as database:
        database.stop()
        one = rig(database.url, batch=50)
        with running(one.sink):
            one.add_readings(range(1, 201))
            time.sleep(0.1)
            database.start()
            readings_done(one, 200)
            database.wait_for(
                '{__name__="quietbench_value"}', lambda found: found and len(found[0]["values"]) > 0
            )


@pytest.mark.slow
def test_importing_the_sinks_imports_no_client_library() -> None:
    """A watcher without sinks, or with one kind, doesn't pay for the others."""
    look = "import sys, {}; print([m for m in ('paho', 'influxdb_client', 'urllib3', 'ssl') if m in sys.modules])"
    for module, expected in (
        ("quietbench.daemon.sinks", "[]"),
        ("quietbench.daemon.sinks.line_protocol", "[]"),
    ):
        told = subprocess.run(
            [sys.executable, "-c", look.format(module)], capture_output=True, text=True, check=True
        )
        assert told.stdout.strip() == expected, module
