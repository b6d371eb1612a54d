"""The pin factory: levels, edges, outputs, and a board that goes away."""

from __future__ import annotations

import logging
import threading
import time
from pathlib import Path

import pytest
from gpiozero import MCP3208, Buzzer, DigitalInputDevice, GPIOPinInUse

from quietbench.drivers.errors import WireError
from quietbench.simulators.pinfactory import SimulatedPinFactory

from .conftest import ThreadBoard, until


def test_a_board_that_is_not_there_is_named_with_what_to_do(tmp_path: Path) -> None:
    """Nobody listens: one WireError with the address and the command that helps."""
    with pytest.raises(WireError, match=r"nowhere\.sock.*python -m quietbench\.simulators"):
        SimulatedPinFactory(str(tmp_path / "nowhere.sock"))


def test_a_level_that_stood_before_is_read(board: ThreadBoard) -> None:
    """What the board drives is there from the first read, whatever the pull."""
    board.drive(22, 0)
    with SimulatedPinFactory(str(board.address)) as factory:
        pin = factory.pin(22)
        pin.input_with_pull("up")
        assert pin.state is False


def test_an_undriven_line_follows_its_pull(factory: SimulatedPinFactory) -> None:
    """A line that nobody drives stands where its pull takes it."""
    pin = factory.pin(6)
    pin.input_with_pull("up")
    assert pin.state is True
    pin.pull = "down"
    assert pin.state is False


def test_an_edge_comes_with_its_own_time_on_the_dispatch_thread(
    board: ThreadBoard, factory: SimulatedPinFactory
) -> None:
    """The handler gets the edge's CLOCK_MONOTONIC seconds and the new level, on one thread for all lines."""
    seen: list[tuple[int, float, int, str]] = []
    pins = {line: factory.pin(line) for line in (22, 23)}

    def made(line: int) -> object:
        def handler(ticks: float, state: int) -> None:
            seen.append((line, ticks, state, threading.current_thread().name))

        pins[line].when_changed = handler
        return handler

    kept = [made(line) for line in pins]
    times = [board.drive(22, 1), board.drive(23, 1), board.drive(22, 0)]
    assert until(lambda: len(seen) == 3)
    assert kept
    assert [(line, state) for line, _, state, _ in seen] == [(22, 1), (23, 1), (22, 0)]
    assert [round(ticks * 1e9) for _, ticks, _, _ in seen] == pytest.approx(times, abs=1000)
    assert len({name for *_, name in seen}) == 1
    assert factory.ticks() == pytest.approx(time.monotonic(), abs=0.1)


def test_only_the_edges_asked_for_are_reported(board: ThreadBoard, factory: SimulatedPinFactory) -> None:
    """A pin that watches rising edges hears nothing of falling ones, and still reads its level."""
    seen: list[int] = []
    pin = factory.pin(22)
    pin.edges = "rising"

    def handler(_: float, state: int) -> None:
        seen.append(state)

    pin.when_changed = handler
    for level in (1, 0, 1, 0):
        board.drive(22, level)
    assert until(lambda: len(seen) == 2 and not pin.state)
    assert seen == [1, 1]


def test_a_handler_that_raises_does_not_deafen_the_rest(
    board: ThreadBoard, factory: SimulatedPinFactory, caplog: pytest.LogCaptureFixture
) -> None:
    """The exception is logged, and the next edge of any line still arrives."""
    seen: list[int] = []
    bad, good = factory.pin(22), factory.pin(23)

    def broken(*_: object) -> None:
        raise RuntimeError("a mistake in a handler")

    def fine(_: float, state: int) -> None:
        seen.append(state)

    bad.when_changed, good.when_changed = broken, fine
    with caplog.at_level(logging.ERROR):
        board.drive(22, 1)
        board.drive(23, 1)
        board.drive(22, 0)
        board.drive(23, 0)
        assert until(lambda: seen == [1, 0])
    assert caplog.text.count("the handler of line 22 failed") == 2


def test_levels_stay_true_while_a_handler_blocks(board: ThreadBoard, factory: SimulatedPinFactory) -> None:
    """The mirror of levels does not wait for handlers."""
    release, entered = threading.Event(), threading.Event()
    pin = factory.pin(22)

    def slow(*_: object) -> None:
        entered.set()
        release.wait(5.0)

    pin.when_changed = slow
    board.drive(22, 1)
    assert entered.wait(2.0)
    board.drive(22, 0)
    assert until(lambda: pin.state is False)
    release.set()


