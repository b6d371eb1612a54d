"""Readings into dropouts."""

from __future__ import annotations

import numpy as np
import pytest

from quietbench.daemon.tracing.dropouts import Series, State, common, find, poll_interval, union

GOOD, OPEN, BAD = State.GOOD, State.OPEN, State.UNTRUSTED


def series(*readings: tuple[float, State], holds_s: float = 100.0) -> Series:
    at = np.array([at for at, _ in readings])
    state = np.array([state for _, state in readings], dtype=np.int64)
    ends = np.full(len(at), at[-1] if len(at) else 0.0)
    return Series(at, state, np.where(state == OPEN, 5e9, 1e6), ends, holds_s)


def test_an_opening_read_by_edges_has_its_own_length() -> None:
    """20 ms between two edges."""
    found = find(series((0, GOOD), (10, OPEN), (10.02, GOOD), (50, GOOD)), 0.0)
    assert len(found.short_s) == 1
    assert found.short_s[0] <= 0.02 <= found.long_s[0]
    assert found.start_lo_s[0] <= 10 <= found.start_hi_s[0]
    assert found.depth[0] == 5e9
    assert not found.cut[0]


def test_a_polled_opening_is_known_to_within_a_poll_on_both_sides() -> None:
    """Seen at one poll of a second: between nothing and two seconds."""
    found = find(series((0, GOOD), (9, GOOD), (10, OPEN), (11, GOOD)), 1.0)
    assert (found.short_s[0], found.long_s[0]) == pytest.approx((0.0, 2.0))
    assert found.start_lo_s[0] == pytest.approx(9.0)


def test_what_a_fault_cuts_short_is_marked_and_open_ended() -> None:
    """The end of it is not known."""
    found = find(series((0, GOOD), (10, OPEN), (10.5, BAD), (20, GOOD)), 0.1)
    assert found.cut[0]
    assert found.long_s[0] == 60.0


def test_a_gap_in_the_record_cuts_too() -> None:
    """A watcher that stopped saw nothing more."""
    found = find(series((0, GOOD), (10, OPEN), (500, GOOD), holds_s=5.0), 0.1)
    assert found.cut[0]


def test_what_stands_open_for_minutes_is_no_dropout() -> None:
    """A strap put down for lunch; that time does not count as observed."""
    found = find(series((0, GOOD), (10, OPEN), (310, GOOD), (350, GOOD), holds_s=400.0), 0.1)
    assert len(found.short_s) == 0
    assert found.standing == 1
    assert float(np.sum(found.observed[:, 1] - found.observed[:, 0])) == pytest.approx(50.0)


def test_openings_count_only_while_somebody_is_there() -> None:
    """And only that time is observed."""
    gate = np.array([[0.0, 20.0]])
    readings = series((0, GOOD), (10, OPEN), (11, GOOD), (30, OPEN), (31, GOOD), (40, GOOD))
    found = find(readings, 0.1, gate)
    assert len(found.short_s) == 1
    assert found.observed[-1, 1] == 20.0


def test_an_opening_that_nobody_saw_begin_is_not_counted() -> None:
    """After a fault the path is open already."""
    assert len(find(series((0, BAD), (10, OPEN), (11, GOOD)), 0.1).short_s) == 0


def test_untrusted_time_is_not_observed() -> None:
    """A sensor fault in between."""
    found = find(series((0, GOOD), (10, BAD), (30, GOOD), (40, GOOD)), 0.1)
    assert found.observed[:2].tolist() == [[0.0, 10.0], [30.0, 40.0]]


def test_no_readings_give_no_dropouts() -> None:
    """An empty channel."""
    found = find(series(), 1.0)
    assert len(found.short_s) == 0
    assert len(found.observed) == 0


def test_the_poll_interval_is_the_shortest_distance_of_readings() -> None:
    """Changes come at polls; edges come closer than any poll."""
    assert poll_interval(np.array([0.0, 60.0, 61.0, 121.0]), 3.0) == pytest.approx(1.0)
    assert poll_interval(np.array([0.0, 60.0, 60.004]), 3.0) == 0.0
    assert poll_interval(np.array([0.0, 60.0, 120.0]), 3.0) == pytest.approx(1.0)


def test_intervals_are_united_and_intersected() -> None:
    """By hand."""
    one, other = np.array([[0.0, 2.0], [4.0, 6.0]]), np.array([[1.0, 5.0]])
    assert common(one, other).tolist() == [[1.0, 2.0], [4.0, 5.0]]
    assert union([one, other]).tolist() == [[0.0, 6.0]]


def test_a_reading_holds_only_while_its_run_goes_on() -> None:
    """The watcher stopped at 20 and came back at 50."""
    readings = series((0, GOOD), (50, GOOD), (60, GOOD))
    stopped = Series(readings.at_s, readings.state, readings.value, np.array([20.0, 60.0, 60.0]), 100.0)
    assert find(stopped, 0.1).observed.tolist() == [[0.0, 20.0], [50.0, 60.0]]
