"""Counting within sliding times, with one convention: a span of exactly so long counts.

The published texts differ or are silent at the boundary; the stricter reading is taken throughout. So three
beginnings of one alarm with exactly 60 s from first to third chatter, and ten alarms within exactly 10 minutes are
a flood (">= 10" of the EEMUA grid; ISA's words, "more than 10", would ask for eleven).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "CHATTER_COUNT",
    "CHATTER_NS",
    "FLOOD_BEGINS",
    "FLOOD_ENDS",
    "FLOOD_NS",
    "Bout",
    "bouts",
    "floods",
    "most_within",
]

SECOND_NS = 1_000_000_000
CHATTER_COUNT, CHATTER_NS = 3, 60 * SECOND_NS
FLOOD_NS = 600 * SECOND_NS
FLOOD_BEGINS = 10
FLOOD_ENDS = 5
"""A flood lasts until fewer than so many have come within its span."""


@dataclass(frozen=True, slots=True)
class Bout:
    """A time (ns) in which something came thick, and how many came."""

    began_ns: int
    ended_ns: int
    count: int

    @property
    def lasted_ns(self) -> int:
        """Get how long it lasted (ns)."""
        return self.ended_ns - self.began_ns


def most_within(times_ns: Sequence[int], span_ns: int) -> int:
    """Return the largest number of rising ``times_ns`` that lie within ``span_ns`` of each other."""
    most = first = 0
    for last, time_ns in enumerate(times_ns):
        while time_ns - times_ns[first] > span_ns:
            first += 1
        most = max(most, last - first + 1)
    return most


def bouts(times_ns: Sequence[int], count: int = CHATTER_COUNT, span_ns: int = CHATTER_NS) -> list[Bout]:
    """Return the bouts of chattering: ``count`` beginnings of one alarm within ``span_ns``; overlaps are joined."""
    found: list[tuple[int, int]] = []  # indices of first and last
    for last in range(count - 1, len(times_ns)):
        first = last - count + 1
        if times_ns[last] - times_ns[first] > span_ns:
            continue
        if found and first <= found[-1][1]:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return [Bout(times_ns[first], times_ns[last], last - first + 1) for first, last in found]


def floods(times_ns: Sequence[int], until_ns: int) -> list[Bout]:
    """Return the floods among the rising beginnings of one person's alarms; one that goes on ends at ``until_ns``.

    A flood begins with the alarm that makes them `FLOOD_BEGINS` within `FLOOD_NS`, and ends when fewer than
    `FLOOD_ENDS` have come within the last `FLOOD_NS`.
    """
    found: list[Bout] = []
    began: int | None = None
    for at, time_ns in enumerate(times_ns):
        if began is not None and _over_ns(times_ns, at - 1) < time_ns:
            found.append(_flood(times_ns, began, at - 1, until_ns))
            began = None
        ten = at - FLOOD_BEGINS + 1
        if began is None and ten >= 0 and time_ns - times_ns[ten] <= FLOOD_NS:
            began = at
    if began is not None:
        found.append(_flood(times_ns, began, len(times_ns) - 1, until_ns))
    return found


def _over_ns(times_ns: Sequence[int], last: int) -> int:
    """Return when, nothing coming after ``last``, fewer than `FLOOD_ENDS` are left within the span."""
    return times_ns[last - FLOOD_ENDS + 1] + FLOOD_NS


def _flood(times_ns: Sequence[int], began: int, last: int, until_ns: int) -> Bout:
    first = began - FLOOD_BEGINS + 1
    return Bout(times_ns[began], min(_over_ns(times_ns, last), until_ns), last - first + 1)
