"""An input of an MCP3004, MCP3008, MCP3204 or MCP3208 converter on SPI, in raw counts.

Counts and nothing else: the GPIO library's own ``value`` and ``voltage`` are half a step off at zero and one at full
scale, so converting is left to the core. The chip samples its input for a clock and a half only; after the
multiplexer has moved, the first conversion still holds charge of the other input and is thrown away. Of the next
ones the median is taken, which takes out single spikes and keeps an integer.

A floating or absent converter answers 0 or full scale and never an error: there is no check sum on this bus.
Whether a count is plausible is judged in the core.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from typing import Any, ClassVar, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from quietbench.drivers.api import Bus, Description
from quietbench.drivers.buses import PinBus, SpiBusSettings, bit_banged_by_design, pin_bus
from quietbench.drivers.errors import DriverError, SetupError
from quietbench.drivers.pins import pin_failures, pin_fault
from quietbench.drivers.samples import Sample

__all__ = ["CHIPS", "AdcDriver", "AdcOptions"]

POINT = "value"
T = TypeVar("T")
CHIPS = {"MCP3004": (4, 10), "MCP3008": (8, 10), "MCP3204": (4, 12), "MCP3208": (8, 12)}
"""Inputs and bits of each chip (data sheets DS21295 and DS21298)."""


class AdcOptions(BaseModel):
    """The keys of a converter's input."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    chip: Literal["MCP3004", "MCP3008", "MCP3204", "MCP3208"]
    input: int = Field(ge=0, le=7, description="Input of the chip, measured against its ground.")
    samples: int = Field(default=5, ge=1, le=99, description="Conversions of which the median is taken; odd.")

    @field_validator("samples")
    @classmethod
    def _odd(cls, samples: int) -> int:
        if samples % 2 == 0:
            raise ValueError(f"got {samples}, wanted an odd number: the median is one of the conversions")
        return samples

    @model_validator(mode="after")
    def _input_of_the_chip(self) -> AdcOptions:
        inputs, _ = CHIPS[self.chip]
        if self.input >= inputs:
            raise ValueError(
                f"got input {self.input}, wanted 0 to {inputs - 1}: {self.chip} has {inputs} inputs"
            )
        return self


class Converter:
    """The chip, shared by the drivers of its inputs; it knows where the multiplexer stands."""

    def __init__(self, chip: str, settings: SpiBusSettings, factory: Any) -> None:
        self.chip = chip
        self._place = {"port": settings.port, "device": settings.device, "pin_factory": factory}
        self._inputs: dict[int, Any] = {}
        self._last_input: int | None = None
        self._spi = factory.spi(port=settings.port, device=settings.device, shared=True)
        self._refuse_bit_banging(factory)

    def convert(self, number: int, samples: int) -> list[int]:
        """Return ``samples`` conversions of an input, none of them the first after the multiplexer moved."""
        device = self.reach(number)
        if self._last_input != number:
            _ = device.raw_value
            self._last_input = number
        return [device.raw_value for _ in range(samples)]

    def reach(self, number: int) -> Any:
        """Return the library's device for one input; all of them share the one SPI object."""
        if number not in self._inputs:
            import gpiozero  # on use only: `check` reads the options without loading the library

            self._inputs[number] = getattr(gpiozero, self.chip)(channel=number, **self._place)
        return self._inputs[number]

    def close(self) -> None:
        """Let go of the SPI port; idempotent."""
        inputs, self._inputs = self._inputs, {}
        for opened in (*inputs.values(), self._spi):
            with contextlib.suppress(*pin_failures()):
                opened.close()
        # The library's shared objects are cycles, and when one is collected, some time later, it closes once more
        # and thereby strikes its successor off the register of shared objects. This one has closed for good.
        self._spi.close = _nothing

    def _refuse_bit_banging(self, factory: Any) -> None:
        from gpiozero.pins.spi import SPISoftware

        if isinstance(self._spi, SPISoftware) and not bit_banged_by_design(factory):
            self.close()
            raise OSError("the GPIO library would clock SPI by hand, which reads differently")


def _nothing() -> None:
    pass


class AdcDriver:
    """One input of the converter; raw is the median count."""

    options: ClassVar[type[AdcOptions]] = AdcOptions
    bus_kind: ClassVar[str | None] = "spi"

    def __init__(self, options: AdcOptions, bus: Bus | None) -> None:
        self._options = options
        self._bus = bus

    def open(self) -> None:
        """Reach the chip, which can't say whether it is there: this opens its SPI port."""
        self._using(lambda converter: converter.reach(self._options.input))

    def close(self) -> None:
        """Do nothing: the chip belongs to the bus, and other inputs may be in use."""

    def describe(self) -> Description:
        """Say which chip and input."""
        _, bits = CHIPS[self._options.chip]
        return Description(
            summary=f"{self._options.chip}, {bits} bits, median of {self._options.samples}",
            where=self._where(),
            points=(POINT,),
        )

    def read(self) -> Sequence[Sample]:
        """Convert, and return the median count."""
        counts = self._using(lambda converter: converter.convert(self._options.input, self._options.samples))
        median = sorted(counts)[len(counts) // 2]
        return (Sample(POINT, time.monotonic_ns(), median),)

    def _using(self, action: Callable[[Converter], T]) -> T:
        bus = pin_bus(self._bus, "spi")
        fault: DriverError
        try:
            return action(self._converter(bus))
        except DriverError:
            raise
        except pin_failures() as failure:
            fault = pin_fault(failure, self._where(), bus.chip.where)
        # Raised out here, for a failure would keep the half-opened SPI object alive, and with it its lines.
        bus.close()
        raise fault

    def _converter(self, bus: PinBus) -> Converter:
        chip = self._options.chip
        converter = bus.shared(lambda settings: Converter(chip, settings, bus.pin_factory()))
        if not isinstance(converter, Converter) or converter.chip != chip:
            other = getattr(converter, "chip", type(converter).__name__)
            raise SetupError(
                f"{self._where()}: got {chip}, but bus {bus.name} has {other}: one chip on one bus"
            )
        return converter

    def _where(self) -> str:
        return f"{self._options.chip} input {self._options.input}"
