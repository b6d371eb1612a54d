"""The converter on the wire, read through the library's own classes."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero import MCP3004, MCP3008, MCP3204, MCP3208

from quietbench.drivers.errors import SetupError
from quietbench.simulators.mcp3208 import transfer_count
from quietbench.simulators.pinfactory import SimulatedPinFactory

from .conftest import ThreadBoard

VOLTS = [0.0, 0.0004, 0.0009, 0.8, 1.234, 1.65, 2.2, 3.2991, 3.2995, 3.3, 3.6]


def counts(volts: float, bits: int) -> int:
    """The data sheet's transfer function, written anew: floor(2^n Vin / Vref), within the code range."""
    return max(0, min((1 << bits) - 1, math.floor((1 << bits) * volts / 3.3)))


@pytest.mark.parametrize("volts", VOLTS)
def test_every_input_gives_the_count_of_the_data_sheet(
    board: ThreadBoard, factory: SimulatedPinFactory, volts: float
) -> None:
    """Each of the eight inputs is converted by floor(4096 Vin / Vref), and no other input leaks in."""
    for number in range(8):
        board.volts = dict.fromkeys(range(8), 1.1) | {number: volts}
        with MCP3208(channel=number, pin_factory=factory) as converter:
            assert converter.raw_value == counts(volts, 12)


@pytest.fixture(
    params=[("MCP3004", MCP3004, 10, 4), ("MCP3008", MCP3008, 10, 8), ("MCP3204", MCP3204, 12, 4)]
)
def other(
    request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[tuple[ThreadBoard, SimulatedPinFactory, tuple]]:  # type: ignore[type-arg]
    """Give a board with one of the smaller chips."""
    board = ThreadBoard(tmp_path / "board.sock", request.param[0])
    board.start()
    with SimulatedPinFactory(str(board.address)) as factory:
        yield board, factory, request.param[1:]
    board.stop()


def test_the_smaller_chips_speak_their_own_dialect(other: tuple) -> None:  # type: ignore[type-arg]
    """Ten bits and four inputs are read through the library's class for that chip."""
    board, factory, (chip, bits, inputs) = other
    for number in range(inputs):
        board.volts = {number: 0.7 + number / 10}
        with chip(channel=number, pin_factory=factory) as converter:
            assert converter.raw_value == counts(0.7 + number / 10, bits)


@pytest.mark.parametrize(("channel", "wanted"), [(0, 1.0), (1, -1.0), (2, 0.25), (3, -0.25)])
def test_differential_mode_takes_the_second_input_off(
    board: ThreadBoard, factory: SimulatedPinFactory, channel: int, wanted: float
) -> None:
    """Pair 0 is CH0 against CH1, pair 1 the other way round; below zero the code stays 0."""
    board.volts = {0: 1.5, 1: 0.5, 2: 0.5, 3: 0.25}
    with MCP3208(channel=channel, differential=True, pin_factory=factory) as converter:
        assert converter.raw_value == counts(wanted, 12)


def test_one_read_is_one_conversion_and_one_question(
    board: ThreadBoard, factory: SimulatedPinFactory
) -> None:
    """The board is asked once for a read, whatever the number of bits."""
    with MCP3208(channel=3, pin_factory=factory) as converter:
        before = board.conversions
        for _ in range(5):
            assert converter.raw_value == 0
        assert board.conversions - before == 5


def test_the_library_uses_its_software_bus_without_a_warning(
    board: ThreadBoard, factory: SimulatedPinFactory
) -> None:
    """No fallback is warned of, because nothing falls back."""
    board.volts = {0: 1.0}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with MCP3208(channel=0, pin_factory=factory) as converter:
            assert converter.raw_value == counts(1.0, 12)


def test_bits_after_the_last_come_lowest_first_and_then_nothing(
    board: ThreadBoard, factory: SimulatedPinFactory
) -> None:
    """A longer transfer reads the result again, lowest bit first, and then zeros (figure 5-1)."""
    board.volts = {0: 2.718}
    code = counts(2.718, 12)
    with factory.spi(port=0, device=0) as bus:
        words = bus.transfer([0b00000110, 0, 0, 0, 0, 0])
    bits = "".join(f"{word:08b}" for word in words)
    assert bits[11:24] == f"0{code:012b}"
    assert bits[24:35] == f"{code:012b}"[-2::-1]
    assert set(bits[35:]) == {"0"}


def test_deselecting_forgets_half_a_command(board: ThreadBoard, factory: SimulatedPinFactory) -> None:
    """Five bits of a command, a deselect, and the next read is right all the same."""
    board.volts = {5: 2.0}
    with factory.spi(port=0, device=0) as bus:
        bus.transfer([0b00000110])
    with MCP3208(channel=5, pin_factory=factory) as converter:
        assert converter.raw_value == counts(2.0, 12)


def test_a_chip_that_is_not_simulated_is_named(tmp_path: Path) -> None:
    """An unknown chip is a mistake of the wiring, with the known ones in the text."""
    board = ThreadBoard(tmp_path / "board.sock", "MCP9999")
    board.start()
    with pytest.raises(SetupError, match=r"MCP9999.*MCP3208"):
        SimulatedPinFactory(str(board.address))
    board.stop()


def test_the_transfer_is_clipped_at_both_ends() -> None:
    """Below 0 V and above the reference the code stands at its ends."""
    assert transfer_count(-0.1, 3.3, 12) == 0
    assert transfer_count(3.4, 3.3, 12) == 4095
    assert transfer_count(3.3 * 2816.5 / 4096, 3.3, 12) == 2816
