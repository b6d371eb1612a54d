"""How fast somebody may go on: so many at once, so many a second in the long run."""

from __future__ import annotations

from quietbench.daemon.sinks.base import SECOND_NS


class Pace:
    """Tokens that come back with time; ``now_ns`` is monotonic and never goes back."""

    def __init__(self, each_s: float, at_once: int) -> None:
        self._each_s = each_s
        self._at_once = at_once
        self._left = float(at_once)
        self._since_ns: int | None = None

    def go(self, now_ns: int) -> bool:
        """Say whether one more may go now, and count it if so."""
        if self._since_ns is not None:
            gained = (now_ns - self._since_ns) / SECOND_NS * self._each_s
            self._left = min(self._at_once, self._left + gained)
        self._since_ns = now_ns
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True
