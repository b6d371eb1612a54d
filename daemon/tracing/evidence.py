"""What each possible source says about each row of bursts.

Sources are the sets of stretches and, for every channel, its own false dropouts. An opening in set k opens every
channel that crosses k; channel c shows it with probability p_c(d), d its duration. So a row seen by channels P is
impossible unless all of P cross k, and its chance is the sum over duration classes of

    share(d) · prod_{c in P} p_c(d) · prod_{c crosses k, not in P} (1 - o_c p_c(d)),

o_c being whether c observed. Visible bursts of source s come at its rate times that chance; unrelated bursts that
overlap by chance come at the product of both rates times the width of the windows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.coincide import Rows
from quietbench.daemon.tracing.wiring import Bools, Floats, Ints, Seeing, Sets

_LOOKS = 2048  # times at which it is looked up which channels observed together
_LOOKS_LARGE = 512  # the same for more than a hundred sets
_BLOCK = 8192  # pairs of row and source at a time, to bound memory


@dataclass(frozen=True, slots=True)
class Evidence:
    """Sparse: entry i joins ``row[i]`` and ``source[i]``. Sources from ``sets`` on are the channels' own.

    ``by_class`` is entries by duration classes; ``seen`` is sources by duration classes: the chance that anything
    at all shows, averaged over who observed when. ``hours`` is for how long a source was under observation at most.
    """

    row: Ints
    source: Ints
    by_class: Floats
    seen: Floats
    hours: Floats
    count: Floats
    chance: Floats
    sets: int

    @property
    def sources(self) -> int:
        """Get the number of sources."""
        return len(self.seen)


def build(
    rows: Rows,
    sets: Sets,
    seeing: Seeing,
    chance: Floats,
    *,
    span: tuple[float, float],
    dead: Bools,
    clock_u_s: Floats,
) -> Evidence:
    """Put the evidence together; channels marked ``dead`` are taken to show nothing whatever happens."""
    p = chance  # channels by classes
    entries_row, entries_set = _admissible(rows, sets)
    kept = _likelihood(rows, sets, p, entries_row, entries_set, dead)
    alone = np.flatnonzero(rows.seen.sum(axis=1) == 1)
    channel = rows.seen[alone].argmax(axis=1)
    in_range = _in_range(rows, p.shape[1])
    false = in_range[alone] * p[channel]
    seen, hours = _exposure(sets, seeing, p, span, dead)
    return Evidence(
        np.concatenate((entries_row, alone)),
        np.concatenate((entries_set, channel + len(sets.crossed))),
        np.concatenate((kept, false)),
        np.concatenate((seen, p)),
        np.concatenate((hours, seeing.observed_s() / 3600)),
        rows.count,
        chance_overlaps(rows, seeing.every_s + 2 * clock_u_s, span),
        len(sets.crossed),
    )


def _admissible(rows: Rows, sets: Sets) -> tuple[Ints, Ints]:
    """Return the pairs of row and set in which every channel that saw the row crosses the set."""
    shared = rows.seen.astype(np.float32) @ sets.crossed.T.astype(np.float32)
    row, of = np.nonzero(shared == rows.seen.sum(axis=1, dtype=np.float32)[:, None])
    return row.astype(np.int64), of.astype(np.int64)


def _in_range(rows: Rows, classes: int) -> Floats:
    """Return rows by classes: 1/n for the n classes that a row's open time may lie in."""
    k = np.arange(classes)
    inside = (k >= rows.shortest[:, None]) & (k <= rows.longest[:, None])
    return np.asarray(inside / inside.sum(axis=1, keepdims=True))


def _likelihood(rows: Rows, sets: Sets, p: Floats, row: Ints, of: Ints, dead: Bools) -> Floats:
    hit = rows.seen.astype(np.float32) @ np.log(p).astype(np.float32)
    base = _in_range(rows, p.shape[1]) * np.exp(hit)
    missing = np.where(rows.seen | dead[None, :], 0.0, rows.observed).astype(np.float32)
    log_miss = np.log1p(-p).astype(np.float32)
    out = np.empty((len(row), p.shape[1]))
    for first in range(0, len(row), _BLOCK):
        part = slice(first, first + _BLOCK)
        out[part] = base[row[part]] * np.exp((missing[row[part]] * sets.crossed[of[part]]) @ log_miss)
    return out


def _exposure(
    sets: Sets, seeing: Seeing, p: Floats, span: tuple[float, float], dead: Bools
) -> tuple[Floats, Floats]:
    """Return by set and class the chance that anything shows, averaged over the span, and the span's hours."""
    looks = _LOOKS if len(sets.crossed) <= 100 else _LOOKS_LARGE
    times = span[0] + (np.arange(looks) + 0.5) / looks * (span[1] - span[0])
    who = np.array([seeing.observing(c, times) for c in range(len(p))], dtype=np.float32).reshape(len(p), -1)
    who[dead] = 0.0
    masks, times_each = np.unique(who.T, axis=0, return_counts=True)
    log_miss = np.log1p(-p).astype(np.float32)
    seen = np.empty((len(sets.crossed), p.shape[1]))
    for k, crossed in enumerate(sets.crossed):
        hidden = np.exp(masks[:, crossed] @ log_miss[crossed])
        seen[k] = 1.0 - (times_each @ hidden) / looks
    return seen, np.full(len(sets.crossed), (span[1] - span[0]) / 3600)


def chance_overlaps(rows: Rows, width_s: Floats, span: tuple[float, float], most: int = 150) -> Floats:
    """Return how many bursts of each row's pattern are expected from two unrelated ones that overlap.

    Patterns that show are independent Poisson processes, so patterns A and B overlap N_A N_B (w_A + w_B) / span
    times, w the widest start interval (``width_s`` by channel) of their channels. Only the ``most`` frequent ones
    are paired.
    """
    _, first, of = np.unique(np.packbits(rows.seen, axis=1), axis=0, return_index=True, return_inverse=True)
    patterns, of = rows.seen[first], of.reshape(-1)
    number = np.bincount(of, rows.count, len(patterns))
    width = np.maximum(np.where(patterns, width_s[None, :], 0.0).max(axis=1, initial=0.0), 1e-3)
    often = np.argsort(-number)[:most]
    known = {pattern.tobytes(): i for i, pattern in enumerate(patterns)}
    expected = np.zeros(len(patterns))
    length_s = max(span[1] - span[0], 1e-9)
    for i, a in enumerate(often):
        both = patterns[a] | patterns[often[:i]]
        overlap = number[a] * number[often[:i]] * (width[a] + width[often[:i]]) / length_s
        for pattern, b, extra in zip(both, often[:i], overlap, strict=True):
            whole = known.get(pattern.tobytes(), -1)
            if whole not in (-1, a, b):
                expected[whole] += extra
    share = rows.count / np.maximum(number[of], 1e-9)
    return np.asarray(expected[of] * share)
