"""The simulators' only source of time, so that tests can move it by hand."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol


class Clock(Protocol):
    """Anything that tells CLOCK_MONOTONIC in nanoseconds."""

    def monotonic_ns(self) -> int:
        """Return the time in nanoseconds; it never goes back."""


class MonotonicClock:
    """The machine's clock: the same one that the watcher reads, so times can be compared across processes."""

    def monotonic_ns(self) -> int:
        """Return CLOCK_MONOTONIC in nanoseconds."""
        return time.monotonic_ns()


@dataclass(slots=True)
class HandClock:
    """A clock that stands still until it is moved."""

    ns: int = 1_000_000_000

    def monotonic_ns(self) -> int:
        """Return where the hand stands, in nanoseconds."""
        return self.ns

    def forward(self, seconds: float) -> int:
        """Move on by ``seconds`` (not negative) and return the new time in nanoseconds."""
        if seconds < 0:
            raise ValueError(f"clock moved by {seconds} s, wanted 0 or more: it never goes back")
        self.ns += round(seconds * 1e9)
        return self.ns
