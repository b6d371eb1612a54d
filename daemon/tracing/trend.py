"""Since when, and is it getting worse: trend tests, a power-law process and a change point, on observed time.

All take the times of bursts in hours of observation, from 0 to ``total_hours``: time in which nobody could have
seen anything does not count. A rising rate of an intermittent contact is wear; the power law (MIL-HDBK-189C,
IEC 61164) gives rate = lambda beta t^(beta - 1), beta above 1 for worse, growth exponent 1 - beta.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv, gammaln, ndtr

from quietbench.daemon.tracing.wiring import Floats

_STEPS = 400
_CHANGE = 0.1  # believed chance that a rate changed at all; own choice


@dataclass(frozen=True, slots=True)
class Laplace:
    """The Laplace statistic (standard normal without trend; above 0: more and more often) and its two-sided p."""

    u: float
    p: float


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Shape beta with the bounds of its 90 % interval, the scale lambda, and the rate at the end (bursts an hour)."""

    beta: float
    low: float
    high: float
    scale: float
    now_each_hour: float

    @property
    def growth(self) -> float:
        """Get the growth exponent 1 - beta: above 0 it gets better, below 0 worse."""
        return 1.0 - self.beta


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """When the rate changed (hours; 90 % interval), the chance that it did, and the rates before and after."""

    at_hours: float
    low_hours: float
    high_hours: float
    chance: float
    before_each_hour: float
    after_each_hour: float


def laplace(at_hours: Floats, total_hours: float) -> Laplace:
    """Return the Laplace test (time-terminated); needs three bursts to say anything.

    Raises:
        ValueError: fewer than one burst.
    """
    n = len(at_hours)
    if n < 1:
        raise ValueError("got no burst, wanted at least one: a trend needs something to follow")
    u = float((at_hours.mean() - total_hours / 2) / (total_hours * np.sqrt(1 / (12 * n))))
    return Laplace(u, float(2 * ndtr(-abs(u))))


def power_law(at_hours: Floats, total_hours: float, confidence: float = 0.9) -> PowerLaw:
    """Fit a power-law process by maximum likelihood (time-terminated): beta = n / sum ln(T / t).

    2 n beta / beta_hat is chi-square with 2 n degrees of freedom, which gives the exact interval.

    Raises:
        ValueError: fewer than two bursts.
    """
    n = len(at_hours)
    if n < 2:
        raise ValueError(f"got {n} bursts, wanted at least two for a growth exponent")
    beta = float(n / np.log(total_hours / np.maximum(at_hours, total_hours * 1e-9)).sum())
    tail = (1 - confidence) / 2
    low, high = (beta * float(gammaincinv(n, q)) / n for q in (tail, 1 - tail))
    return PowerLaw(beta, low, high, n / total_hours**beta, beta * n / total_hours)


def change_point(at_hours: Floats, total_hours: float) -> ChangePoint:
    """Weigh one change of the rate, at any time, against none: Gamma rates before and after, integrated out.

    Raises:
        ValueError: fewer than two bursts.
    """
    n = len(at_hours)
    if n < 2:
        raise ValueError(f"got {n} bursts, wanted at least two to see a change")
    edge = np.linspace(0, total_hours, _STEPS + 2)[1:-1]
    before = np.searchsorted(np.sort(at_hours), edge).astype(np.float64)
    # Unit information: both rates believed beforehand to be around the mean one, worth one burst.
    hours = total_hours / n
    one = float(_log_marginal(n, total_hours, hours))
    each = _log_marginal(before, edge, hours) + _log_marginal(n - before, total_hours - edge, hours)
    best = float(each.max())
    share = np.exp(each - best)
    factor = np.exp(np.clip(best - one, -50, 50)) * share.mean() * _CHANGE / (1 - _CHANGE)
    share /= share.sum()
    at = np.cumsum(share)
    low, middle, high = (float(edge[min(int(np.searchsorted(at, q)), _STEPS - 1)]) for q in (0.05, 0.5, 0.95))
    first = int(np.searchsorted(np.sort(at_hours), middle))
    return ChangePoint(
        middle,
        low,
        high,
        float(factor / (1 + factor)),
        first / middle,
        (n - first) / (total_hours - middle),
    )


def _log_marginal(count: Floats | float, hours: Floats | float, believed_hours: float) -> Floats:
    return np.asarray(
        gammaln(1.0 + count) + np.log(believed_hours) - (1.0 + count) * np.log(believed_hours + hours)
    )
