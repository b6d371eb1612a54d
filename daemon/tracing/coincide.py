"""Dropouts into openings (what coincides on several channels), openings into bursts, bursts into rows.

Two dropouts coincide when the intervals in which they may have begun overlap; those intervals come from the stamps'
real uncertainty: between the last good poll and the first bad one, widened by the clock's. Openings of one channel
closer than the burst gap are one burst: one bad contact at one movement. All counts are of bursts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from quietbench.daemon.tracing.wiring import Bools, Floats, Ints, Seeing

_MOST_LOOKS = 20_000  # events at which it is looked up who observed
_LOOKS_A_ROW = 32


@dataclass(frozen=True, slots=True)
class Dropouts:
    """Dropouts as arrays of one length, times in seconds.

    An opening began between ``start_lo_s`` and ``start_hi_s`` and lasted between ``short_s`` and ``long_s``.
    """

    channel: Ints
    start_lo_s: Floats
    start_hi_s: Floats
    short_s: Floats
    long_s: Floats

    def __len__(self) -> int:
        return len(self.channel)

    def take(self, chosen: Bools | Ints) -> Dropouts:
        """Return some of them."""
        return Dropouts(
            self.channel[chosen],
            self.start_lo_s[chosen],
            self.start_hi_s[chosen],
            self.short_s[chosen],
            self.long_s[chosen],
        )


@dataclass(frozen=True, slots=True)
class Bursts:
    """Which burst each dropout belongs to, and when (s) and how long (s, bounds of the open time) each burst was."""

    of: Ints
    start_s: Floats
    short_s: Floats
    long_s: Floats
    openings: Ints


@dataclass(frozen=True, slots=True)
class Rows:
    """Bursts that look the same, counted: which channels saw them, and how long they may have been open.

    ``seen`` and ``observed`` are matrices, rows by channels; ``observed`` holds the share of the row's bursts during
    which a channel observed at all. ``of`` gives each burst's row.
    """

    count: Floats
    seen: Bools
    observed: Floats
    shortest: Ints
    longest: Ints
    of: Ints


def sort_by_time(dropouts: Dropouts) -> Dropouts:
    """Return them in the order of their earliest start."""
    lo = dropouts.start_lo_s
    if np.all(lo[1:] >= lo[:-1]):
        return dropouts
    return dropouts.take(np.argsort(lo, kind="stable"))


def openings_of(dropouts: Dropouts, clock_u_s: Floats | float = 0.0) -> Ints:
    """Return the opening each dropout (sorted by time) belongs to; ``clock_u_s`` widens every stamp."""
    if not len(dropouts):
        return np.zeros(0, dtype=np.int64)
    lo = dropouts.start_lo_s - clock_u_s
    latest = np.maximum.accumulate(dropouts.start_hi_s + clock_u_s)
    fresh = np.concatenate(([True], lo[1:] > latest[:-1]))
    return np.cumsum(fresh) - 1


def bursts_of(dropouts: Dropouts, opening: Ints, gap_s: float) -> Bursts:
    """Join openings that share a channel and follow each other within ``gap_s``; measure each burst."""
    count = int(opening[-1]) + 1 if len(opening) else 0
    short, long = _durations(dropouts, opening, count)
    start = _first(dropouts.start_hi_s, opening, count)
    if gap_s <= 0 or count < 2:
        return Bursts(opening, start, short, long, np.ones(count, dtype=np.int64))
    joined = _join(dropouts, opening, count, gap_s)
    number = int(joined.max()) + 1
    return Bursts(
        joined[opening],
        _first(start, joined, number),
        np.asarray(np.bincount(joined, short, number), dtype=np.float64),
        np.asarray(np.bincount(joined, long, number), dtype=np.float64),
        np.bincount(joined, minlength=number),
    )


def _join(dropouts: Dropouts, opening: Ints, count: int, gap_s: float) -> Ints:
    order = np.lexsort((dropouts.start_lo_s, dropouts.channel))
    channel = dropouts.channel[order]
    end = dropouts.start_lo_s[order] + dropouts.short_s[order]
    near = (channel[1:] == channel[:-1]) & (dropouts.start_lo_s[order][1:] - end[:-1] <= gap_s)
    left, right = opening[order[:-1][near]], opening[order[1:][near]]
    graph = coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(count, count))
    joined: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return joined


def _durations(dropouts: Dropouts, opening: Ints, count: int) -> tuple[Floats, Floats]:
    """Return bounds that fit every channel that saw an opening, or where none do, the tightest ones turned round."""
    if not count:
        return np.zeros(0), np.zeros(0)
    first = np.flatnonzero(np.concatenate(([True], opening[1:] != opening[:-1])))
    short = np.maximum.reduceat(dropouts.short_s, first)
    long = np.minimum.reduceat(dropouts.long_s, first)
    return np.minimum(short, long), np.maximum(short, long)


def _first(values: Floats, group: Ints, count: int) -> Floats:
    found = np.full(count, np.inf)
    np.minimum.at(found, group, values)
    return found


def rows_of(
    dropouts: Dropouts, bursts: Bursts, seeing: Seeing, edges_s: Floats, *, channels: int, seed: int = 7
) -> Rows:
    """Count bursts that look the same. Cost is that of a sort."""
    count = len(bursts.start_s)
    if not count:
        none = np.zeros(0, dtype=np.int64)
        empty = np.zeros((0, channels))
        return Rows(np.zeros(0), empty.astype(np.bool_), empty, none, none, none)
    low, high = _classes(bursts, edges_s)
    pairs = np.sort(bursts.of * channels + dropouts.channel)
    pairs = pairs[np.concatenate(([True], pairs[1:] != pairs[:-1]))]
    burst, channel = pairs // channels, pairs % channels
    first = np.flatnonzero(np.concatenate(([True], burst[1:] != burst[:-1])))
    word = np.random.default_rng(seed).integers(1, 1 << 62, channels)
    key = np.add.reduceat(word[channel], first) * 1009 + low * 101 + high  # wraps round; a hash, not a number
    _, sample, of, number = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
    seen = np.zeros((len(sample), channels), dtype=np.bool_)
    mine = np.isin(burst, sample)
    place = np.zeros(count, dtype=np.int64)
    place[sample] = np.arange(len(sample))
    seen[place[burst[mine]], channel[mine]] = True
    observed = _observed(bursts.start_s, of, number, seeing, channels)
    observed[seen] = 1.0
    return Rows(number.astype(np.float64), seen, observed, low[sample], high[sample], of)


def _classes(bursts: Bursts, edges_s: Floats) -> tuple[Ints, Ints]:
    last = len(edges_s) - 2
    low = np.clip(np.searchsorted(edges_s, bursts.short_s, side="right") - 1, 0, last)
    high = np.clip(np.searchsorted(edges_s, bursts.long_s, side="left") - 1, 0, last)
    return low, np.maximum(low, high)


def _observed(start_s: Floats, of: Ints, number: Ints, seeing: Seeing, channels: int) -> Floats:
    """Return the share of each row's bursts during which each channel observed, from at most some of them."""
    looks = max(1, min(_LOOKS_A_ROW, _MOST_LOOKS // len(number)))
    order = np.argsort(of, kind="stable")
    first = np.concatenate(([0], np.cumsum(number)[:-1]))
    steps = np.minimum(np.arange(looks)[None, :] * number[:, None] // looks, number[:, None] - 1)
    times = start_s[order[first[:, None] + steps]]
    share = np.empty((len(number), channels))
    for c in range(channels):
        share[:, c] = seeing.observing(c, times.ravel()).reshape(times.shape).mean(axis=1)
    return share
