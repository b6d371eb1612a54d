"""Clocks of several watchers against each other, from openings that both saw.

Where two watchers share a stud or a panel, one opening shows on both. For every offset within the bound each pair of
dropouts whose start intervals then overlap speaks for it, the more the narrower they are. The best score is
held against the best one that chance gives: the same search with one record shifted by minutes, many times. Only a
score above all of those is believed; otherwise the offset stays unknown, and the stamps are widened by the bound.
Drift within the record is not modelled: it must stay well below the stamps' uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.coincide import Dropouts
from quietbench.daemon.tracing.wiring import Bools, Floats, Ints, Wiring

_SHIFTS = 40
_MOST = 20_000  # dropouts of one watcher that are compared
_FEWEST_PAIRS = 3
_LEFT_OPEN = 3.0  # nats below the best score up to which an offset stays possible
_LEAST_U_S = 0.005


@dataclass(frozen=True, slots=True)
class Offset:
    """How far watcher ``b`` is ahead of ``a`` (s), with the half-width of what is left open.

    ``score`` counts, in nats, what the coinciding dropouts say; ``by_chance`` is the best of many false offsets.
    """

    a: int
    b: int
    offset_s: float
    u_s: float
    score: float
    by_chance: float
    pairs: int

    @property
    def found(self) -> bool:
        """Get whether the offset is better than every false one."""
        return self.pairs >= _FEWEST_PAIRS and self.score > self.by_chance


@dataclass(frozen=True, slots=True)
class Clocks:
    """By watcher: how far it is ahead of the first (s), and the uncertainty of that (the bound where unknown)."""

    ahead_s: Floats
    u_s: Floats
    known: Bools
    offsets: tuple[Offset, ...]


def fit_clocks(dropouts: Dropouts, watcher: Ints, wiring: Wiring, *, bound_s: float, seed: int = 3) -> Clocks:
    """Compare every two watchers that share a stretch, and chain the best comparisons from the first one on."""
    number = int(watcher.max(initial=0)) + 1
    random = np.random.default_rng(seed)
    found = []
    for a in range(number):
        for b in range(a + 1, number):
            one, other = _sharing(dropouts, watcher, wiring, a, b)
            if len(one) and len(other):
                found.append(compare(one, other, a, b, bound_s=bound_s, random=random))
    return _chained(number, found, bound_s)


def _sharing(dropouts: Dropouts, watcher: Ints, wiring: Wiring, a: int, b: int) -> tuple[Dropouts, Dropouts]:
    """Return the dropouts of each of two watchers on channels that share a stretch with the other's."""
    shared = (wiring.measures.astype(np.int64) @ wiring.measures.T.astype(np.int64)) > 0
    mine, theirs = watcher == a, watcher == b
    of_a = mine & shared[:, theirs].any(axis=1)
    of_b = theirs & shared[:, mine].any(axis=1)
    one, other = dropouts.take(of_a[dropouts.channel]), dropouts.take(of_b[dropouts.channel])
    return one.take(np.argsort(one.start_lo_s)[:_MOST]), other.take(np.argsort(other.start_lo_s)[:_MOST])


def compare(
    one: Dropouts, other: Dropouts, a: int, b: int, *, bound_s: float, random: np.random.Generator
) -> Offset:
    """Find the offset of two records, and the best one that chance gives."""
    score, low, high, pairs = _best(one, other, 0.0, bound_s)
    shifts = random.uniform(20.0, 2000.0, _SHIFTS) * random.choice([-1.0, 1.0], _SHIFTS)
    by_chance = max(_best(one, other, float(shift), bound_s)[0] for shift in shifts)
    return Offset(a, b, (low + high) / 2, max((high - low) / 2, _LEAST_U_S), score, by_chance, pairs)


def _best(one: Dropouts, other: Dropouts, shift_s: float, bound_s: float) -> tuple[float, float, float, int]:
    """Return the best score, the interval of offsets that has it, and how many pairs make it."""
    i, j = _pairs(one, other, shift_s, bound_s)
    low = other.start_lo_s[j] + shift_s - one.start_hi_s[i]
    high = other.start_hi_s[j] + shift_s - one.start_lo_s[i]
    say = np.log(np.maximum(2 * bound_s / np.maximum(high - low, 1e-3), 1.0))
    low, high = np.maximum(low, -bound_s), np.minimum(high, bound_s)
    valid = (high >= low) & (say > 0)
    low, high, say = low[valid], high[valid], say[valid]
    if not len(low):
        return 0.0, -bound_s, bound_s, 0
    edge = np.concatenate((low, high))
    order = np.argsort(edge, kind="stable")
    total = np.cumsum(np.concatenate((say, -say))[order])
    at = np.flatnonzero(total[:-1] >= total.max() - _LEFT_OPEN)
    left, right = float(edge[order][at[0]]), float(edge[order][at[-1] + 1])
    middle = float(edge[order][int(total.argmax())])
    return float(total.max()), left, right, int(np.sum((low <= middle) & (high >= middle)))


def _pairs(one: Dropouts, other: Dropouts, shift_s: float, bound_s: float) -> tuple[Ints, Ints]:
    """Return index pairs whose start intervals can overlap within the bound."""
    widest = float(np.max(other.start_hi_s - other.start_lo_s))
    lo = other.start_lo_s + shift_s
    first = np.searchsorted(lo, one.start_lo_s - bound_s - widest, side="left")
    last = np.searchsorted(lo, one.start_hi_s + bound_s, side="right")
    number = np.maximum(last - first, 0)
    i = np.repeat(np.arange(len(one)), number)
    j = np.arange(len(i)) - np.repeat(np.cumsum(number) - number, number) + np.repeat(first, number)
    return i, j


def _chained(number: int, found: list[Offset], bound_s: float) -> Clocks:
    ahead, u = np.zeros(number), np.full(number, bound_s)
    known = np.zeros(number, dtype=np.bool_)
    known[:1], u[:1] = True, 0.0
    usable = sorted((o for o in found if o.found), key=lambda o: o.by_chance - o.score)
    while chosen := next((o for o in usable if known[o.a] != known[o.b]), None):
        start, end, sign = (chosen.a, chosen.b, 1.0) if known[chosen.a] else (chosen.b, chosen.a, -1.0)
        ahead[end] = ahead[start] + sign * chosen.offset_s
        u[end] = u[start] + chosen.u_s
        known[end] = True
    return Clocks(ahead, u, known, tuple(found))


def put_right(dropouts: Dropouts, watcher: Ints, clocks: Clocks) -> Dropouts:
    """Return the dropouts on the first watcher's clock."""
    ahead = clocks.ahead_s[watcher[dropouts.channel]]
    return Dropouts(
        dropouts.channel,
        dropouts.start_lo_s - ahead,
        dropouts.start_hi_s - ahead,
        dropouts.short_s,
        dropouts.long_s,
    )
