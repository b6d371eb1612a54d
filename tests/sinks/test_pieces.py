"""The small pure parts: delays, complaints, the wait for the clock, topics, reason codes, answers, suspicion."""

from __future__ import annotations

import ssl
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.sinks.answers import outcome_of_answer, retry_after_s
from quietbench.daemon.sinks.backoff import Backoff
from quietbench.daemon.sinks.base import Accepted, Flight, Refused, Trouble
from quietbench.daemon.sinks.complaints import Complaints
from quietbench.daemon.sinks.options import LineProtocolOptions, MqttOptions, RetryOptions
from quietbench.daemon.sinks.reasons import outcome_of_puback, trouble_of_connack, trouble_of_disconnect
from quietbench.daemon.sinks.suspicion import Suspicion
from quietbench.daemon.sinks.topics import Topics
from quietbench.daemon.sinks.unreached import why_unreached
from quietbench.daemon.sinks.waiting import Patience, Verdict
from tests.sinks.kit import NS, RUN, TestClock, reading

TOPICS = Topics("quietbench", "room-2")


def test_delays_grow_to_a_ceiling_with_jitter() -> None:
    """Each delay lies between half of its ceiling and the ceiling, which doubles up to the most."""
    backoff = Backoff(RetryOptions(first_s=1.0, most_s=8.0), Random(3))
    for ceiling_s in (1.0, 2.0, 4.0, 8.0, 8.0):
        backoff.fail(100 * NS)
        assert ceiling_s / 2 <= (backoff.until_ns - 100 * NS) / NS <= ceiling_s
    backoff.reset()
    assert backoff.ready(0)


def test_delays_differ_between_watchers() -> None:
    """Two watchers don't come back in step."""
    delays = set()
    for seed in range(5):
        backoff = Backoff(RetryOptions(), Random(seed))
        backoff.fail(0)
        delays.add(backoff.until_ns)
    assert len(delays) == 5


@pytest.mark.parametrize(
    ("asked_s", "least_s", "most_s"), [(20.0, 20.0, 20.0), (0.1, 0.5, 1.0), (1e9, 3600.0, 3600.0)]
)
def test_longer_delay_on_request(asked_s: float, least_s: float, most_s: float) -> None:
    """A far end may ask for a longer delay than ours, up to an hour, not for a shorter one."""
    backoff = Backoff(RetryOptions(first_s=1.0), Random(1))
    backoff.fail(0, asked_s=asked_s)
    assert least_s <= backoff.until_ns / NS <= most_s


def test_visible_trouble_is_said_at_once() -> None:
    """What a person has to act on is not waited for."""
    complaints = Complaints(60.0)
    complaints.trouble("broker", Trouble("wrong password", visible=True), 0)
    assert complaints.text(0) == "wrong password"
    complaints.well("broker")
    assert complaints.text(0) is None


def test_quiet_trouble_becomes_visible_with_age() -> None:
    """A far end that stays away is told of after the patience, counted from its first failure."""
    complaints = Complaints(60.0)
    complaints.trouble("broker", Trouble("can't be reached"), 0)
    complaints.trouble("broker", Trouble("can't be reached"), 59 * NS)
    assert complaints.text(59 * NS) is None
    assert complaints.text(60 * NS) == "nothing delivered for more than 60 s: can't be reached"


def test_complaints_are_put_together_once_each() -> None:
    """Two streams refused for one reason make one text."""
    complaints = Complaints(60.0)
    for topic in ("events", "readings"):
        complaints.trouble(topic, Trouble("quota", visible=True), 0)
    complaints.trouble("status", Trouble("not authorised", visible=True), 0)
    assert complaints.text(0) == "quota; not authorised"


