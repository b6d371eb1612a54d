"""Whether a row of counts rises or falls: the test of Mann and Kendall, with ties.

S, its variance and Z as in EPA QA/G-9S, chapter 4 (Mann, Econometrica 13, 1945; Kendall, Rank Correlation Methods),
with the continuity correction. Judged two-sided at 5 %: nobody knows beforehand which way a row will go.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

__all__ = ["LEVEL", "SHORTEST", "Trend", "mann_kendall"]

LEVEL = 0.05
SHORTEST = 10
"""With fewer values the normal approximation says little."""


@dataclass(frozen=True, slots=True)
class Trend:
    """The statistic S, its variance, Z, and the two-sided probability of such a row without a trend."""

    s: int
    variance: float
    z: float
    probability: float

    @property
    def word(self) -> str:
        """Get "rising", "falling" or "no trend shown"."""
        if self.probability >= LEVEL:
            return "no trend shown"
        return "rising" if self.s > 0 else "falling"


def mann_kendall(values: Sequence[float]) -> Trend | None:
    """Return the trend of a row in its order, or None where it has fewer than `SHORTEST` values."""
    n = len(values)
    if n < SHORTEST:
        return None
    s = sum(
        (later > earlier) - (later < earlier)
        for place, earlier in enumerate(values)
        for later in values[place + 1 :]
    )
    ties = sum(t * (t - 1) * (2 * t + 5) for t in Counter(values).values())
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18.0
    z = 0.0 if s == 0 or variance == 0.0 else (s - math.copysign(1.0, s)) / math.sqrt(variance)
    return Trend(s, variance, z, 2.0 * NormalDist().cdf(-abs(z)))
