"""A successive-approximation converter at wire level: MCP3004, MCP3008, MCP3204 and MCP3208.

Theory of operation, from the data sheets (DS21295, figure 5-1; DS21298, figure 5-1). Select low starts a
conversation. Bits are taken on rising clock edges: leading zeros, a start bit, single/differential, D2, D1, D0.
The sample capacitor is connected from the rising edge of D0 to the falling edge of the clock after it. That edge
also puts out a low null bit; each following falling edge puts out a result bit, highest first, then the same
bits lowest first, then zeros. The output floats until the null bit.

The result is ``floor(2**bits * (IN+ - IN-) / V_REF)``, clipped to 0 … 2**bits - 1 (equation 4-2). In differential
mode D2 D1 D0 name a pair: 000 is CH0 against CH1, 001 CH1 against CH0, and so on. The 4-input chips ignore D2.

The machine asks once per conversion, at the falling edge that ends the sample time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from gpiozero.pins.mock import MockSPIDevice

from quietbench.drivers.errors import SetupError

Sample = Callable[[tuple[int, ...]], list[float]]
"""Gives the voltages of some inputs at this instant; may raise a WireError, which reaches whoever clocks."""


@dataclass(frozen=True, slots=True)
class ChipKind:
    """A chip's resolution and number of inputs."""

    bits: int
    inputs: int


KINDS = {
    "MCP3004": ChipKind(10, 4),
    "MCP3008": ChipKind(10, 8),
    "MCP3204": ChipKind(12, 4),
    "MCP3208": ChipKind(12, 8),
}


def chip_kind(name: str) -> ChipKind:
    """Return what the chip called ``name`` is.

    Raises:
        SetupError: no such chip is simulated.
    """
    try:
        return KINDS[name]
    except KeyError:
        raise SetupError(f"converter: got chip {name!r}, wanted one of {', '.join(KINDS)}") from None


def transfer_count(volts: float, reference_v: float, bits: int) -> int:
    """Return the code that a ``bits`` wide converter gives for ``volts`` against ``reference_v``."""
    full_scale = 1 << bits
    return min(full_scale - 1, max(0, math.floor(full_scale * volts / reference_v)))


class Converter(MockSPIDevice):  # type: ignore[misc]  # the library ships no types
    """The bit machine, hung on the clock and select pins of a pin factory.

    ``pin_factory`` must have made those two pins already, of a class that offers ``spi_devices`` and
    ``spi_device`` (see `quietbench.simulators.pinfactory`).
    """

    def __init__(
        self,
        kind: ChipKind,
        pins: tuple[Any, Any, Any, Any],
        *,
        reference_v: float,
        sample: Sample,
        pin_factory: Any,
    ) -> None:
        clock, mosi, miso, select = pins
        super().__init__(clock, mosi, miso, select, pin_factory=pin_factory)
        self._kind = kind
        self._reference_v = reference_v
        self._sample = sample
        self._command = 0
        self._to_go = 0
        self._out = 0
        self.conversions = 0

    def on_start(self) -> None:
        """Forget what was said before: select went low."""
        self._command = 0
        self._to_go = 0
        self._out = 0

    def on_clock(self) -> None:
        """Take one bit on a rising edge, put one out on a falling edge, while selected."""
        if self.select_pin.level:
            return
        if self.clock_pin.level:
            self._rise()
        elif self._command & _WHOLE:
            self._fall()

    def _rise(self) -> None:
        if self._command & _WHOLE:
            self._to_go += 1
        elif self._command or self.mosi_pin.level:
            self._command = self._command << 1 | self.mosi_pin.level

    def _fall(self) -> None:
        if self._to_go == 0:
            return  # the falling edge of D0's own clock: the sample time goes on
        if self._to_go == 1:
            self._out = self._bits_out()
            self.miso_pin.put(False)
        else:
            self.miso_pin.put(bool(self._out & 1))
            self._out >>= 1

    def _bits_out(self) -> int:
        """Return the result as a queue: the lowest bit goes out first."""
        self.conversions += 1
        count = transfer_count(self._input_voltage(), self._reference_v, self._kind.bits)
        high_first = int(f"{count:0{self._kind.bits}b}"[::-1], 2)
        return high_first | (count >> 1) << self._kind.bits

    def _input_voltage(self) -> float:
        wanted = self._command & 0b111 & (self._kind.inputs - 1)
        if self._command & 0b1000:
            return self._sample((wanted,))[0]
        plus, minus = self._sample((wanted, wanted ^ 1))
        return plus - minus


_WHOLE = 0b10000  # the start bit has reached its place, with four bits behind it
