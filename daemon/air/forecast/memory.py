"""The decaying memory of the present: what is left of today's departure from the rhythm after so many hours.

For each of a row of horizons the departure then is regressed on the departure now, its moves over 1 and 6 hours, its
mean over a day and, where there is one, the outdoor vapour pressure. The regression is held towards a plain decay
(a prior of `LASTING_H`), the more the further the horizon: weeks of weather hold few independent examples of a day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.forecast.rhythm import huber
from quietbench.daemon.air.psychrometrics import Floats

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

LASTING_H = 45.0
STEPS_PER_H = 2
DAY_STEPS = 24 * STEPS_PER_H
HORIZON_STEPS = 48 * STEPS_PER_H
KNOTS = (1, 2, 4, 8, 12, 18, 24, 36, 48, 60, 72, 84, 96)

_PRIOR_ROWS = 80.0
_PRIOR_GROWTH = 1.2
_OUTDOOR_PART, _OUTDOOR_DELAY_H = 0.4, 8.0
_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class Memory:
    """``features`` (steps × features) of every step, and ``factors`` (features × horizons) that weigh them."""

    features: Floats
    factors: Floats

    def expected(self, rows: Ints) -> Floats:
        """Return the expected departures (rows × horizons) as seen from some steps."""
        return self.features[rows] @ self.factors


def remembered(departure: Floats, known: Flags, weights: Floats, outdoors: Floats | None) -> Memory:
    """Fit a memory; ``departure`` is 0 where not known, ``outdoors`` on a scale of its own."""
    features = _features(departure, weights, outdoors)
    spread = float(np.average(departure[known] ** 2, weights=weights[known])) + 1e-12
    usable = known.copy()
    usable[: min(DAY_STEPS, len(usable) // 3)] = False
    at_knots = np.stack(
        [_factors(features, departure, usable, known, weights, spread, knot) for knot in KNOTS]
    )
    horizons = np.arange(1, HORIZON_STEPS + 1)
    return Memory(features, np.stack([np.interp(horizons, KNOTS, column) for column in at_knots.T]))


def _features(departure: Floats, weights: Floats, outdoors: Floats | None) -> Floats:
    sums = np.concatenate(([0.0], np.cumsum(departure)))
    place = np.arange(len(departure))
    first = np.maximum(place - DAY_STEPS + 1, 0)
    day = (sums[place + 1] - sums[first]) / (place - first + 1)
    columns = [departure, _moved(departure, 2), _moved(departure, 12), day]
    if outdoors is not None:
        level = outdoors - np.average(outdoors, weights=weights)
        spread = np.average(departure**2, weights=weights) / (np.average(level**2, weights=weights) + 1e-12)
        alike = level * np.sqrt(spread)
        columns += [alike, _moved(alike, 6)]
    return np.stack(columns, axis=1)


def _moved(values: Floats, steps: int) -> Floats:
    moved = np.zeros_like(values)
    moved[steps:] = values[steps:] - values[:-steps]
    return moved


def _factors(
    features: Floats,
    departure: Floats,
    usable: Flags,
    known: Flags,
    weights: Floats,
    spread: float,
    ahead: int,
) -> Floats:
    rows = np.flatnonzero(usable[:-ahead] & known[ahead:])
    prior = _prior(features.shape[1], ahead / STEPS_PER_H)
    if len(rows) < 2 * DAY_STEPS:
        return prior
    seen, then, weight = features[rows], departure[rows + ahead], weights[rows]
    hold = _PRIOR_ROWS * (ahead / 12.0) ** _PRIOR_GROWTH * spread * np.eye(len(prior))
    trust = weight
    for _ in range(_ROUNDS + 1):
        weighted = seen * trust[:, None]
        factors = np.linalg.solve(weighted.T @ seen + hold, weighted.T @ then + hold @ prior)
        trust = weight * huber(then - seen @ factors)
    return factors


def _prior(size: int, hours: float) -> Floats:
    left = np.exp(-hours / LASTING_H)
    prior = np.zeros(size)
    prior[0] = left
    if size > 4:
        outdoor = _OUTDOOR_PART * (1.0 - np.exp(-hours / _OUTDOOR_DELAY_H))
        prior[0], prior[4] = left * (1.0 - outdoor), left * outdoor
    return prior