def test_reports_beyond_the_queue_are_lost_and_levels_are_not(
    board: ThreadBoard, factory: SimulatedPinFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As with the real backend's pipe, a flood of edges loses reports, counted here; the level is right after it."""
    monkeypatch.setattr("quietbench.simulators.pinfactory._QUEUED_REPORTS", 8)
    release = threading.Event()
    pin = factory.pin(22)

    def slow(*_: object) -> None:
        release.wait(5.0)

    pin.when_changed = slow
    for number in range(41):
        board.drive(22, 1 - number % 2)
    assert until(lambda: factory.lost_reports > 0 and pin.state is True)
    release.set()


def test_an_output_reaches_the_board_with_its_time(board: ThreadBoard, factory: SimulatedPinFactory) -> None:
    """Function and level of an output are told as they change, stamped where they were set."""
    before = time.monotonic_ns()
    with Buzzer(12, pin_factory=factory) as buzzer:
        buzzer.on()
        after = time.monotonic_ns()
        assert until(lambda: (12, "output", 1, "set") in board.changes)
        assert before <= board.board.outputs[12].changed_ns <= after
        buzzer.off()
    assert until(lambda: board.changes[-1] == (12, "input", 0, "released"))


def test_a_burst_of_outputs_loses_nothing(board: ThreadBoard, factory: SimulatedPinFactory) -> None:
    """Far more messages than the socket holds at once arrive all the same, the last one last."""
    with Buzzer(12, pin_factory=factory) as buzzer:
        for _ in range(1500):
            buzzer.on()
            buzzer.off()
        assert until(lambda: board.board.outputs[12].changes == 3000)
        assert board.board.outputs[12].level == 0


def test_lines_of_the_converter_are_not_told(board: ThreadBoard, factory: SimulatedPinFactory) -> None:
    """Clock, select and data lines end at the chip inside the factory; the board hears of no bit."""
    with MCP3208(channel=0, pin_factory=factory) as converter:
        converter.raw_value  # noqa: B018  # read for its traffic
    with Buzzer(12, pin_factory=factory):
        assert until(lambda: bool(board.changes))
    assert {line for line, *_ in board.changes} == {12}


def test_a_line_in_use_is_refused(factory: SimulatedPinFactory) -> None:
    """The library's reservations hold: two devices can't have one line."""
    with Buzzer(12, pin_factory=factory), pytest.raises(GPIOPinInUse):
        DigitalInputDevice(12, pin_factory=factory)


@pytest.mark.slow
def test_a_board_that_went_away_is_told_by_every_read_and_found_again(board: ThreadBoard) -> None:
    """Pins, outputs and conversions raise while it is gone; then levels are read anew and outputs told anew."""
    with SimulatedPinFactory(str(board.address)) as factory:
        pin, buzzer = factory.pin(22), Buzzer(12, pin_factory=factory)
        converter = MCP3208(channel=0, pin_factory=factory)
        board.drive(22, 1)
        assert until(lambda: pin.state is True)
        board.stop()
        assert until(lambda: factory.link.lost is not None)
        for read in (lambda: pin.state, lambda: converter.raw_value, buzzer.on):
            with pytest.raises(WireError, match="simulated board"):
                read()
        again = ThreadBoard(board.address)
        again.board.levels[22] = 0
        again.volts = {0: 1.65}
        again.start()
        assert until(lambda: factory.link.lost is None)
        assert pin.state is False
        assert converter.raw_value == 2048
        assert until(lambda: (12, "output", 1, "set") in again.changes)
        buzzer.close()
        converter.close()
    again.stop()
    board.start()  # for the fixture, which stops it


@pytest.mark.slow
def test_a_board_that_hangs_is_told_after_two_seconds(
    board: ThreadBoard, factory: SimulatedPinFactory
) -> None:
    """A connection that stands but says nothing is no reason to believe old levels."""
    pin = factory.pin(22)
    board.do(board.server._heartbeat.cancel)  # type: ignore[union-attr]
    assert pin.state is False
    assert until(lambda: factory.link.lost is not None, 4.0)
    assert "silent" in str(factory.link.lost)


def test_a_conversion_that_is_not_answered_ends_at_its_deadline(
    board: ThreadBoard, factory: SimulatedPinFactory
) -> None:
    """A board that is slow to convert costs a quarter of a second, and its late answer passes for no other."""
    slow = threading.Event()
    with MCP3208(channel=0, pin_factory=factory) as converter:
        board.volts = {0: 1.0}
        assert converter.raw_value == 1241
        board.server._volts = lambda *_: float(slow.wait(0.6)) + 1.0
        begun = time.monotonic()
        with pytest.raises(WireError, match="did not convert within"):
            converter.raw_value  # noqa: B018
        assert time.monotonic() - begun < 0.5
        slow.set()
        board.server._volts = lambda *_: 3.0
        assert until(lambda: _reads(converter, 3723))


def _reads(converter: MCP3208, wanted: int) -> bool:
    try:
        return bool(converter.raw_value == wanted)
    except WireError:
        return False


def test_closing_twice_is_fine_and_ends_the_threads(board: ThreadBoard) -> None:
    """Close is idempotent and leaves no thread behind."""
    factory = SimulatedPinFactory(str(board.address))
    factory.close()
    factory.close()
    assert until(
        lambda: not any(thread.name.startswith("simulated-board") for thread in threading.enumerate())
    )
