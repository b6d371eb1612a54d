"""What several devices share: the GPIO chip, an SPI port, a serial port.

One thread owns each bus. A driver asks its bus for the opened object at every read and never keeps it: whoever
meets a dead port closes the bus, and the next one to ask finds it opened anew, by path. Closing a driver lets go of
the device alone; the owner of the bus closes the bus.
"""

from __future__ import annotations

import contextlib
import os
import termios
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, field_validator

from quietbench.drivers.errors import SetupError, WireError
from quietbench.drivers.pins import GpioChip, GpioSettings, pin_failures
from quietbench.drivers.serial_port import SerialBusSettings, SerialPort

__all__ = [
    "BusSettings",
    "GpioBusSettings",
    "GpioChip",
    "GpioSettings",
    "PinBus",
    "SerialBus",
    "SerialBusSettings",
    "SerialPort",
    "SpiBusSettings",
    "open_bus",
    "pin_bus",
]

T = TypeVar("T")


class GpioBusSettings(BaseModel):
    """A bus table of kind "gpio": the lines of the chip in ``[gpio]``."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["gpio"]


class SpiBusSettings(BaseModel):
    """A bus table of kind "spi": one chip select of an SPI port of the header."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["spi"]
    port: int = Field(default=0, description="SPI port; the GPIO library drives port 0 alone.")
    device: int = Field(
        default=0, ge=0, le=1, description="Chip select: 0 is CE0 (line 8), 1 is CE1 (line 7)."
    )

    @field_validator("port")
    @classmethod
    def _port_the_library_can_drive(cls, port: int) -> int:
        if port != 0:
            raise ValueError(f"got SPI port {port}, wanted 0: the GPIO library drives no other")
        return port


BusSettings = Annotated[
    GpioBusSettings | SpiBusSettings | SerialBusSettings,
    Field(discriminator="kind"),
]
"""Any bus table; the key ``kind`` decides which."""


class _SharingBus:
    """The part that all buses have: one opened object, made when first asked for."""

    def __init__(self, name: str, settings: Any) -> None:
        self.name = name
        self.kind: str = settings.kind
        self.settings = settings
        self._opened: Any = None

    def shared(self, make: Callable[[Any], T]) -> T:
        """Return the bus's opened object, made by ``make(settings)`` at the first call after each close."""
        if self._opened is None:
            self._opened = make(self.settings)
        opened: T = self._opened
        return opened

    def _let_go(self, *expected: type[Exception]) -> None:
        opened, self._opened = self._opened, None
        close = getattr(opened, "close", None)
        if close is not None:
            with contextlib.suppress(*expected):
                close()


class PinBus(_SharingBus):
    """The bus of devices that hang on lines of the header, by themselves (gpio) or by fours as SPI."""

    def __init__(self, name: str, settings: GpioBusSettings | SpiBusSettings, chip: GpioChip) -> None:
        super().__init__(name, settings)
        self.chip = chip

    def pin_factory(self) -> Any:
        """Return the GPIO library's pin factory, built if need be.

        Raises:
            DriverError: it can't be built; see `GpioChip.factory`.
        """
        factory = self.chip.factory()
        if isinstance(self.settings, SpiBusSettings):
            _check_kernel_spi(self.settings, factory)
        return factory

    def shared(self, make: Callable[[Any], T]) -> T:
        """As every bus; the pin factory stands before ``make`` is called, also as the library's default."""
        if self._opened is None:
            self.pin_factory()
        return super().shared(make)

    def close(self) -> None:
        """Close the shared object; the chip stays open for its other buses. Idempotent."""
        if self._opened is not None:
            self._let_go(*pin_failures())


class SerialBus(_SharingBus):
    """The bus of devices that share a serial port."""

    def close(self) -> None:
        """Close the port; idempotent. The next `shared` opens it by path, whatever adapter is there then."""
        self._let_go(OSError, termios.error, TypeError, ValueError)


def open_bus(
    name: str, settings: GpioBusSettings | SpiBusSettings | SerialBusSettings, gpio: GpioChip | None = None
) -> PinBus | SerialBus:
    """Return the bus of a bus table; nothing is reached until a device asks.

    Raises:
        SetupError: lines are wanted and there is no ``[gpio]`` table.
    """
    if isinstance(settings, SerialBusSettings):
        return SerialBus(name, settings)
    if gpio is None:
        raise SetupError(
            f"bus {name} of kind {settings.kind} needs a [gpio] table that names the pin factory"
        )
    return PinBus(name, settings, gpio)


def pin_bus(bus: object, kind: str) -> PinBus:
    """Return ``bus`` as what it must be for a device on lines.

    Raises:
        SetupError: it is another kind of bus.
    """
    if isinstance(bus, PinBus) and bus.kind == kind:
        return bus
    raise SetupError(f"got bus of kind {getattr(bus, 'kind', None)!r}, wanted {kind!r}")


def _check_kernel_spi(settings: SpiBusSettings, factory: Any) -> None:
    if bit_banged_by_design(factory):
        return
    node = Path(f"/dev/spidev{settings.port}.{settings.device}")
    if not node.exists():
        raise WireError(f"{node} is not there: switch SPI on (dtparam=spi=on) and load the driver spidev")
    if not os.access(node, os.R_OK | os.W_OK):
        raise WireError(f"{node}: no rights to read and write; is the user in the group spi?")


def bit_banged_by_design(factory: Any) -> bool:
    """Say whether this factory's SPI has no kernel device behind it and is meant so: a stand-in for a board."""
    from gpiozero.pins.mock import MockFactory

    return bool(getattr(factory, "software_spi", False)) or isinstance(factory, MockFactory)
