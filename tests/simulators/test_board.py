"""The board's lines and the stage behind a fail-safe relay, moved by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietbench.simulators.board import (
    RELAY_HOLD_NS,
    Board,
    BoardHearer,
    Output,
    RelayStage,
    level_at_power_on,
)

MS = 1_000_000


class Heard(BoardHearer):
    """Keeps what happened on a board."""

    def __init__(self) -> None:
        self.outputs: list[tuple[int, int, str]] = []
        self.relays: list[tuple[bool, int]] = []

    def output_changed(self, output: Output, why: str) -> None:
        self.outputs.append((output.line, output.level, why))

    def relay_changed(self, relay: RelayStage) -> None:
        self.relays.append((relay.energised, relay.changed_ns))


@pytest.fixture
def heard() -> Heard:
    """Give an empty record."""
    return Heard()


@pytest.fixture
def board(heard: Heard) -> Board:
    """Give a board with a buzzer on 12 and a relay on 21."""
    return Board({12: "buzzer", 3: "on a pulled-up line"}, {21: "relay"}, heard)


def pulse(board: Board, start_ns: int, seconds: float, owner: int = 1) -> int:
    """Give 10 Hz pulses on the relay's line for some seconds; return the time of the last edge."""
    ns, level = start_ns, 0
    for number in range(round(seconds * 20)):
        ns, level = start_ns + number * 50 * MS, 1 - level
        board.set_output(owner, 21, "output", level, ns)
        board.settle(ns)
    return ns


def test_pulses_hold_the_relay_and_it_drops_a_second_after_the_last(board: Board, heard: Heard) -> None:
    """It pulls in at the first edge, holds while edges come, and drops exactly one second after the last."""
    last = pulse(board, 1_000 * MS, 3.0)
    board.settle(last + RELAY_HOLD_NS - 1)
    assert heard.relays == [(True, 1_000 * MS)]
    assert board.wake_ns() == last + RELAY_HOLD_NS
    board.settle(last + 5 * RELAY_HOLD_NS)
    assert heard.relays[1:] == [(False, last + RELAY_HOLD_NS)]
    assert board.wake_ns() is None


@pytest.mark.parametrize("level", [0, 1])
def test_a_level_does_not_hold_the_relay(board: Board, level: int) -> None:
    """A line that stands, high or low, lets the relay drop."""
    board.set_output(1, 21, "output", 1, 0)
    if level == 0:
        board.set_output(1, 21, "output", 0, MS)
    board.settle(RELAY_HOLD_NS + 2 * MS)
    assert not board.relays[21].energised


def test_falling_back_is_no_pulse(board: Board, heard: Heard) -> None:
    """The edge that a dying watcher leaves on the line does not hold the relay any longer."""
    last = pulse(board, 0, 0.95)
    assert board.outputs[21].level == 1
    board.release(1, last + 700 * MS)
    board.settle(last + 1_200 * MS)
    assert heard.relays[-1] == (False, last + RELAY_HOLD_NS)


def test_a_late_edge_drops_and_pulls_in_again(board: Board, heard: Heard) -> None:
    """An edge more than a second after the last one finds the relay dropped meanwhile."""
    board.set_output(1, 21, "output", 1, 0)
    board.set_output(1, 21, "output", 0, 1_500 * MS)
    assert heard.relays == [(True, 0), (False, RELAY_HOLD_NS), (True, 1_500 * MS)]


def test_outputs_of_a_watcher_that_is_gone_fall_back_to_their_pulls(board: Board, heard: Heard) -> None:
    """Lines 0-8 are pulled up from power-on, 9 and above are low; only the dead watcher's lines fall."""
    board.set_output(1, 12, "output", 1, 0)
    board.set_output(1, 3, "output", 0, 0)
    board.set_output(2, 13, "output", 1, 0)
    board.release(1, MS)
    assert heard.outputs[-2:] == [(12, 0, "released"), (3, 1, "released")]
    assert (board.outputs[13].level, board.outputs[13].function) == (1, "output")


def test_a_forced_input_stands_over_the_model_until_it_is_freed(board: Board) -> None:
    """Edges of the model are held back while a test holds the line, and the model's level returns after it."""
    edges: list[tuple[int, int, int]] = []
    board.send_edge = lambda *edge: edges.append(edge)
    board.drive(22, 0, 1)
    board.force(22, 1, 2)
    board.drive(22, 0, 3)
    board.drive(22, 1, 4)
    board.drive(22, 0, 5)
    board.force(22, None, 6)
    assert edges == [(22, 0, 1), (22, 1, 2), (22, 0, 6)]
    assert board.shown() == {22: 0}


@given(st.lists(st.integers(1, 2_000), min_size=1, max_size=40))
def test_the_relay_is_in_exactly_within_a_second_of_an_edge(gaps_ms: list[int]) -> None:
    """Whatever the edges, at any time the relay stands as the last edge's age says."""
    stage, ns = RelayStage(21, "relay"), 0
    for gap in gaps_ms:
        probe = ns + gap * MS
        if stage.last_edge_ns is not None:
            stage.settle(probe)
            assert stage.energised == (probe - stage.last_edge_ns < RELAY_HOLD_NS)
        ns = probe
        stage.edge(ns)


def test_power_on_levels_are_those_of_the_chip() -> None:
    """Relays may hang only on lines that are low from power-on: 9 to 27."""
    assert [level_at_power_on(line) for line in range(28)] == [1] * 9 + [0] * 19