class TestPatience:
    """What becomes of readings whose time is not known."""

    def test_known_time_goes(self) -> None:
        """A reading with a known time goes at once."""
        assert Patience(TestClock(), RUN, needs_clock=True).cut([reading(1)])[1] is Verdict.GO

    def test_broker_gets_it_marked_after_a_quarter_of_an_hour(self) -> None:
        """A reading of this run waits 15 minutes of its own age for the clock."""
        clock = TestClock(is_known=False, at_ns=1_000 * NS)
        patience = Patience(clock, RUN, needs_clock=False)
        old, young = (reading(n, known=False, monotonic_ns=at * NS) for n, at in ((1, 100), (2, 101)))
        assert patience.cut([old, young]) == ([old], Verdict.GO)
        assert patience.cut([young]) == ([young], Verdict.WAIT)
        clock.at_ns = 1_001 * NS
        assert patience.cut([old, young]) == ([old, young], Verdict.GO)

    def test_database_waits_for_the_clock(self) -> None:
        """A database never gets a time that is not one, however long that takes."""
        clock = TestClock(is_known=False, at_ns=10**6 * NS)
        patience = Patience(clock, RUN, needs_clock=True)
        assert patience.cut([reading(1, known=False, monotonic_ns=0)])[1] is Verdict.WAIT

    @pytest.mark.parametrize(("needs_clock", "after"), [(True, Verdict.NEVER), (False, Verdict.GO)])
    def test_earlier_boot_is_never_corrected(self, needs_clock: bool, after: Verdict) -> None:
        """With the clock known for a minute, what an earlier run left uncorrected stays so."""
        clock = TestClock(at_ns=0)
        patience = Patience(clock, RUN, needs_clock=needs_clock)
        left = reading(1, known=False, run=RUN - 1)
        assert patience.cut([left])[1] is Verdict.WAIT
        clock.at_ns = 60 * NS
        assert patience.cut([left])[1] is after

    def test_earlier_run_waits_from_when_it_was_first_seen(self) -> None:
        """Another run's monotonic time may be of another boot, so it is not compared with ours."""
        clock = TestClock(is_known=False, at_ns=5_000 * NS)
        patience = Patience(clock, RUN, needs_clock=False)
        left = reading(1, known=False, run=RUN - 1, monotonic_ns=0)
        assert patience.cut([left])[1] is Verdict.WAIT
        clock.at_ns = 5_900 * NS
        assert patience.cut([left])[1] is Verdict.GO

    def test_events_for_a_broker_never_wait(self) -> None:
        """An alarm without a time is better than none."""
        patience = Patience(TestClock(is_known=False), RUN, needs_clock=False, marked_after_ns=0)
        assert patience.cut([reading(1, known=False), reading(2, known=False, run=3)])[1] is Verdict.GO


@pytest.mark.parametrize(
    ("alarm", "topic"),
    [
        ("bench-1/strap:closed", "quietbench/room-2/alarm/bench-1/strap/closed"),
        ("watcher/sink-broker:fault", "quietbench/room-2/alarm/watcher/sink-broker/fault"),
        ("a b/c+d:e#f", "quietbench/room-2/alarm/a%20b/c%2Bd/e%23f"),
        ("odd", "quietbench/room-2/alarm/odd"),
    ],
)
def test_alarm_ids_become_levels(alarm: str, topic: str) -> None:
    """Place, channel and limit are one level each, and the id comes back from the topic."""
    assert TOPICS.alarm(alarm) == topic
    assert TOPICS.alarm_of(topic) == alarm


@given(st.text(min_size=1), st.text(min_size=1), st.text(min_size=1))
def test_no_word_makes_a_wildcard_or_another_level(place: str, word: str, limit: str) -> None:
    """Whatever a name holds, a topic has its levels and no wildcard, blank or control character."""
    if any("\ud800" <= one <= "\udfff" for one in place + word + limit):
        return
    topic = TOPICS.alarm(f"{place.replace('/', '-')}/{word.replace('/', '-')}:{limit.replace(':', '-')}")
    assert topic.count("/") == 5
    assert not set(topic) & set("+# \0\n")
    assert topic.isascii()


@pytest.mark.parametrize("prefix", ["", "/a", "a/", "a//b", "a+b", "a/#", "$SYS", "a b", "a\n"])
def test_bad_prefix_is_refused(prefix: str) -> None:
    """A prefix that can't begin a topic is a mistake in the configuration."""
    with pytest.raises(ConfigurationError, match="topic prefix"):
        Topics(prefix, "room-2")


@pytest.mark.parametrize(
    ("code", "kind", "visible"),
    [
        (0x00, Accepted, None),
        (0x10, Accepted, None),
        (0x80, Refused, None),
        (0x83, Refused, None),
        (0x87, Trouble, True),
        (0x90, Trouble, True),
        (0x91, Trouble, False),
        (0x97, Trouble, True),
        (0x99, Refused, None),
        (0xFF, Trouble, True),
    ],
)
def test_puback_codes(code: int, kind: type, visible: bool | None) -> None:
    """Each PUBACK reason code of MQTT 5.0 (3.4.2.1) is success, the record's fault, or the broker's."""
    outcome = outcome_of_puback(code, "name", "a/b")
    assert isinstance(outcome, kind)
    assert getattr(outcome, "visible", None) is visible


@pytest.mark.parametrize(
    ("code", "visible"),
    [(0x84, True), (0x86, True), (0x87, True), (0x88, False), (0x89, False), (0x9F, False)],
)
def test_connack_codes(code: int, visible: bool) -> None:
    """Refused credentials are told at once, a busy broker is waited for."""
    trouble = trouble_of_connack(code, "name", "broker a:1")
    assert trouble.visible is visible
    assert f"0x{code:02X}" in trouble.why


