"""Retry delays as data: growing, capped, jittered, on the monotonic clock."""

from __future__ import annotations

from random import Random

from quietbench.daemon.sinks.base import SECOND_NS
from quietbench.daemon.sinks.options import RetryOptions

_ASKED_MOST_S = 3600.0
"""A far end may ask for a longer wait than ours, but not for an unbounded one."""


class Backoff:
    """When to try again.

    Jitter takes up to half of a delay away, so that many watchers of one site don't come back to a restarted
    broker in step.
    """

    def __init__(self, options: RetryOptions, random: Random) -> None:
        self._options = options
        self._random = random
        self._failures = 0
        self.until_ns = 0

    def fail(self, now_ns: int, *, asked_s: float = 0.0) -> None:
        """Count a failure and set `until_ns`; ``asked_s`` is what the far end asked for (at most an hour)."""
        ceiling_s = min(self._options.most_s, self._options.first_s * 2.0 ** min(self._failures, 30))
        delay_s = ceiling_s * (1.0 - 0.5 * self._random.random())
        self._failures += 1
        self.until_ns = now_ns + int(max(delay_s, min(asked_s, _ASKED_MOST_S)) * SECOND_NS)

    def reset(self) -> None:
        """Start over with the shortest delay."""
        self._failures = 0
        self.until_ns = 0

    def ready(self, now_ns: int) -> bool:
        """Say whether the delay is over."""
        return now_ns >= self.until_ns
