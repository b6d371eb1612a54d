"""From weighed guesses to what is told: rates with 90 % intervals, the chance of a fault and of being the worst."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.gibbs import draw_rates
from quietbench.daemon.tracing.prior import Prior
from quietbench.daemon.tracing.search import Found
from quietbench.daemon.tracing.wiring import Bools, Floats, Ints


@dataclass(frozen=True, slots=True)
class SetPosterior:
    """By set: mean rate and bounds (bursts an hour, 5 % and 95 %), chance of a fault, chance of being the worst.

    ``nothing`` is the chance that no set has a fault; with all of ``worst`` it adds to 1.
    """

    mean: Floats
    low: Floats
    high: Floats
    fault: Floats
    worst: Floats
    nothing: float
    order: Ints


def posterior_of(found: Found, prior: Prior) -> SetPosterior:
    """Draw from the weighed guesses and summarise by set."""
    drawn = draw_rates(found, prior)
    worst = _worst(drawn.rate, drawn.faulty)
    low, high = np.quantile(drawn.rate, (0.05, 0.95), axis=0)
    fault = found.weight @ found.fits.faulty
    mean = drawn.rate.mean(axis=0)
    nothing = max(0.0, 1.0 - float(worst.sum()))
    return SetPosterior(mean, low, high, fault, worst, nothing, _order(fault, worst, mean))


def _worst(rate: Floats, faulty: Bools) -> Floats:
    """Return by set how often it is the faulty one with the highest rate."""
    if not rate.shape[1]:
        return np.zeros(0)
    highest = np.where(faulty, rate, -1.0)
    best = highest.argmax(axis=1)
    real = highest[np.arange(len(best)), best] >= 0
    return np.bincount(best[real], minlength=rate.shape[1]) / len(best)


def _order(fault: Floats, worst: Floats, mean: Floats) -> Ints:
    """Return sets by their chance of a fault; those equal to a thousandth by rate."""
    return np.lexsort((-mean, -worst, -np.round(fault, 3)))


def shares_within(fault_chance: Floats, members: tuple[int, ...]) -> Floats:
    """Return how a set's fault falls to its stretches: by what kinds of part they are, for nothing else tells."""
    odds = fault_chance[list(members)] / (1 - fault_chance[list(members)])
    return np.asarray(odds / odds.sum())
