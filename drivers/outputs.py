"""An output line on the GPIO chip: buzzer, lamp, relay pulses."""

from __future__ import annotations

import contextlib
from typing import Any

from quietbench.drivers.errors import DriverError
from quietbench.drivers.pins import GpioChip, pin_failures, pin_fault

__all__ = ["OutputLine"]


class OutputLine:
    """One line driven by us, low until told otherwise; claimed at its first use and again after a failure.

    ``number`` is the BCM number. Setting a level writes to the chip and waits for nothing.
    """

    def __init__(self, chip: GpioChip, number: int) -> None:
        self._chip = chip
        self._number = number
        self._factory: Any = None
        self._pin: Any = None

    def set(self, *, on: bool) -> None:
        """Drive the line high or low.

        Raises:
            WireError: the chip or the line can't be reached now.
            SetupError: the line can never be an output as configured.
        """
        fault: DriverError | None = None
        try:
            if self._pin is None:
                self._claim()
            self._pin.state = on
        except pin_failures() as failure:
            fault = pin_fault(failure, f"GPIO line {self._number}", self._chip.where)
        if fault is not None:
            self.close()
            raise fault

    def close(self) -> None:
        """Let go of the line, which falls back to its pull; idempotent, never raises."""
        pin, factory = self._pin, self._factory
        self._pin = self._factory = None
        if pin is not None:
            with contextlib.suppress(*pin_failures()):
                pin.close()
        if factory is not None:
            factory.release_pins(self, self._number)

    def _claim(self) -> None:
        factory = self._chip.factory()
        factory.reserve_pins(self, self._number)
        self._factory = factory
        pin = factory.pin(self._number)
        pin.output_with_state(False)
        self._pin = pin

    def _conflicts_with(self, other: object) -> bool:
        # Asked by the pin factory's reservations: a line has one master.
        return other is not self
