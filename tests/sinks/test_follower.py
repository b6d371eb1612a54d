"""The shared loop, with a far end that does what the test says."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from quietbench.daemon.core.records import Event
from quietbench.daemon.errors import StoreError
from quietbench.daemon.sinks.base import Accepted, Desk, Flight, Outcome, Reader, Refused, Stream, Trouble
from quietbench.daemon.sinks.options import RetryOptions
from quietbench.daemon.sinks.waiting import NEVER_CORRECTED
from tests.sinks.kit import (
    QUICK,
    RUN,
    Complaints,
    MemoryStore,
    Rig,
    TestClock,
    context,
    follower,
    live,
    running,
)
from tests.support.brokers import wait_until


class FakeFarEnd:
    """Answers at once, by a function."""

    def __init__(
        self,
        outcome: Callable[[Flight], Outcome] = lambda _flight: Accepted(),
        *,
        age_s: float = 0.0,
        needs_clock: bool = False,
    ) -> None:
        self.outcome = outcome
        self.batches: Mapping[Stream, int] = {"events": 1, "readings": 10}
        self.age_s = age_s
        self.needs_clock: frozenset[Stream] = frozenset(("events", "readings") if needs_clock else ())
        self.taken: list[tuple[Stream, list[int]]] = []
        self.offered: list[Event] = []
        self.noted: list[object] = []
        self.open = True
        self.closed_in: str | None = None

    def attach(self, desk: Desk) -> None:
        self.desk = desk

    def tend(self, now_ns: int) -> float:
        return 1.0

    def room(self) -> bool:
        return self.open

    def send(self, flight: Flight) -> None:
        outcome = self.outcome(flight)
        if isinstance(outcome, Accepted):
            self.taken.append((flight.stream, [record.n for record in flight.records]))
        self.desk.settle(flight, outcome)

    def hear(self, note: object) -> None:
        self.noted.append(note)
        if isinstance(note, Exception):
            raise note

    def offer(self, event: Event) -> None:
        self.offered.append(event)

    def close(self, deadline_ns: int) -> None:
        self.closed_in = threading.current_thread().name


def rig(far_end: FakeFarEnd, clock: TestClock | None = None, retry: RetryOptions = QUICK) -> Rig:
    store, complaints = MemoryStore(), Complaints()
    return Rig(store, complaints, follower(far_end, store, context(store, complaints, clock), retry))


def look_twice(one: Rig) -> None:
    """Let the sink look into the store and find that there is nothing to do."""
    for least in (one.sink.progress, one.sink.progress + 1):
        one.sink.committed()
        wait_for_progress(one, least)


def wait_for_progress(one: Rig, least: int) -> None:
    wait_until(lambda: one.sink.progress > least, "a look at the store")


def test_events_go_before_readings() -> None:
    """With both waiting, all events are sent before the first reading, whatever their numbers."""
    far_end = FakeFarEnd()
    far_end.open = False
    one = rig(far_end)
    with running(one.sink):
        one.add_readings(range(1, 31))
        one.add_events(range(31, 36))
        far_end.open = True
        one.sink.committed()
        wait_until(lambda: one.store.at("readings") == 30, "readings")
    assert [stream for stream, _ in far_end.taken] == ["events"] * 5 + ["readings"] * 3
    assert one.store.at("events") == 35


def test_begins_behind_the_durable_cursor() -> None:
    """A restart sends nothing that was confirmed before."""
    far_end = FakeFarEnd()
    one = rig(far_end)
    one.store.cursors["far", "readings"] = 4
    with running(one.sink):
        one.add_readings(range(1, 8))
        wait_until(lambda: one.store.at("readings") == 7, "readings")
    assert far_end.taken == [("readings", [5, 6, 7])]


def test_cursor_stays_while_there_is_trouble() -> None:
    """Nothing counts as delivered, and the text goes out once and is taken back once."""
    outcome: list[Outcome] = [Trouble("token refused", visible=True)]
    far_end = FakeFarEnd(lambda _flight: outcome[0])
    one = rig(far_end)
    with running(one.sink):
        one.add_readings(range(1, 4))
        wait_until(lambda: one.complaints.now, "a complaint")
        assert one.store.at("readings") == 0
        outcome[0] = Accepted()
        wait_until(lambda: one.store.at("readings") == 3, "readings")
        wait_until(lambda: one.complaints.now is None, "well again")
    assert one.complaints.texts == ["token refused", None]


def test_one_streams_trouble_does_not_hold_the_other() -> None:
    """Readings go on while events are refused as a whole."""
    far_end = FakeFarEnd(
        lambda flight: Trouble("acl", visible=True) if flight.stream == "events" else Accepted()
    )
    one = rig(far_end)
    with running(one.sink):
        one.add_events([1])
        one.add_readings([2])
        wait_until(lambda: one.store.at("readings") == 2, "readings")
    assert one.store.at("events") == 0
    assert one.complaints.texts == ["acl"]


def test_refused_record_is_set_aside() -> None:
    """The store learns which record and why, and the cursor passes it."""
    far_end = FakeFarEnd(
        lambda flight: Refused("poison") if 5 in [r.n for r in flight.records] else Accepted()
    )
    one = rig(far_end)
    with running(one.sink):
        one.add_readings(range(1, 9))
        wait_until(lambda: one.store.at("readings") == 8, "readings")
    assert one.store.aside == [("readings", 5, "poison")]
    assert [n for _, taken in far_end.taken for n in taken] == [1, 2, 3, 4, 6, 7, 8]


def test_small_batches_wait_for_company() -> None:
    """Readings that don't fill a batch go when the first has waited for ``age_s``, in one flight."""
    clock = TestClock(at_ns=0)
    far_end = FakeFarEnd(age_s=5.0)
    one = rig(far_end, clock)
    sent = threading.Event()
    with running(one.sink):
        one.add_readings([1])
        one.add_readings([2, 3])
        look_twice(one)
        assert not far_end.taken
        clock.at_ns = 5_000_000_000
        one.sink.committed()
        wait_until(lambda: far_end.taken, "a flight")
        clock.at_ns = None
        sent.set()
    assert far_end.taken == [("readings", [1, 2, 3])]


