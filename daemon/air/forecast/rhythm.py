"""The building's daily and weekly rhythm: harmonics of the day, for working days and weekends, by robust regression.

Differences against the step before, nearly whole ones (`MEMORY`), take the slow weather out of the fit, as errors
that follow an autoregression ask for (generalised least squares). Large residuals count less (Huber weights),
so that a day with a window open does not become part of every day. The level is the weighted median.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.psychrometrics import Floats

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MEMORY = 0.98
WORKING_SHARE = 5.0 / 7.0
_ROUNDS = 3
_RIDGE = 1e-4
MANY_DAYS, WEEKS_DAYS = 14.0, 10.0


@dataclass(frozen=True, slots=True)
class Clock:
    """Where each step of a grid lies in the site's day and week: hours of day, and 1 on working days."""

    hour: Floats
    working: Floats

    def part(self, where: slice) -> Clock:
        """Return a stretch of it."""
        return Clock(self.hour[where], self.working[where])


def rhythm(values: Floats, known: Flags, weights: Floats, clock: Clock, days: float) -> Floats:
    """Return the rhythm over the whole ``clock``, of which ``values`` is the first part.

    ``known`` says where values are; ``days`` of history decide how much is fitted: 12 harmonics from two weeks on,
    and weekends of their own from ten days on.
    """
    design = _design(clock, 12 if days >= MANY_DAYS else 4, weekly=days >= WEEKS_DAYS)
    count = len(values)
    pairs = np.flatnonzero(known[1:] & known[:-1]) + 1
    changes = design[pairs] - MEMORY * design[pairs - 1]
    # Without their level: the design has no constant, and the level is found robustly at the end.
    level = float(np.median(values[known]))
    moved = values[pairs] - level - MEMORY * (values[pairs - 1] - level)
    factors = _robust(changes, moved, weights[pairs])
    shape = design @ factors
    return shape + _weighted_median((values - shape[:count])[known], weights[known])


def _design(clock: Clock, harmonics: int, *, weekly: bool) -> Floats:
    work = clock.working - WORKING_SHARE
    columns = [work] if weekly else []
    for number in range(1, harmonics + 1):
        angle = 2.0 * np.pi * number * clock.hour / 24.0
        pair = (np.cos(angle), np.sin(angle))
        columns += [*pair, *(work * wave for wave in pair)] if weekly else pair
    return np.stack(columns, axis=1)


def _robust(design: Floats, values: Floats, weights: Floats) -> Floats:
    size = design.shape[1]
    ridge = _RIDGE * weights.sum() * float(design.var(axis=0).mean()) * np.eye(size)
    trust = weights
    for _ in range(_ROUNDS + 1):
        weighted = design * trust[:, None]
        factors = np.linalg.solve(design.T @ weighted + ridge, weighted.T @ values)
        trust = weights * huber(values - design @ factors)
    return factors


def huber(residuals: Floats) -> Floats:
    """Return the weights of residuals: 1 up to their median size, falling as 1/size beyond."""
    size = np.abs(residuals)
    scale = float(np.median(size)) + 1e-12
    return scale / np.maximum(size, scale)


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(sums, sums[-1] / 2.0)])
