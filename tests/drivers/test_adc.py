"""The converter: raw counts, settled, median."""

from __future__ import annotations

import gc
import warnings
from collections.abc import Iterator
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory, MockSPIInterfaceShared
from gpiozero.pins.pi import PiFactory
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from quietbench.drivers.adc import AdcDriver, AdcOptions
from quietbench.drivers.buses import GpioChip, PinBus, SpiBusSettings
from quietbench.drivers.errors import SetupError, WireError
from quietbench.drivers.samples import Reason
from tests.drivers.rigs import AdcRig, ContactRig


@pytest.fixture
def rig() -> Iterator[AdcRig]:
    made = AdcRig({number: 100 * number for number in range(8)})
    yield made
    made.close()


def raw(driver: AdcDriver) -> int | float | None:
    return driver.read()[0].raw


@pytest.mark.parametrize(
    ("chip", "bits"), [("MCP3004", 10), ("MCP3008", 10), ("MCP3204", 12), ("MCP3208", 12)]
)
def test_counts_cross_the_wire_unchanged(chip: str, bits: int) -> None:
    """From 0 to full scale, single-ended, on the first and the last input: no half steps added."""
    last = 3 if chip.endswith("4") else 7
    for count in (0, 1, 2 ** (bits - 1), 2**bits - 2, 2**bits - 1):
        rig = AdcRig({0: count, last: count}, chip)
        try:
            assert raw(rig.driver(0, samples=1)) == count
            assert raw(rig.driver(last, samples=1)) == count
            assert type(raw(rig.driver(0, samples=1))) is int
        finally:
            rig.close()


def test_the_inputs_are_told_apart(rig: AdcRig) -> None:
    """Eight drivers share one SPI object and one chip."""
    drivers = [rig.driver(number, samples=1) for number in range(8)]
    assert [raw(driver) for driver in drivers] == [100 * number for number in range(8)]


def test_the_first_conversion_after_a_change_of_input_is_dropped(rig: AdcRig) -> None:
    """It still holds charge of the other input; on the same input nothing is dropped."""
    rig.device.first_after_change = 50
    one, two = rig.driver(1, samples=3), rig.driver(2, samples=3)
    assert [raw(one), raw(two), raw(two), raw(one)] == [100, 200, 200, 100]
    assert rig.device.conversions == [1] * 4 + [2] * 4 + [2] * 3 + [1] * 4


@given(st.lists(st.integers(0, 4095), min_size=5, max_size=5))
def test_raw_is_the_median_of_the_samples(counts: list[int]) -> None:
    """Single spikes go, the value is one of the conversions."""
    rig = AdcRig({3: [0, *counts]})
    try:
        assert raw(rig.driver(3)) == sorted(counts)[2]
    finally:
        rig.close()


def test_an_absent_converter_reads_as_an_end_of_the_range(rig: AdcRig) -> None:
    """No check sum on this bus: a floating line is a count, never an error; the core judges it."""
    rig.device.close()
    assert raw(rig.driver()) in (0, 4095)


def test_two_chips_on_one_bus_are_a_setup_error(rig: AdcRig) -> None:
    """A chip select is one chip."""
    rig.driver().open()
    with pytest.raises(SetupError, match="got MCP3008, but bus board has MCP3208"):
        rig.driver(chip="MCP3008").open()


def test_lines_of_the_spi_port_in_use_are_a_setup_error(rig: AdcRig) -> None:
    """A contact on the chip-select line; nothing stays reserved once it is gone."""
    device = gpiozero.InputDevice(8, pull_up=None, active_state=True, pin_factory=rig.factory)
    with pytest.raises(SetupError, match="a line serves one device"):
        rig.driver().open()
    device.close()
    assert raw(rig.driver()) == 0


def test_a_failed_transfer_closes_the_port_for_the_next_to_open(rig: AdcRig) -> None:
    """Unplugged: UNPLUGGED; the port is opened anew by whoever asks next."""
    driver = rig.driver(1)
    assert raw(driver) == 100
    rig.unplug()
    with pytest.raises(WireError) as caught:
        driver.read()
    assert caught.value.reason is Reason.UNPLUGGED
    rig.replug()
    assert raw(rig.driver(2)) == 200
    gc.collect()  # the library's old shared object must not take the new one with it
    assert raw(driver) == 100


def test_closing_one_input_leaves_the_others_open(rig: AdcRig) -> None:
    """The chip belongs to the bus."""
    one, two = rig.driver(1), rig.driver(2)
    one.open()
    two.open()
    one.close()
    assert raw(two) == 200


class NoKernelSpi(PiFactory):  # type: ignore[misc]
    """A factory whose hardware SPI fails, as with no rights; the library then clocks the bits by hand."""

    software_spi_made = 0

    def _get_revision(self) -> int:
        return 0xA02082

    def _get_spi_class(self, shared: bool, hardware: bool) -> Any:
        return self._fail if hardware else self._software

    def _fail(self, **_: Any) -> None:
        raise OSError("can not open SPI device")

    def _software(self, **keys: Any) -> Any:
        self.software_spi_made += 1
        return MockSPIInterfaceShared(**{**keys, "pin_factory": MockFactory()})


@pytest.mark.parametrize("filtered", [True, False])
def test_the_fallback_to_bit_banging_is_an_error(monkeypatch: pytest.MonkeyPatch, filtered: bool) -> None:
    """Even when somebody has put the library's warning to silence."""
    monkeypatch.setattr("quietbench.drivers.buses._check_kernel_spi", lambda settings, factory: None)
    factory = NoKernelSpi()
    bus = PinBus("converter", SpiBusSettings(kind="spi"), GpioChip.around(factory))
    if not filtered:
        warnings.simplefilter("ignore", gpiozero.SPISoftwareFallback)
    driver = AdcDriver(AdcOptions(chip="MCP3208", input=0), bus)
    told = "can not open SPI device" if filtered else "would clock SPI by hand"
    with pytest.raises(WireError, match=told):
        driver.open()
    assert factory.software_spi_made == (0 if filtered else 1)


def test_a_bus_of_another_kind_is_a_setup_error() -> None:
    """The converter hangs on SPI."""
    rig = ContactRig()
    try:
        with pytest.raises(SetupError, match="got bus of kind 'gpio', wanted 'spi'"):
            AdcDriver(AdcOptions(chip="MCP3208", input=0), rig.bus).open()
    finally:
        rig.close()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"chip": "MCP3301"}, "'MCP3004', 'MCP3008', 'MCP3204' or 'MCP3208'"),
        ({"chip": "MCP3204", "input": 4}, "got input 4, wanted 0 to 3"),
        ({"input": 8}, "less than or equal to 7"),
        ({"samples": 4}, "wanted an odd number"),
        ({"samples": 0}, "greater than or equal to 1"),
        ({"channel": 1}, "Extra inputs"),
    ],
)
def test_mistakes_in_the_options_are_told(change: dict[str, object], told: str) -> None:
    """Each mistake is one message."""
    with pytest.raises(ValidationError, match=told):
        AdcOptions.model_validate({"chip": "MCP3208", "input": 0, **change})
