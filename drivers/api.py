"""The face of a driver: what one must offer, what it is given, and the words it may use.

A driver is small: it opens, reads, closes and describes. Timing, retry, back-off, staleness, calibration and
limits are not its business. It returns raw values with monotonic time; the core converts them.

The daemon finds drivers by the entry-point group ``quietbench.drivers``. Each entry names a class that
satisfies `Driver`; its constructor gets validated options and the bus the device hangs on, and never talks to
hardware.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol, TypeVar, runtime_checkable

from quietbench.drivers.errors import AnswerError, DriverError, QuietbenchError, SetupError, WireError
from quietbench.drivers.samples import Reason, Sample

__all__ = [
    "ENTRY_POINT_GROUP",
    "AnswerError",
    "Bus",
    "Description",
    "Driver",
    "DriverError",
    "ListeningDriver",
    "PolledDriver",
    "Put",
    "QuietbenchError",
    "Reason",
    "Sample",
    "SetupError",
    "WireError",
]

ENTRY_POINT_GROUP = "quietbench.drivers"

Put = Callable[[Sample], None]
"""Hand one sample over; it only enqueues, never blocks and never raises, so it is safe in a library's callback."""


@dataclass(frozen=True, slots=True)
class Description:
    """What a device is, for people: ``quietbench drivers``, fault sentences and reports."""

    summary: str
    where: str
    points: tuple[str, ...]


T = TypeVar("T")


class Bus(Protocol):
    """What several devices share: a serial port, an SPI port, the GPIO chip. One thread owns each bus.

    ``settings`` is the validated bus table of the configuration (a pydantic model of the bus's kind, see
    ``quietbench.drivers.buses``). `shared` keeps the one opened object that all devices of the bus use.
    """

    name: str
    kind: str
    settings: Any

    def shared(self, make: Callable[[Any], T]) -> T:
        """Return the bus's opened object, made by ``make(settings)`` at the first call after each close.

        Raises:
            DriverError: whatever ``make`` raises.
        """

    def close(self) -> None:
        """Close the shared object, if any; idempotent. The next `shared` opens it anew."""


@runtime_checkable
class Driver(Protocol):
    """One device: the part every driver has.

    Class attributes:
        options: a pydantic model of the device's own keys; it feeds ``check`` and the JSON schema.
        bus_kind: "gpio", "spi", "serial", or None for a device that needs no bus.
    """

    options: ClassVar[type[Any]]
    bus_kind: ClassVar[str | None]

    def __init__(self, options: Any, bus: Bus | None) -> None: ...

    def open(self) -> None:
        """Reach the device; safe to call again after `close`.

        Raises:
            WireError: it is not there now, and may be later.
            SetupError: it can never be, as configured.
        """

    def close(self) -> None:
        """Let go of the device; idempotent, never raises."""

    def describe(self) -> Description:
        """Say what this is and where; works before `open`."""


class PolledDriver(Driver, Protocol):
    """A device that is asked."""

    def read(self) -> Sequence[Sample]:
        """Return one sample for every point, or raise; a partial answer is an `AnswerError`.

        Must return within the device's ``deadline_s``, or its answer counts as late. A driver whose options have
        that field gets it and keeps it itself: what it waits beyond, until the bus is at rest, makes nothing late.

        Raises:
            WireError: no answer, or the port went away.
            AnswerError: an answer that can't be used.
        """


class ListeningDriver(PolledDriver, Protocol):
    """A device that reports by itself between polls: edges of a line. Polling stays the truth, edges are hints."""

    def listen(self, put: Put) -> None:
        """Start to report; ``put`` is called from the library's own thread and only enqueues."""
