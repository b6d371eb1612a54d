"""A serial port whose every failure is a `WireError` and whose every wait ends by the monotonic clock.

pyserial raises three unrelated types when an adapter is pulled out (SerialException, plain OSError, and
``termios.error``, which is not an OSError), TypeError when the port was closed meanwhile, and ValueError from
``select`` for file descriptors above 1023. Its own timeouts default to "for ever". None of this leaves this module.
"""

from __future__ import annotations

import contextlib
import errno
import select
import termios
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import serial
from pydantic import BaseModel, ConfigDict, Field

from quietbench.drivers.errors import WireError

__all__ = ["SerialBusSettings", "SerialPort"]

_FAILURES = (OSError, termios.error, TypeError, ValueError)
_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_WRITE_TIMEOUT_S = 1.0


class SerialBusSettings(BaseModel):
    """A bus table of kind "serial": one port that all its devices share."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["serial"]
    port: Path = Field(
        description="The port. Prefer /dev/serial/by-id/… or by-path/…: ttyUSB numbers change when replugged."
    )
    baud_rate: int = Field(default=9600, ge=300, le=4_000_000, description="Bits per second.")
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    echo: bool = Field(default=False, description="The adapter hears what it sends (two-wire RS-485).")

    @property
    def character_bits(self) -> int:
        """Get the bits of one character on the wire: start, eight data bits, parity, stop bits."""
        return 1 + 8 + (self.parity != "none") + self.stop_bits


class SerialPort:
    """One opened port, held exclusively.

    Raises:
        WireError: the port is not there, not ours to open, or held by another program.
    """

    def __init__(self, settings: SerialBusSettings) -> None:
        self.settings = settings
        self._port = serial.Serial()
        with self._failing_as("can't be opened"):
            self._configure()
            self._port.open()
            self._poller = select.poll()  # unlike select, good for any file descriptor
            self._poller.register(self._port.fileno(), select.POLLIN)
        self._lower_latency()

    def write(self, data: bytes) -> None:
        """Send ``data``, waiting at most a second for room in the queue."""
        with self._failing_as("can't be written"):
            self._port.write(data)

    def read_some(self, deadline_ns: int) -> bytes:
        """Return what has come, waiting for the first byte until ``deadline_ns`` (CLOCK_MONOTONIC).

        An empty answer means that the deadline passed; a deadline in the past never waits.
        """
        with self._failing_as("can't be read"):
            wait_ms = max(0, -(-(deadline_ns - time.monotonic_ns()) // 1_000_000))
            if not self._poller.poll(wait_ms):
                return b""
            data: bytes = self._port.read(max(1, self._port.in_waiting))
            return data

    def discard_input(self) -> None:
        """Throw away what has come and was not read."""
        with self._failing_as("can't be flushed"):
            self._port.reset_input_buffer()

    def close(self) -> None:
        """Let go of the port; idempotent, never raises."""
        with contextlib.suppress(*_FAILURES):
            self._port.close()

    def _configure(self) -> None:
        port, settings = self._port, self.settings
        port.port = str(settings.port)
        port.baudrate = settings.baud_rate
        port.parity = _PARITIES[settings.parity]
        port.stopbits = settings.stop_bits
        port.timeout = 0
        port.write_timeout = _WRITE_TIMEOUT_S
        port.exclusive = True
        # Raised by default when a port is opened; many boards take that for a reset.
        port.dtr = False
        port.rts = False

    def _lower_latency(self) -> None:
        # Some USB adapters hold each answer back for 16 ms; those that don't know the request refuse it.
        with contextlib.suppress(*_FAILURES):
            self._port.set_low_latency_mode(True)

    @contextlib.contextmanager
    def _failing_as(self, what: str) -> Iterator[None]:
        try:
            yield
        except _FAILURES as failure:
            raise WireError(f"serial port {self.settings.port} {what}: {_because(failure)}") from failure


def _because(failure: BaseException) -> str:
    hints = {
        errno.ENOENT: "it is not there; is the adapter plugged in?",
        errno.EACCES: "no rights; is the user in the port's group (dialout)?",
        errno.EAGAIN: "another program holds it",
        errno.EIO: "the adapter has gone",
        errno.ENODEV: "the adapter has gone",
        errno.ENXIO: "the adapter has gone",
    }
    hint = hints.get(getattr(failure, "errno", None) or 0)
    return hint or str(failure) or type(failure).__name__
