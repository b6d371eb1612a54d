"""Where a resistance is heading: step before slope, Theil-Sen, Mann-Kendall, and when the limit would be crossed.

Values are taken as logarithms by the caller where resistances span decades. A step (a part was changed, a mat was
cleaned) is looked for before a slope is fitted; after a step only what follows counts. Mann-Kendall here is one-sided
in the direction of the slope at 5 %: drift towards the limit is what is asked, and that is chosen beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from quietbench.daemon.tracing.wiring import Floats

_MOST = 800
_FEWEST = 8
_HORIZON = 50.0  # times the record's own length: further ahead nobody can see


@dataclass(frozen=True, slots=True)
class MannKendall:
    """The statistic S, its variance with ties, Z, and the p values of no trend."""

    s: int
    variance: float
    z: float
    p_one_sided: float
    p_two_sided: float


@dataclass(frozen=True, slots=True)
class Slope:
    """The median of all pairwise slopes with the bounds of a 90 % interval, and the line's height at time 0."""

    slope: float
    low: float
    high: float
    intercept: float


@dataclass(frozen=True, slots=True)
class Drift:
    """What a path's resistance does. ``step_at``: where it jumped (None: nowhere); slope and test follow it.

    ``crossing``: when the limit would be crossed (earliest, expected, latest; infinite: not within this slope).
    """

    step_at: float | None
    step: float
    slope: Slope
    test: MannKendall
    crossing: tuple[float, float, float] | None
    values: int


def mann_kendall(values: Floats) -> MannKendall:
    """Return the Mann-Kendall test with correction for ties and continuity (EPA QA/G-9S, 4.3.4).

    Raises:
        ValueError: fewer than three values.
    """
    n = len(values)
    if n < 3:
        raise ValueError(f"got {n} values, wanted at least three")
    i, j = np.triu_indices(n, 1)
    s = int(np.sign(values[j] - values[i]).sum())
    ties = np.unique(values, return_counts=True)[1]
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    z = (s - np.sign(s)) / np.sqrt(variance) if variance > 0 else 0.0
    return MannKendall(s, variance, float(z), float(ndtr(-abs(z))), float(min(1.0, 2 * ndtr(-abs(z)))))


def theil_sen(at: Floats, values: Floats, confidence: float = 0.9) -> Slope:
    """Return the Theil-Sen slope with Sen's interval.

    Raises:
        ValueError: fewer than two different times.
    """
    i, j = np.triu_indices(len(at), 1)
    apart = at[j] != at[i]
    slopes = np.sort((values[j] - values[i])[apart] / (at[j] - at[i])[apart])
    if not len(slopes):
        raise ValueError("got values of one time only, wanted at least two times")
    middle = float(np.median(slopes))
    spread = np.sqrt(mann_kendall(values).variance) if len(values) > 2 else 0.0
    reach = float(ndtri((1 + confidence) / 2)) * spread
    low = int(np.clip(round((len(slopes) - reach) / 2) - 1, 0, len(slopes) - 1))
    high = int(np.clip(round((len(slopes) + reach) / 2), 0, len(slopes) - 1))
    intercept = float(np.median(values) - middle * np.median(at))
    return Slope(middle, float(slopes[low]), float(slopes[high]), intercept)


def find_step(values: Floats) -> tuple[int, float] | None:
    """Return where one jump explains the values better than a line does (index of the first after it, its height)."""
    n = len(values)
    if n < 2 * _FEWEST:
        return None
    total, square = np.cumsum(values), np.cumsum(values**2)
    k = np.arange(_FEWEST // 2, n - _FEWEST // 2)
    left = square[k - 1] - total[k - 1] ** 2 / k
    right = (square[-1] - square[k - 1]) - (total[-1] - total[k - 1]) ** 2 / (n - k)
    best = int((left + right).argmin())
    at = int(k[best])
    height = float(values[at:].mean() - values[:at].mean())
    x = np.arange(n) - (n - 1) / 2
    line = float(x @ values / (x @ x))
    of_line = float(np.sum((values - values.mean() - line * x) ** 2))
    of_step = float((left + right)[best])
    flat = float(np.sum((values - values.mean()) ** 2))
    # A step's place is a parameter too: 3 against 2; and a change asks for proof, a factor of 10 besides.
    gain = n * (np.log(max(min(of_line, flat), 1e-300)) - np.log(max(of_step, 1e-300)))
    return (at, height) if gain > np.log(n) + 2 * np.log(10) + 4 else None


def drift(at: Floats, values: Floats, limit: float | None, *, upper: bool = True) -> Drift | None:
    """Say what a resistance does from ``at`` on; None where there is too little to tell (fewer than eight values)."""
    if len(values) > _MOST:
        at, values = _thinned(at, values)
    step = find_step(values)
    first, height = step or (0, 0.0)
    since, tail = at[first:], values[first:]
    if len(tail) < _FEWEST or len(np.unique(since)) < 2:
        return None
    slope = theil_sen(since, tail)
    crossing = _crossing(slope, since, tail, limit, upper=upper) if limit is not None else None
    return Drift(float(at[first]) if step else None, height, slope, mann_kendall(tail), crossing, len(tail))


def _thinned(at: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return medians of equal parts: pairs of everything with everything are too many."""
    parts = np.array_split(np.arange(len(values)), _MOST)
    return (
        np.array([float(np.median(at[part])) for part in parts]),
        np.array([float(np.median(values[part])) for part in parts]),
    )


def _crossing(
    slope: Slope, at: Floats, values: Floats, limit: float, *, upper: bool
) -> tuple[float, float, float]:
    """Return when the line meets the limit, and the earliest and latest by the slope's bounds and the level's."""
    middle_at, middle = float(np.median(at)), float(np.median(values))
    now = float(at[-1])
    left = values - middle - slope.slope * (at - middle_at)
    # The standard error of a median is 1.253 sigma / sqrt(n); sigma from the median distance; 1.645 for 90 %.
    level = 1.645 * 1.253 * 1.4826 * float(np.median(np.abs(left))) / np.sqrt(len(values))

    def meets(steepness: float, shift: float) -> float:
        gap = limit - middle - shift
        if (gap <= 0) is upper and gap != 0:
            return now
        if gap * steepness <= 0:
            return float("inf")
        at_limit = max(now, middle_at + gap / steepness)
        return at_limit if at_limit - now < _HORIZON * (now - float(at[0])) else float("inf")

    towards = level if upper else -level
    bounds = (slope.high, slope.low) if upper else (slope.low, slope.high)
    return meets(bounds[0], towards), meets(slope.slope, 0.0), meets(bounds[1], -towards)
