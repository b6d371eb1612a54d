"""How often: exact intervals for counted bursts, whether Poisson may be believed, and two rates against each other.

Exact (Garwood 1936) limits of a Poisson mean: the Gamma quantiles of k and k + 1, the same as the chi-square form.
Where bursts cluster more than Poisson allows, every interval is that of k / phi events (phi: variance over mean).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, betaincinv, chdtrc, gammainccinv, gammaincinv

from quietbench.daemon.tracing.wiring import Floats

_FEWEST_WINDOWS = 5


@dataclass(frozen=True, slots=True)
class Rate:
    """Bursts an hour with the bounds of an interval of ``confidence``."""

    bursts: int
    hours: float
    each_hour: float
    low: float
    high: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Variance over mean of counts in windows of equal observed time, and the chance of so much by Poisson alone."""

    index: float
    windows: int
    p: float

    @property
    def factor(self) -> float:
        """Get what widens the intervals: 1 while Poisson may be believed (p of 5 % or more, or too few windows)."""
        return max(self.index, 1.0) if self.p < 0.05 else 1.0


@dataclass(frozen=True, slots=True)
class RateRatio:
    """The second rate over the first, with the bounds of a 95 % interval, and the two-sided p of no difference."""

    ratio: float
    low: float
    high: float
    p: float


def poisson_interval(count: float, confidence: float = 0.9) -> tuple[float, float]:
    """Return the exact limits of a Poisson mean; the lower one is 0 for no event. Fractions of events are allowed.

    Raises:
        ValueError: a negative count, or a confidence outside 0 to 1.
    """
    if count < 0 or not 0 < confidence < 1:
        raise ValueError(
            f"got count {count}, confidence {confidence}; wanted a count of 0 or more, 0 < confidence < 1"
        )
    tail = (1 - confidence) / 2
    low = float(gammaincinv(count, tail)) if count > 0 else 0.0
    return low, float(gammainccinv(count + 1, tail))


def rate(bursts: int, hours: float, *, dispersion: float = 1.0, confidence: float = 0.9) -> Rate:
    """Return the rate with its interval, widened by the dispersion.

    Raises:
        ValueError: no observed time.
    """
    if hours <= 0:
        raise ValueError(f"got {hours} observed hours, wanted more than 0: without them there is no rate")
    low, high = poisson_interval(bursts / dispersion, confidence)
    return Rate(
        bursts, hours, bursts / hours, low * dispersion / hours, high * dispersion / hours, confidence
    )


def mtbf_factors(failures: int, confidence: float = 0.8) -> tuple[float, float]:
    """Return what the estimate T/r is multiplied with for the limits of the mean time between (time-terminated).

    NIST/SEMATECH e-Handbook 8.4.5.1. For no failure: what T itself is multiplied with, one-sided, and infinity.
    """
    if failures == 0:
        return 1.0 / float(gammainccinv(1.0, 1 - confidence)), float("inf")
    low, high = poisson_interval(failures, confidence)
    return failures / high, failures / low


def dispersion(at_hours: Floats, total_hours: float) -> Dispersion:
    """Test whether bursts come as by Poisson: counts in equal windows of observed time, about four in each."""
    windows = int(min(50, len(at_hours) // 4))
    if windows < _FEWEST_WINDOWS or total_hours <= 0:
        return Dispersion(1.0, windows, 1.0)
    counts = np.histogram(at_hours, windows, (0.0, total_hours))[0]
    excess = float(((counts - counts.mean()) ** 2).sum() / counts.mean())
    return Dispersion(excess / (windows - 1), windows, float(chdtrc(windows - 1, excess)))


def two_rates(
    first: int, first_hours: float, second: int, second_hours: float, *, dispersion: float = 1.0
) -> RateRatio:
    """Compare two rates by the conditional binomial test; the interval is Clopper and Pearson's.

    Given all n events, those of the second time are binomial with share rho t2 / (t1 + rho t2), rho the ratio.
    """
    if first_hours <= 0 or second_hours <= 0:
        raise ValueError(f"got {first_hours} and {second_hours} hours, wanted observed time in both")
    n, k = (first + second) / dispersion, second / dispersion
    if n == 0:
        return RateRatio(float("nan"), 0.0, float("inf"), 1.0)
    share = second_hours / (first_hours + second_hours)
    scale = first_hours / second_hours
    low, high = (_odds(x) * scale for x in clopper_pearson(k, n, 0.95))
    ratio = (second / second_hours) / (first / first_hours) if first else float("inf")
    return RateRatio(ratio, low, high, _two_sided(k, n, share))


def clopper_pearson(k: float, n: float, confidence: float) -> tuple[float, float]:
    """Return exact limits of a binomial share; ``k`` of ``n``, fractions allowed."""
    tail = (1 - confidence) / 2
    low = float(betaincinv(k, n - k + 1, tail)) if k > 0 else 0.0
    high = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return low, high


def _odds(share: float) -> float:
    return share / (1 - share) if share < 1 else float("inf")


def _two_sided(k: float, n: float, share: float) -> float:
    """Return the exact two-sided p; whole counts by all outcomes as unlikely, fractions by twice the smaller tail."""
    if k == round(k) and n == round(n) and n <= 10_000:
        from scipy.special import gammaln, xlogy

        i = np.arange(int(n) + 1)
        log = gammaln(n + 1) - gammaln(i + 1) - gammaln(n - i + 1) + xlogy(i, share) + xlogy(n - i, 1 - share)
        chance = np.exp(log)
        return float(min(1.0, chance[chance <= chance[int(k)] * (1 + 1e-7)].sum()))
    below = 1.0 - float(betainc(k + 1, n - k, share)) if k < n else 1.0
    above = float(betainc(k, n - k + 1, share)) if k > 0 else 1.0
    return min(1.0, 2 * min(below, above))
