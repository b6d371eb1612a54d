"""One channel's readings into dropouts, and into the time in which it could have seen one.

Only kept readings come here: changes are all kept, sameness is thinned to a heartbeat. So a reading's state holds
until the next one, but never longer than the heartbeat allows. Nothing is invented: what is shorter than the
sampling leaves no reading, and how likely that is, is the business of `detection`.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.wiring import Bools, Floats, Ints

LONGEST_S = 60.0
"""What is open for longer is no dropout but a path that stands open (a strap put down, a part removed)."""

EDGES_S = 0.05
"""A channel that ever changed within less is read by edges, not polled."""

STAMP_S = 0.002
"""How far an edge's stamp may be off."""


class State(enum.IntEnum):
    """What a reading says of the path."""

    GOOD = 0
    OPEN = 1
    UNTRUSTED = 2


@dataclass(frozen=True, slots=True)
class Series:
    """A channel's kept readings: time (s), state, value (NaN where none).

    A reading holds until the next one, but at most ``holds_s``, and not past ``ends_s``: when the record of its run
    ended, for who was not running saw nothing.
    """

    at_s: Floats
    state: Ints
    value: Floats
    ends_s: Floats
    holds_s: float

    def until(self) -> Floats:
        """Return until when each reading holds."""
        following = np.append(self.at_s[1:], np.inf)[: len(self.at_s)]
        held: Floats = np.minimum(np.minimum(following, self.at_s + self.holds_s), self.ends_s)
        return np.maximum(held, self.at_s)


@dataclass(frozen=True, slots=True)
class Found:
    """Dropouts of one channel, and ``observed``: intervals (s) in which it could have seen one.

    ``depth``: the worst value while open (NaN for a contact without). ``cut``: its end was hidden by a fault or
    a gap in the record. ``standing``: openings too long to be dropouts.
    """

    start_lo_s: Floats
    start_hi_s: Floats
    short_s: Floats
    long_s: Floats
    depth: Floats
    cut: Bools
    observed: Floats
    standing: int
    every_s: float


def poll_interval(at_s: Floats, silent_after_s: float) -> float:
    """Return the time between polls (s): 0 for a channel that is read by edges.

    The shortest distance of kept readings is a poll; a third of the silence that raises a fault bounds it, because
    that is how the silence is chosen where nobody chooses it.
    """
    apart = np.diff(at_s)
    apart = apart[apart > 0]
    shortest = float(apart.min()) if len(apart) else silent_after_s / 3
    return 0.0 if shortest < EDGES_S else min(shortest, silent_after_s / 3)


def find(series: Series, every_s: float, gate: Floats | None = None) -> Found:
    """Find the dropouts of a channel; ``gate``: intervals (s) in which its openings count (somebody there)."""
    at, state = series.at_s, series.state
    if not len(at):
        none = np.zeros(0)
        return Found(none, none, none, none, none, none.astype(np.bool_), np.zeros((0, 2)), 0, every_s)
    until = series.until()
    first, last = _runs(state == State.OPEN)
    length = until[last] - at[first]
    cut = np.append(state, State.UNTRUSTED)[last + 1] == State.UNTRUSTED
    cut |= np.append(at, np.inf)[last + 1] > until[last] + 1e-9
    known = np.append(-1, state)[first] == State.GOOD  # else nobody saw it begin
    wanted = known & (length <= LONGEST_S) & _counts(at[first], gate)
    slack = max(every_s, STAMP_S)
    depth = np.array([_deepest(series.value[a : b + 1]) for a, b in zip(first, last, strict=True)])
    return Found(
        at[first][wanted] - slack,
        at[first][wanted] + STAMP_S,
        np.maximum(length - slack, 0.0)[wanted],
        np.where(cut, LONGEST_S, length + slack)[wanted],
        depth[wanted] if len(depth) else depth,
        cut[wanted],
        _observed(series, until, first[length > LONGEST_S], last[length > LONGEST_S], gate),
        int(np.sum(length > LONGEST_S)),
        every_s,
    )


def _runs(mask: Bools) -> tuple[Ints, Ints]:
    """Return the first and last index of every stretch of True."""
    edge = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1


def _counts(at_s: Floats, gate: Floats | None) -> Bools:
    if gate is None:
        return np.ones(len(at_s), dtype=np.bool_)
    place = np.searchsorted(gate[:, 0], at_s, side="right") - 1
    inside: Bools = (place >= 0) & (at_s <= gate[np.maximum(place, 0), 1]) if len(gate) else at_s < -np.inf
    return inside


def _deepest(values: Floats) -> float:
    real = values[~np.isnan(values)]
    return float(real.max()) if len(real) else float("nan")


def _observed(series: Series, until: Floats, first: Ints, last: Ints, gate: Floats | None) -> Floats:
    """Return when the sensor was good, the path not standing open, and the gate open."""
    usable = series.state != State.UNTRUSTED
    for a, b in zip(first, last, strict=True):
        usable[a : b + 1] = False
    spans = joined(np.stack((series.at_s[usable], until[usable]), axis=1))
    return spans if gate is None else common(spans, gate)


def joined(spans: Floats, near_s: float = 1e-6) -> Floats:
    """Join intervals (sorted by start) that touch or overlap."""
    if not len(spans):
        return np.zeros((0, 2))
    latest = np.maximum.accumulate(spans[:, 1])
    fresh = np.flatnonzero(np.concatenate(([True], spans[1:, 0] > latest[:-1] + near_s)))
    ends = np.append(latest[fresh[1:] - 1], latest[-1])
    return np.stack((spans[fresh, 0], ends), axis=1)


def common(one: Floats, other: Floats) -> Floats:
    """Return the intervals in which two sets of sorted, separate intervals hold together."""
    if not len(one) or not len(other):
        return np.zeros((0, 2))
    edges = np.unique(np.concatenate((one.ravel(), other.ravel())))
    middle = (edges[:-1] + edges[1:]) / 2
    both = _counts(middle, one) & _counts(middle, other)
    return joined(np.stack((edges[:-1][both], edges[1:][both]), axis=1))


def union(parts: list[Floats]) -> Floats:
    """Return the intervals in which at least one of several sets of intervals holds."""
    every = np.concatenate([part.reshape(-1, 2) for part in parts]) if parts else np.zeros((0, 2))
    return joined(every[np.argsort(every[:, 0], kind="stable")])
