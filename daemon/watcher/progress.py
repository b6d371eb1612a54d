"""Proof of progress: every thread that matters counts its rounds, and nothing is fed that has not moved.

Relay pulses and the service watchdog depend on this: a hung thread stops both.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable


class Progress:
    """One thread's mark: `moved` is called once per round, at the latest every ``period_ns``."""

    __slots__ = ("moved_ns", "name", "period_ns", "protecting")

    def __init__(self, name: str, period_ns: int, *, protecting: bool, now_ns: int) -> None:
        self.name = name
        self.period_ns = period_ns
        self.protecting = protecting
        self.moved_ns = now_ns

    def fresh(self, now_ns: int) -> bool:
        """Say whether the last round is at most twice the period ago."""
        return now_ns - self.moved_ns <= 2 * self.period_ns


class ProgressBoard:
    """All marks of one watcher."""

    def __init__(self, monotonic_ns: Callable[[], int]) -> None:
        self._monotonic_ns = monotonic_ns
        self._marks: list[Progress] = []
        self._lock = threading.Lock()

    def mark(self, name: str, *, period_s: float, protecting: bool) -> Progress:
        """Add a thread that will move at the latest every ``period_s``; ``protecting`` ties the relay to it."""
        mark = Progress(name, int(period_s * 1e9), protecting=protecting, now_ns=self._monotonic_ns())
        with self._lock:
            self._marks.append(mark)
        return mark

    def protecting_fresh(self, now_ns: int) -> bool:
        """Say whether every thread that the relay depends on has moved in time."""
        return all(mark.fresh(now_ns) for mark in self._marks if mark.protecting)

    def stale(self, now_ns: int) -> Iterable[str]:
        """Return the names of threads that have not moved in time."""
        return [mark.name for mark in self._marks if not mark.fresh(now_ns)]
