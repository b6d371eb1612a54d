"""Suspects in order, each with its parts, its rate, the bursts that speak for it and what can't be told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.locate import Located
from quietbench.daemon.tracing.posterior import shares_within
from quietbench.daemon.tracing.prior import PRIOR
from quietbench.daemon.tracing.wiring import Bools, Floats, Ints, Wiring

NAMED = 0.5
"""A set is named only above this chance; below, too little is known."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch: chance of being the bad one, and its rate (bursts an hour) with a 90 % interval."""

    stretch: int
    chance: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """A set of stretches that no channel tells apart, the likelier first. ``bursts``: those most likely its."""

    number: int
    parts: tuple[Part, ...]
    chance: float
    worst: float
    rate: float
    low: float
    high: float
    bursts: Ints
    patterns: tuple[tuple[tuple[int, ...], int], ...]


def suspects(located: Located, wiring: Wiring) -> list[Suspect]:
    """Return all sets, in the order of suspicion."""
    owner = burst_owner(located)
    return [_suspect(located, wiring, int(k), owner) for k in located.posterior.order]


def burst_owner(located: Located) -> Ints:
    """Return for each burst the set that most likely gave it; -1 where a false dropout or chance is likelier."""
    problem, rows = located.found.problem, located.rows
    if not len(rows.count):
        return np.zeros(0, dtype=np.int64)
    fits, weight = located.found.fits, located.found.weight
    rate = weight @ (fits.shape / fits.hours)
    likely = problem.likely if isinstance(problem.likely, np.ndarray) else problem.likely.toarray()
    given = likely * rate[None, :]
    best = given.argmax(axis=1)
    sure = (best < problem.sets) & (given[np.arange(len(best)), best] > problem.chance)
    return np.where(sure, best, -1)[rows.of]


def _suspect(located: Located, wiring: Wiring, k: int, owner: Ints) -> Suspect:
    posterior = located.posterior
    bursts = np.flatnonzero(owner == k)
    members = located.sets.members[k]
    chances = np.array([PRIOR.fault_chance[kind] for kind in wiring.kinds])
    shares = shares_within(chances, members)
    parts = [_part(located, k, stretch, float(share)) for stretch, share in zip(members, shares, strict=True)]
    return Suspect(
        k,
        tuple(sorted(parts, key=lambda part: -part.chance)),
        float(posterior.fault[k]),
        float(posterior.worst[k]),
        float(posterior.mean[k]),
        float(posterior.low[k]),
        float(posterior.high[k]),
        bursts,
        _patterns(located, bursts),
    )


def _part(located: Located, k: int, stretch: int, share: float) -> Part:
    """Share a set's rate out: a fault is in one of its stretches, by their kinds; nothing else tells them apart."""
    posterior = located.posterior
    if share > 1 - 1e-9:
        mean, low, high = (float(x[k]) for x in (posterior.mean, posterior.low, posterior.high))
    else:
        mine = share * float(posterior.fault[k])
        mean = float(posterior.mean[k]) * share
        healthy_high = 4.0 / (PRIOR.healthy_hours + located.found.problem.exposure[k])
        low = float(posterior.low[k]) if mine > 0.95 else 0.0
        high = float(posterior.high[k]) if mine > 0.05 else healthy_high
    return Part(stretch, float(posterior.worst[k]) * share, mean, low, high)


def _patterns(located: Located, bursts: Ints) -> tuple[tuple[tuple[int, ...], int], ...]:
    """Return which channels went together in a suspect's bursts, and how often."""
    if not len(bursts):
        return ()
    rows, number = np.unique(located.rows.of[bursts], return_counts=True)
    total: dict[tuple[int, ...], int] = {}
    for row, times in zip(rows, number, strict=True):
        pattern = tuple(int(c) for c in np.flatnonzero(located.rows.seen[row]))
        total[pattern] = total.get(pattern, 0) + int(times)
    return tuple(sorted(total.items(), key=lambda item: -item[1]))


def stretch_chances(found: list[Suspect], stretches: int) -> Floats:
    """Return by stretch the chance of being the worst."""
    out = np.zeros(stretches)
    for suspect in found:
        for part in suspect.parts:
            out[part.stretch] = part.chance
    return out


def unwatched(located: Located) -> Bools:
    """Say of each stretch whether no channel crosses it."""
    return np.asarray(located.sets.of < 0)
