"""The bookkeeping of one stream: order, cursor, refusals."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from quietbench.daemon.sinks.base import Accepted, Flight, Outcome, Refused, Trouble
from quietbench.daemon.sinks.lane import Lane
from tests.sinks.kit import NS, QUICK, reading

BAD = Refused("no")


def a_lane(count: int, batch: int = 4) -> Lane:
    """A lane with so many records read and waiting."""
    lane = Lane("readings", 0, batch, retry=QUICK, random=Random(1))
    lane.take([reading(n) for n in range(1, count + 1)])
    lane.more = False
    return lane


def launch(lane: Lane) -> Flight:
    piece = lane.next_piece()
    assert piece is not None
    return lane.launch(piece)


def numbers(flight: Flight) -> list[int]:
    return [record.n for record in flight.records]


def run(lane: Lane, outcome: Callable[[list[int]], Outcome], *, window: int = 1) -> list[list[int]]:
    """Fly until all is done; answers come in order, ``window`` flights behind. Returns what flew."""
    flown: list[list[int]] = []
    flying: list[Flight] = []
    now_ns = 0
    while not lane.idle:
        while lane.may_launch(now_ns) and len(flying) < window and (piece := lane.next_piece()):
            flying.append(lane.launch(piece))
            flown.append(numbers(flying[-1]))
        if flying:
            flight = flying.pop(0)
            lane.settle(flight, outcome(numbers(flight)), now_ns)
        now_ns += NS
        assert len(flown) < 10_000
    return flown


def test_first_flight_goes_alone() -> None:
    """Nothing follows before the far end has shown once that it takes what is sent."""
    lane = a_lane(8)
    first = launch(lane)
    assert not lane.may_launch(0)
    lane.settle(first, Accepted(), 0)
    launch(lane)
    assert lane.may_launch(0)


def test_cursor_waits_for_the_front() -> None:
    """A flight that is confirmed before the one in front of it moves nothing."""
    lane = a_lane(12)
    lane.settle(launch(lane), Accepted(), 0)
    second, third = launch(lane), launch(lane)
    lane.settle(third, Accepted(), 0)
    assert lane.cursor == 4
    lane.settle(second, Accepted(), 0)
    assert lane.cursor == 12


def test_flights_say_what_they_follow() -> None:
    """``after`` is the number of the record before, so that a receiver sees repeats and gaps."""
    lane = a_lane(12)
    first = launch(lane)
    lane.settle(first, Accepted(), 0)
    assert [first.after, launch(lane).after, launch(lane).after] == [0, 4, 8]


def test_trouble_brings_everything_back_in_order() -> None:
    """After trouble all unconfirmed flights go again in order, one at a time, once the delay is over."""
    lane = a_lane(12)
    lane.settle(launch(lane), Accepted(), 0)
    second, third = launch(lane), launch(lane)
    lane.settle(second, Trouble("away"), 0)
    lane.settle(third, Accepted(), 0)
    assert (lane.cursor, lane.trouble) == (4, Trouble("away"))
    assert not lane.may_launch(0)
    again = launch(lane)
    assert (numbers(again), again.after) == (numbers(second), 4)
    assert not lane.may_launch(NS)
    lane.settle(again, Accepted(), NS)
    assert (numbers(launch(lane)), lane.trouble) == (numbers(third), None)


def test_nothing_leaves_while_a_failure_is_unresolved() -> None:
    """A refusal behind an unanswered flight stops the lane until the front is settled."""
    lane = a_lane(16)
    lane.settle(launch(lane), Accepted(), 0)
    second, third = launch(lane), launch(lane)
    lane.settle(third, BAD, 0)
    assert not lane.may_launch(0)
    lane.settle(second, Accepted(), 0)
    assert numbers(launch(lane)) == [9, 10]


def test_refused_record_is_found_and_set_aside() -> None:
    """Of a refused batch only the refused record is given up, with its reason; the rest arrives in order."""
    lane = a_lane(12)
    flown = run(lane, lambda flight: BAD if 6 in flight else Accepted())
    assert flown == [[1, 2, 3, 4], [5, 6, 7, 8], [5, 6], [5], [6], [7, 8], [9, 10, 11, 12]]
    assert (lane.set_aside, lane.cursor) == ([(6, "no")], 12)


def test_recall_keeps_what_halving_has_found() -> None:
    """A connection that breaks while a batch is being halved doesn't start the search over."""
    lane = a_lane(8)
    lane.settle(launch(lane), Refused("no"), 0)
    launch(lane)
    lane.recall()
    assert numbers(launch(lane)) == [1, 2]


