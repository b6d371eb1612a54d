"""Buses: tables and shared objects."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory
from pydantic import TypeAdapter, ValidationError

from quietbench.drivers.buses import (
    BusSettings,
    GpioBusSettings,
    GpioChip,
    PinBus,
    SerialBus,
    SerialBusSettings,
    SpiBusSettings,
    open_bus,
    pin_bus,
)
from quietbench.drivers.errors import SetupError, WireError

TABLES: TypeAdapter[Any] = TypeAdapter(BusSettings)
SERIAL = SerialBusSettings(kind="serial", port=Path("ports/air"))


class Opened:
    """Something a bus can share, and lose in a bad way."""

    def __init__(self, settings: Any, failure: Exception | None = None) -> None:
        self.settings = settings
        self.failure = failure
        self.closed = 0

    def close(self) -> None:
        self.closed += 1
        if self.failure is not None:
            raise self.failure


def mock_bus(kind: str) -> PinBus:
    settings = TABLES.validate_python({"kind": kind})
    bus = open_bus("pins", settings, GpioChip.around(MockFactory()))
    assert isinstance(bus, PinBus)
    return bus


@pytest.mark.parametrize(
    ("table", "kind"),
    [
        ({"kind": "gpio"}, GpioBusSettings),
        ({"kind": "spi", "port": 0, "device": 1}, SpiBusSettings),
        ({"kind": "serial", "port": "ports/air", "parity": "even", "stop_bits": 2}, SerialBusSettings),
    ],
)
def test_kind_decides_the_table(table: dict[str, object], kind: type[Any]) -> None:
    """One key chooses the model."""
    assert type(TABLES.validate_python(table)) is kind


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"kind": "usb"}, "'gpio', 'spi', 'serial'"),
        ({"kind": "gpio", "line": 3}, "Extra inputs"),
        ({"kind": "spi", "port": 1}, "got SPI port 1, wanted 0"),
        ({"kind": "spi", "device": 2}, "less than or equal to 1"),
        ({"kind": "serial"}, "Field required"),
        ({"kind": "serial", "port": "x", "baud_rate": 0}, "greater than or equal to 300"),
        ({"kind": "serial", "port": "x", "parity": "mark"}, "'none', 'even' or 'odd'"),
        ({"kind": "serial", "port": "x", "stop_bits": 3}, "1 or 2"),
    ],
)
def test_mistakes_in_a_table_are_told(table: dict[str, object], told: str) -> None:
    """Each mistake is one message."""
    with pytest.raises(ValidationError, match=told):
        TABLES.validate_python(table)


@pytest.mark.parametrize(
    "make_bus", [lambda: mock_bus("gpio"), lambda: mock_bus("spi"), lambda: SerialBus("s", SERIAL)]
)
def test_one_object_serves_all_devices_until_the_bus_is_closed(
    make_bus: Callable[[], PinBus | SerialBus],
) -> None:
    """Made with the bus's settings at the first call after each close."""
    bus = make_bus()
    first = bus.shared(Opened)
    assert first.settings is bus.settings
    assert bus.shared(Opened) is first
    bus.close()
    bus.close()
    assert first.closed == 1
    assert bus.shared(Opened) is not first


def test_a_failed_opening_leaves_nothing_behind() -> None:
    """The next one tries again."""
    bus = SerialBus("air", SERIAL)

    def fail(_: Any) -> Opened:
        raise WireError("not there")

    with pytest.raises(WireError):
        bus.shared(fail)
    assert isinstance(bus.shared(Opened), Opened)


def test_closing_what_is_broken_does_not_raise() -> None:
    """A dead object is closed because it is dead."""
    serial, pins = SerialBus("air", SERIAL), mock_bus("spi")
    serial.shared(lambda settings: Opened(settings, OSError("gone")))
    pins.shared(lambda settings: Opened(settings, gpiozero.GPIOZeroError("gone")))
    serial.close()
    pins.close()


def test_lines_without_a_pin_factory_are_a_setup_error() -> None:
    """A gpio or spi bus needs the [gpio] table; a serial one does not."""
    with pytest.raises(SetupError, match=r"bus lines of kind gpio needs a \[gpio\] table"):
        open_bus("lines", GpioBusSettings(kind="gpio"))
    assert open_bus("air", SERIAL).kind == "serial"


def test_the_pin_factory_stands_before_anything_is_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that builds a device of the GPIO library gets the chosen factory, not the fallback chain."""
    factory = MockFactory()
    bus = open_bus("lines", GpioBusSettings(kind="gpio"), GpioChip.around(factory))
    seen = bus.shared(lambda _: gpiozero.Device.pin_factory)
    assert seen is factory


def test_a_bus_of_another_kind_is_a_setup_error() -> None:
    """Got and wanted."""
    assert pin_bus(mock_bus("gpio"), "gpio").kind == "gpio"
    for wrong in (mock_bus("spi"), SerialBus("air", SERIAL), None):
        with pytest.raises(SetupError, match="wanted 'gpio'"):
            pin_bus(wrong, "gpio")


class BoardFactory:
    """A factory that is no stand-in, unless it says so."""

    def __init__(self, *, software_spi: bool = False) -> None:
        if software_spi:
            self.software_spi = True


def spi_bus(factory: Any) -> PinBus:
    return PinBus("converter", SpiBusSettings(kind="spi"), GpioChip.around(factory))


def test_spi_switched_off_is_told_before_the_library_falls_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """No device node: how to switch it on."""
    monkeypatch.setattr(Path, "exists", lambda self: str(self) != "/dev/spidev0.0")
    with pytest.raises(WireError, match=r"/dev/spidev0\.0 is not there: switch SPI on"):
        spi_bus(BoardFactory()).pin_factory()


def test_spi_without_rights_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The node is there and not ours."""
    monkeypatch.setattr(Path, "exists", lambda self: True)
    monkeypatch.setattr("os.access", lambda path, mode: False)
    with pytest.raises(WireError, match="no rights"):
        spi_bus(BoardFactory()).pin_factory()


@pytest.mark.parametrize("factory", [BoardFactory(software_spi=True), MockFactory()])
def test_a_stand_in_needs_no_device_node(factory: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its SPI is clocked by hand and meant so."""
    monkeypatch.setattr(Path, "exists", lambda self: False)
    assert spi_bus(factory).pin_factory() is factory
