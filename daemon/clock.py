"""The one place where the daemon asks what time it is.

Durations and the core's time are CLOCK_MONOTONIC nanoseconds; wall time is a label, taken in pairs with the
monotonic clock so that one mapping per commit turns one into the other.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_TIMESYNC = Path("/run/systemd/timesync/synchronized")


def _read_boot_id() -> str:
    return _BOOT_ID.read_text(encoding="ascii").strip()


@dataclass(frozen=True, slots=True)
class Stamp:
    """One reading of both clocks, with the knowledge whether the wall clock can be believed."""

    monotonic_ns: int
    wall_ns: int
    known: bool


@dataclass(slots=True)
class Clock:
    """The machine's clocks.

    ``known_by`` is "always" (a battery clock, or discipline that leaves no mark) or "timesync" (the mark that
    systemd-timesyncd leaves after its first synchronisation of this boot).
    """

    known_by: str = "timesync"
    boot: str = field(default_factory=_read_boot_id)
    _seen_known: bool = False

    def monotonic_ns(self) -> int:
        """Return CLOCK_MONOTONIC in nanoseconds: for durations, delays and order."""
        return time.monotonic_ns()

    def stamp(self) -> Stamp:
        """Read both clocks as close together as the interpreter allows."""
        return Stamp(time.monotonic_ns(), time.time_ns(), self.known())

    def known(self) -> bool:
        """Say whether the wall clock has been set this boot; once known it stays known."""
        if not self._seen_known:
            self._seen_known = self.known_by == "always" or _TIMESYNC.exists()
        return self._seen_known
