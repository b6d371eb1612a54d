"""What a driver hands over: raw numbers with their monotonic time, or a reason why there is none."""

from __future__ import annotations

import enum
from typing import NamedTuple


class Reason(enum.Enum):
    """Why a reading can't be fully trusted: a closed list, used by drivers, core, store and sinks alike.

    The number is what the store keeps; a number once given is never given to another word.
    """

    SILENT = 1  # asked, and nothing came back in time
    LATE = 2  # an answer came, but after its deadline
    UNPLUGGED = 3  # port, adapter or line is not there
    BAD_CHECKSUM = 4  # an answer that is not whole
    REFUSED = 5  # the device answered that it will not
    RAILED = 6  # a converter at an end of its range where the circuit can't be
    OUT_OF_SPAN = 7  # beyond what the sensor is made for
    STUCK = 8  # not moving where it must
    OVERDUE_CALIBRATION = 9
    WARMING_UP = 10
    SELF_TEST = 11
    NO_CLOCK = 12
    STORE_FAILING = 13  # records can't be written
    SINK_REFUSED = 14  # a far end refuses what is sent
    NOT_STARTED = 15  # never read since the watcher started


class Sample(NamedTuple):
    """One raw value of one point of a device.

    A tuple rather than a dataclass: thousands are made every second, and this is a third of the cost.

    ``raw`` is in the device's own step (counts, register value, 0 or 1 for a line) and ``None`` when there is
    no value; then ``reason`` says why. ``monotonic_ns`` is CLOCK_MONOTONIC in nanoseconds, of the edge itself
    where the kernel tells it, else of the end of the poll.
    """

    point: str
    monotonic_ns: int
    raw: int | float | None
    reason: Reason | None = None