def test_full_batches_go_at_once() -> None:
    """A backlog is not held up by the wait for company."""
    far_end = FakeFarEnd(age_s=1000.0)
    one = rig(far_end)
    with running(one.sink):
        one.add_readings(range(1, 21))
        wait_until(lambda: one.store.at("readings") == 20, "readings")


def test_stop_sends_what_is_left() -> None:
    """What was committed before the stop goes out within it, company or not."""
    far_end = FakeFarEnd(age_s=1000.0)
    one = rig(far_end)
    with running(one.sink):
        one.add_readings([1, 2])
    assert far_end.taken == [("readings", [1, 2])]
    assert far_end.closed_in == "sink-far"
    assert one.store.closed == 1


def test_store_is_read_in_the_sinks_thread_alone() -> None:
    """The connection to the store belongs to one thread."""
    one = rig(FakeFarEnd())
    with running(one.sink):
        wait_until(lambda: one.store.opened_by, "the store is opened")
    assert one.store.opened_by == {"sink-far"}


def test_store_that_can_not_be_read_yet_is_waited_for() -> None:
    """A missing store is a complaint, and no end."""
    store, complaints, far_end = MemoryStore(), Complaints(), FakeFarEnd()
    failures = [StoreError("no file"), StoreError("no file")]

    def open_reader(folder: Path) -> Reader:
        if failures:
            raise failures.pop()
        return store.open(folder)

    sink = follower(far_end, store, context(store, complaints))
    sink._open_reader = open_reader
    one = Rig(store, complaints, sink)
    with running(sink):
        one.add_readings([1])
        wait_until(lambda: store.at("readings") == 1, "readings")
        wait_until(lambda: complaints.now is None, "well again")
    assert complaints.texts == ["can't go on: StoreError: no file", None]


def test_unforeseen_exception_does_not_end_the_thread() -> None:
    """Whatever breaks in a round, the sink says so, starts over from what is not confirmed, and goes on."""
    broken: list[Exception] = [RuntimeError("what now")]

    def outcome(_flight: Flight) -> Outcome:
        if broken:
            raise broken.pop()
        return Accepted()

    far_end = FakeFarEnd(outcome)
    one = rig(far_end)
    with running(one.sink):
        one.add_readings(range(1, 4))
        wait_until(lambda: one.store.at("readings") == 3, "readings")
        one.sink.post(RuntimeError("note"))
        one.add_readings([4])
        wait_until(lambda: one.store.at("readings") == 4, "readings")
        wait_until(lambda: one.complaints.now is None, "well again")
    assert one.complaints.texts[0] == "can't go on: RuntimeError: what now"
    assert far_end.taken == [("readings", [1, 2, 3]), ("readings", [4])]


@pytest.mark.slow
def test_progress_shows_without_news() -> None:
    """The loop turns at least once a second, so that a watchdog can tell it from a dead one."""
    one = rig(FakeFarEnd())
    with running(one.sink):
        wait_until(lambda: one.sink.progress > 0, "a first round")
        before = one.sink.progress
        wait_until(lambda: one.sink.progress > before + 1, "two more rounds", within_s=3.5)


def test_news_are_one_note_however_many() -> None:
    """A busy store doesn't fill the inbox of a sink that is held up."""
    one = rig(FakeFarEnd())
    for _ in range(1000):
        one.sink.committed()
        one.sink.offer(live(1))
    assert one.sink._inbox.qsize() == 1


def test_records_without_time_are_set_aside_where_they_can_never_be_used() -> None:
    """What an earlier boot left without a time can't go to a database; what follows does."""
    clock = TestClock(at_ns=0)
    far_end = FakeFarEnd(needs_clock=True)
    one = rig(far_end, clock)
    with running(one.sink):
        one.add_readings(range(1, 501), known=False, run=RUN - 1)
        one.add_readings([501])
        look_twice(one)
        assert one.store.at("readings") == 0
        clock.at_ns = 100 * 10**9
        one.sink.committed()
        wait_until(lambda: one.store.at("readings") == 501, "readings")
        clock.at_ns = None
    assert one.store.aside == [("readings", n, NEVER_CORRECTED) for n in range(1, 501)]
    assert far_end.taken == [("readings", [501])]


def test_stop_before_start_is_harmless() -> None:
    """A watcher that failed to come up may still stop what it made."""
    rig(FakeFarEnd()).sink.stop(0.1)