def test_ill_far_end_is_suspected_before_all_is_given_up() -> None:
    """Where everything is refused only a few records are set aside, then one per delay, and a person is told."""
    lane = a_lane(100, batch=1)
    for _ in range(8):
        lane.settle(launch(lane), BAD, 0)
    assert (len(lane.set_aside), lane.trouble) == (8, None)
    lane.settle(launch(lane), BAD, 0)
    assert len(lane.set_aside) == 8
    assert lane.trouble is not None
    assert lane.trouble.visible
    assert not lane.may_launch(0)
    lane.settle(launch(lane), BAD, NS)
    assert len(lane.set_aside) == 9
    lane.settle(launch(lane), BAD, NS)
    assert len(lane.set_aside) == 9


def test_records_refused_for_what_they_are_are_all_given_up() -> None:
    """Points older than the far end keeps don't count against it."""
    lane = a_lane(50, batch=1)
    run(lane, lambda _flight: Refused("too old", certain=True))
    assert (len(lane.set_aside), lane.cursor, lane.trouble) == (50, 50, None)


def test_too_large_batches_shrink_and_grow_back() -> None:
    """A batch that is too large is halved, the next ones are smaller from the start, later ones grow again."""
    lane = a_lane(200, batch=16)
    large = Refused("too large", certain=True, size=True)
    flown = run(lane, lambda flight: large if len(flight) > 9 else Accepted())
    assert flown[0] == list(range(1, 17))
    assert max(len(flight) for flight in flown[1:]) <= 12
    assert lane.set_aside == []
    assert lane.cursor == 200


def test_skipping_moves_cursor_and_position() -> None:
    """A record that can never be sent is set aside without a flight."""
    lane = Lane("readings", 0, 4, retry=QUICK, random=Random(1))
    lane.skip(3, "never")
    assert (lane.cursor, lane.position, lane.set_aside) == (3, 3, [(3, "never")])


@given(
    count=st.integers(1, 60),
    batch=st.integers(1, 9),
    window=st.integers(1, 6),
    poison=st.sets(st.integers(1, 60), max_size=5),
    seed=st.integers(0, 2**32),
)
def test_every_record_is_delivered_or_set_aside_and_a_receiver_can_rebuild_the_order(
    count: int, batch: int, window: int, poison: set[int], seed: int
) -> None:
    """Whatever is refused and whenever trouble comes: a receiver that forgets back to ``after`` has the exact log."""
    lane, weather = a_lane(count, batch), Random(seed)
    log: list[int] = []
    flying: list[Flight] = []
    now_ns = 0
    while not lane.idle:
        now_ns += NS
        while lane.may_launch(now_ns) and len(flying) < window and (piece := lane.next_piece()):
            flying.append(lane.launch(piece))
        if weather.random() < 0.1:
            flying.clear()
            lane.recall()
        elif flying:
            flight = flying.pop(0)
            if weather.random() < 0.2:
                lane.settle(flight, Trouble("away"), now_ns)
            elif poison & set(numbers(flight)):
                lane.settle(flight, BAD, now_ns)
            else:
                log = [n for n in log if n <= flight.after] + numbers(flight)
                lane.settle(flight, Accepted(), now_ns)
    refused = {n for n in poison if n <= count}
    assert log == [n for n in range(1, count + 1) if n not in refused]
    assert {n for n, _ in lane.set_aside} == refused
    assert lane.cursor == count
