"""A button at a bench: when it was pressed. Contacts bounce, and a bounce is no second press."""

from __future__ import annotations

from quietbench.daemon.core.records import Quality, Reading

BOUNCE_NS = 50_000_000
"""A button that goes down within this time after it went up was not let go of (own choice; contacts bounce for a
few milliseconds, and nobody presses twice so fast)."""


class Button:
    """Follows one button by its channel's readings; one that is down at its first reading was not pressed."""

    def __init__(self) -> None:
        self._down: bool | None = None
        self._up_since_ns: int | None = None

    def pressed(self, reading: Reading) -> bool:
        """Take a reading; say whether the button was pressed with it."""
        if reading.quality is Quality.BAD or reading.value is None:
            return False
        before, self._down = self._down, reading.value == 1
        if before and not self._down:
            self._up_since_ns = reading.monotonic_ns
        bounced = self._up_since_ns is not None and reading.monotonic_ns - self._up_since_ns < BOUNCE_NS
        return before is False and self._down and not bounced
