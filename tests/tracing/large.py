"""A large site, made quickly: a tree of many stretches, many channels, and as many dropouts as wanted."""

from __future__ import annotations

import numpy as np

from quietbench.daemon.tracing.coincide import Dropouts
from quietbench.daemon.tracing.prior import Kind
from quietbench.daemon.tracing.wiring import Floats, Ints, Seeing, Wiring


def large_site(
    dropouts: int, *, channels: int, stretches: int, span_s: float, seed: int = 5
) -> tuple[Wiring, Seeing, Dropouts, tuple[float, float]]:
    """Return a site whose record holds about so many dropouts; a handful of its stretches make most of them."""
    random = np.random.default_rng(seed)
    parents = [-1] + [int(random.integers(max(0, s - 40), s)) for s in range(1, stretches)]
    measures = np.zeros((channels, stretches), dtype=np.bool_)
    for c, end in enumerate(random.choice(stretches, channels, replace=False)):
        at = int(end)
        while at >= 0:
            measures[c, at] = True
            at = parents[at]
    kinds = tuple(list(Kind)[int(k)] for k in random.integers(len(Kind), size=stretches))
    wiring = Wiring(
        tuple(f"s{s}" for s in range(stretches)),
        tuple(parents),
        kinds,
        tuple(f"c{c}" for c in range(channels)),
        measures,
    )
    seeing = _seeing(random, channels, span_s)
    return wiring, seeing, _record(random, wiring, seeing, dropouts, span_s), (0.0, span_s)


def _seeing(random: np.random.Generator, channels: int, span_s: float) -> Seeing:
    every = random.choice([0.0, 0.1], channels)
    day = np.arange(0, span_s, 86400.0)
    worn = np.stack((day + 8 * 3600, np.minimum(day + 16 * 3600, span_s)), axis=1)
    whole = np.array([[0.0, span_s]])
    observed = tuple(worn if strap else whole for strap in random.random(channels) < 0.5)
    return Seeing(every, np.full(channels, 0.005), np.zeros(channels), observed)


def _record(
    random: np.random.Generator, wiring: Wiring, seeing: Seeing, wanted: int, span_s: float
) -> Dropouts:
    width = wiring.measures.sum(axis=0)
    weight = np.where(width > 0, random.gamma(0.3, 1.0, len(width)), 0.0)
    weight[np.argsort(-np.where(width < 12, width, 0))[:8]] += 5.0
    weight /= float(weight @ width)
    parts: list[tuple[Ints, Floats, Floats]] = []
    for s in np.flatnonzero(weight):
        start = random.uniform(0, span_s, random.poisson(1.76 * wanted * weight[s]))
        length = 0.2 * np.exp(random.normal(0, 0.8, len(start)))
        for c in np.flatnonzero(wiring.measures[:, s]):
            seen = seeing.observing(int(c), start) & (
                random.random(len(start)) < length / max(seeing.every_s[c], 1e-9)
            )
            seen &= random.random(len(start)) < 0.97
            parts.append((np.full(int(seen.sum()), c, dtype=np.int64), start[seen], length[seen]))
    channel = np.concatenate([part[0] for part in parts])
    start = np.concatenate([part[1] for part in parts])
    length = np.concatenate([part[2] for part in parts])
    order = np.argsort(start)
    channel, start, length = channel[order], start[order], length[order]
    every = np.maximum(seeing.every_s[channel], 0.005)
    return Dropouts(channel, start - every, start + 0.001, np.maximum(length - every, 0.0), length + every)
