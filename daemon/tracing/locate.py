"""Where: from dropouts and wiring to weighed guesses about the sets of stretches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.coincide import (
    Bursts,
    Dropouts,
    Rows,
    bursts_of,
    openings_of,
    rows_of,
    sort_by_time,
)
from quietbench.daemon.tracing.detection import (
    chance_of_seeing,
    duration_grid,
    prior_durations,
    shortest_seen,
)
from quietbench.daemon.tracing.evidence import Evidence, build
from quietbench.daemon.tracing.fit import set_priors
from quietbench.daemon.tracing.posterior import SetPosterior, posterior_of
from quietbench.daemon.tracing.prior import PRIOR, Prior
from quietbench.daemon.tracing.search import Found, find
from quietbench.daemon.tracing.wiring import Bools, Floats, Seeing, Sets, Wiring, sets_of

_MANY = 3_000  # cells of the rows from which on dead channels are not tried one by one


@dataclass(frozen=True, slots=True)
class Located:
    """Everything about where, and what it was made from. ``dead``: channels that look well and show nothing."""

    sets: Sets
    dropouts: Dropouts
    bursts: Bursts
    rows: Rows
    found: Found
    posterior: SetPosterior
    shortest_s: float
    dead: Bools


def locate(
    wiring: Wiring,
    seeing: Seeing,
    dropouts: Dropouts,
    span: tuple[float, float],
    *,
    gap_s: float = 0.0,
    clock_u_s: Floats | None = None,
    prior: Prior = PRIOR,
) -> Located:
    """Weigh which sets of stretches let go. ``span``: the time (s) the record covers; ``clock_u_s``: by channel."""
    sets = sets_of(wiring)
    ordered = sort_by_time(dropouts)
    clock = np.zeros(len(wiring.channels)) if clock_u_s is None else clock_u_s
    bursts = bursts_of(ordered, openings_of(ordered, clock[ordered.channel]), gap_s)
    shortest = shortest_seen(seeing)
    edges, middles = duration_grid(shortest)
    chance = chance_of_seeing(seeing, middles)
    rows = rows_of(ordered, bursts, seeing, edges, channels=len(wiring.channels))
    weigh = _Weighing(wiring, seeing, sets, rows, chance, span, prior, prior_durations(edges), clock)
    found, dead = _with_dead(weigh, sets, rows, chance)
    return Located(sets, ordered, bursts, rows, found, posterior_of(found, prior), shortest, dead)


@dataclass(frozen=True, slots=True)
class _Weighing:
    """All that stays the same while other channels are taken for dead."""

    wiring: Wiring
    seeing: Seeing
    sets: Sets
    rows: Rows
    chance: Floats
    span: tuple[float, float]
    prior: Prior
    believed: Floats
    clock_u_s: Floats

    def evidence(self, dead: Bools) -> Evidence:
        return build(
            self.rows,
            self.sets,
            self.seeing,
            self.chance,
            span=self.span,
            dead=dead,
            clock_u_s=self.clock_u_s,
        )

    def find(self, dead: Bools) -> Found:
        chances = np.array([self.prior.fault_chance[kind] for kind in self.wiring.kinds])
        healthy, log_odds = set_priors(self.sets, chances, self.prior)
        return find(self.evidence(dead), self.believed, healthy, log_odds, self.prior)


def _with_dead(weigh: _Weighing, sets: Sets, rows: Rows, chance: Floats) -> tuple[Found, Bools]:
    """Look whether all fits better if channels that showed nothing are dead; take the most telling ones in turn."""
    dead = np.zeros(len(chance), dtype=np.bool_)
    best = weigh.find(dead)
    price = float(np.log(weigh.prior.dead_chance / (1 - weigh.prior.dead_chance)))
    if np.count_nonzero(rows.seen) > _MANY:
        return best, dead  # so much was seen that a dead channel shows by the missing bursts: see `doubts`
    for channel in _silent_suspects(sets, rows, chance, -price):
        trial = dead.copy()
        trial[channel] = True
        found = weigh.find(trial)
        if found.evidence + price > best.evidence + 1.0:
            best, dead = found, trial
    return best, dead


def _silent_suspects(sets: Sets, rows: Rows, chance: Floats, price: float, most: int = 6) -> list[int]:
    """Return channels that never showed anything though openings that they should have seen may explain the rows."""
    silent = ~rows.seen.any(axis=0) & (rows.observed.max(axis=0, initial=0.0) > 0)
    several = np.flatnonzero(rows.seen.sum(axis=1) >= 2)
    if not len(several) or not silent.any():
        return []
    seen = rows.seen[several].astype(np.float32)
    fits = seen @ sets.crossed.T.astype(np.float32) == seen.sum(axis=1)[:, None]
    together = (fits.astype(np.float32) @ sets.crossed.astype(np.float32)) > 0  # rows by channels
    middle = (rows.shortest[several] + rows.longest[several]) // 2
    surprise = -np.log1p(-chance[:, middle].T) * rows.observed[several] * rows.count[several, None]
    total = np.where(silent, (surprise * together).sum(axis=0), 0.0)
    return [int(c) for c in np.argsort(-total)[:most] if total[c] > price]