def test_taken_over_session_names_the_cause() -> None:
    """Two programs with one client id throw each other out; the text says so."""
    trouble = trouble_of_disconnect(0x8E, "Session taken over", "broker a:1")
    assert trouble.visible
    assert "client_id" in trouble.why


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        (204, Accepted),
        (200, Trouble),
        (301, Trouble),
        (400, Refused),
        (401, Trouble),
        (403, Trouble),
        (404, Trouble),
        (408, Trouble),
        (413, Refused),
        (422, Refused),
        (429, Trouble),
        (500, Trouble),
        (503, Trouble),
    ],
)
def test_http_statuses(status: int, expected: type) -> None:
    """Only 204 is success."""
    assert isinstance(outcome_of_answer(status, "said", {}, "database"), expected)


@pytest.mark.parametrize(
    ("status", "visible"), [(200, True), (301, True), (401, True), (404, True), (429, False), (503, False)]
)
def test_http_faults_that_a_person_sees(status: int, visible: bool) -> None:
    """A wrong token or address is told at once, an overloaded server is waited for."""
    outcome = outcome_of_answer(status, "said", {}, "database")
    assert isinstance(outcome, Trouble)
    assert outcome.visible is visible


def test_points_beyond_retention_are_refused_for_certain() -> None:
    """The far end named a cause that lies in the points."""
    outcome = outcome_of_answer(
        422, "partial write: points beyond retention policy dropped=3", {}, "database"
    )
    assert outcome == Refused(
        "database answers 422: partial write: points beyond retention policy dropped=3", certain=True
    )


def test_long_answers_are_cut() -> None:
    """An error page does not become a log entry of its own size."""
    outcome = outcome_of_answer(500, "x" * 10_000, {}, "database")
    assert isinstance(outcome, Trouble)
    assert len(outcome.why) < 300


@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({}, 0.0),
        ({"Retry-After": "17"}, 17.0),
        ({"Retry-After": "soon"}, 0.0),
        ({"Retry-After": "-5"}, 0.0),
        ({"Retry-After": "Sun, 02 Mar 2031 08:00:30 GMT", "Date": "Sun, 02 Mar 2031 08:00:00 GMT"}, 30.0),
        ({"Retry-After": "Sun, 02 Mar 2031 08:00:00 GMT", "Date": "Sun, 02 Mar 2031 08:00:30 GMT"}, 0.0),
        ({"Retry-After": "Sun, 02 Mar 2031 08:00:30 GMT"}, 0.0),
    ],
)
def test_retry_after_is_read_by_the_far_ends_clock(headers: dict[str, str], seconds: float) -> None:
    """Seconds, or a date against the Date header; our own wall clock has no say."""
    assert retry_after_s(headers) == seconds


def test_third_loss_makes_a_suspect() -> None:
    """The same flight under way three times when a connection ends is to blame; another one starts over."""
    suspicion = Suspicion()
    one, other = Flight("events", 0, (reading(1),)), Flight("events", 1, (reading(2),))
    assert [suspicion.lost(flight) for flight in (one, one, other, other, other)] == [
        False,
        False,
        False,
        False,
        True,
    ]
    assert not suspicion.lost(other)
    suspicion.answered(other)
    assert [suspicion.lost(other) for _ in range(3)] == [False, False, True]


def test_answers_to_others_clear_no_suspect() -> None:
    """A stream of events that gets through between two losses doesn't hide the reading that ends them."""
    suspicion = Suspicion()
    suspect, other = Flight("readings", 0, (reading(1),)), Flight("events", 1, (reading(2),))
    verdicts = []
    for _ in range(3):
        suspicion.answered(other)
        verdicts.append(suspicion.lost(suspect))
    assert verdicts == [False, False, True]


def _not_yet_valid() -> ssl.SSLCertVerificationError:
    error = ssl.SSLCertVerificationError(1, "certificate verify failed")
    error.verify_code, error.verify_message = 9, "certificate is not yet valid"
    return error


def test_certificate_before_the_clock_is_known_waits() -> None:
    """A machine that booted in the past waits for its clock; with a known clock the same error is a fault."""
    waiting = why_unreached(_not_yet_valid(), "broker", clock_known=False)
    assert not waiting.visible
    assert "waiting for the clock" in waiting.why
    assert why_unreached(_not_yet_valid(), "broker", clock_known=True).visible


def test_unreached_tells_network_from_tls() -> None:
    """A refused connection passes by itself, failed TLS doesn't."""
    assert not why_unreached(
        ConnectionRefusedError(111, "Connection refused"), "broker", clock_known=True
    ).visible
    assert why_unreached(ssl.SSLError(1, "wrong version"), "broker", clock_known=True).visible


def test_secrets_never_show() -> None:
    """Options may be logged."""
    assert "hush" not in repr(MqttOptions("h", password="hush"))
    assert "hush" not in repr(LineProtocolOptions("http://h", token="hush"))
