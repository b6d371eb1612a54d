"""Piecewise-constant functions of time, and sets of intervals."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from typing import Generic, TypeVar

T = TypeVar("T")

Interval = tuple[float, float]
"""From (counted in) until (not counted in), in seconds of model time."""


class Steps(Generic[T]):
    """A value that changes at known times and holds from each change on.

    Changes may be added later, but only at or after the last one: what was, stays.
    """

    def __init__(self, initial: T) -> None:
        self._times: list[float] = []
        self._values: list[T] = [initial]

    def set(self, at_s: float, value: T) -> None:
        """Let the value be ``value`` from ``at_s`` on.

        Raises:
            ValueError: a later change is already known.
        """
        if self._times and at_s < self._times[-1]:
            raise ValueError(
                f"step at {at_s} s, wanted {self._times[-1]} s or later: the past does not change"
            )
        if self._times and at_s == self._times[-1]:
            self._values[-1] = value
            return
        self._times.append(at_s)
        self._values.append(value)

    def at(self, at_s: float) -> T:
        """Return the value at ``at_s``."""
        return self._values[bisect_right(self._times, at_s)]

    def since(self, at_s: float) -> float:
        """Return when the value that holds at ``at_s`` began; minus infinity for the first one."""
        index = bisect_right(self._times, at_s)
        return self._times[index - 1] if index else float("-inf")

    def spans(self, start_s: float, end_s: float) -> Iterator[tuple[float, float, T]]:
        """Yield (from, until, value) for each piece between ``start_s`` and ``end_s``."""
        index = bisect_right(self._times, start_s)
        while start_s < end_s:
            until = min(end_s, self._times[index]) if index < len(self._times) else end_s
            yield start_s, until, self._values[index]
            start_s, index = until, index + 1

    def where(self, wanted: T, start_s: float, end_s: float) -> list[Interval]:
        """Return the intervals between ``start_s`` and ``end_s`` in which the value is ``wanted``."""
        return [(since, until) for since, until, value in self.spans(start_s, end_s) if value == wanted]


def union(intervals: Iterable[Interval]) -> list[Interval]:
    """Return the same times as sorted intervals that neither touch nor overlap."""
    merged: list[Interval] = []
    for start, end in sorted(intervals):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        elif start < end:
            merged.append((start, end))
    return merged


def clip(intervals: Iterable[Interval], start_s: float, end_s: float) -> list[Interval]:
    """Return what of ``intervals`` lies between ``start_s`` and ``end_s``."""
    return [
        (max(start, start_s), min(end, end_s)) for start, end in intervals if start < end_s and end > start_s
    ]
