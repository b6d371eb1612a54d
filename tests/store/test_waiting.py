"""The bounded memory: order, bounds, and an honest count of what went."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.core.records import Event, Record
from quietbench.daemon.store.waiting import Waiting
from tests.store.kit import event, reading

KINDS = st.lists(st.booleans(), max_size=120)


def records(kinds: list[bool]) -> list[Record]:
    return [event(i) if is_event else reading(i) for i, is_event in enumerate(kinds, 1)]


@given(kinds=KINDS, limit=st.integers(1, 60), pieces=st.integers(1, 7), returns=st.booleans())
def test_readings_go_before_events_and_oldest_first(
    kinds: list[bool], limit: int, pieces: int, returns: bool
) -> None:
    """Whatever comes in whatever pieces: bounded, in order, nothing uncounted, no event before a reading."""
    waiting = Waiting(limit)
    everything = records(kinds)
    for start in range(0, len(everything), pieces):
        waiting.put(everything[start : start + pieces])
        if returns:
            waiting.give_back(waiting.take())
    batch = waiting.take()
    kept = [record.count for record in batch.records]
    events = [record.count for record in everything if isinstance(record, Event)]
    kept_events = [record.count for record in batch.records if isinstance(record, Event)]
    kept_readings = [record.count for record in batch.records if not isinstance(record, Event)]
    all_readings = [record.count for record in everything if not isinstance(record, Event)]

    assert len(kept) <= limit
    assert kept == sorted(kept)
    assert len(kept) + batch.lost.readings + batch.lost.events == len(everything)
    assert kept_events == events[len(events) - len(kept_events) :]
    assert kept_readings == all_readings[len(all_readings) - len(kept_readings) :]
    if len(events) <= limit:
        assert kept_events == events


def test_what_was_given_back_goes_before_what_came_since() -> None:
    """A failed batch is tried again in its place."""
    waiting = Waiting(10)
    waiting.put([reading(1), event(2)])
    waiting.advance("broker", "events", 5)
    failed = waiting.take()
    waiting.put([reading(3)])
    waiting.advance("broker", "events", 4)
    waiting.give_back(failed)
    batch = waiting.take()

    assert [record.count for record in batch.records] == [1, 2, 3]
    assert batch.cursors == {("broker", "events"): 5}


def test_losses_add_up_over_failed_batches() -> None:
    """What a failed batch had lost is told together with what was lost since."""
    waiting = Waiting(1)
    waiting.put([reading(1), reading(2)])
    failed = waiting.take()
    waiting.put([reading(3), reading(4), event(5)])
    waiting.give_back(failed)
    batch = waiting.take()

    assert [record.count for record in batch.records] == [5]
    assert batch.lost.body() == {
        "what": "records lost", "readings": 4, "events": 0, "first_count": 1, "last_count": 4,
    }  # fmt: skip
