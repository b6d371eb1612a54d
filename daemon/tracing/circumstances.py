"""Under what circumstances: is the rate another one while something holds?

Each circumstance splits observed time in two. The rates are compared exactly; as many are asked at once, the p
values are held to Holm's correction, so that one look in twenty does not find a culprit by chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.counting import RateRatio, two_rates
from quietbench.daemon.tracing.wiring import Bools, Floats


@dataclass(frozen=True, slots=True)
class Split:
    """Bursts and observed hours while a circumstance held, and while it did not."""

    name: str
    within: int
    within_hours: float
    without: int
    without_hours: float


@dataclass(frozen=True, slots=True)
class Judged:
    """A split with its rate ratio (within over without) and the p value after Holm's correction."""

    split: Split
    ratio: RateRatio
    corrected_p: float

    @property
    def tells(self) -> bool:
        """Get whether the rates differ by more than chance explains (5 % over all questions together)."""
        return self.corrected_p < 0.05


def judge(splits: Sequence[Split], *, dispersion: float = 1.0) -> list[Judged]:
    """Compare the rates of every split that has observed time on both sides."""
    usable = [s for s in splits if s.within_hours > 0 and s.without_hours > 0]
    ratios = [
        two_rates(s.without, s.without_hours, s.within, s.within_hours, dispersion=dispersion) for s in usable
    ]
    corrected = holm([ratio.p for ratio in ratios])
    return [Judged(*one) for one in zip(usable, ratios, corrected, strict=True)]


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p values corrected for their number (Holm 1979): the smallest times n, the next n - 1, and so on."""
    order = np.argsort(p_values)
    raised = np.asarray(p_values)[order] * np.arange(len(p_values), 0, -1)
    out = np.empty(len(p_values))
    out[order] = np.minimum(np.maximum.accumulate(raised), 1.0) if len(p_values) else raised
    return [float(p) for p in out]


def split_by(name: str, at_s: Floats, observed: Floats, holds: Floats) -> Split:
    """Split bursts at ``at_s`` and the ``observed`` intervals by the intervals (s) in which something holds."""
    common = intersection_s(observed, holds)
    total = float(np.sum(observed[:, 1] - observed[:, 0])) if len(observed) else 0.0
    inside = int(inside_any(at_s, holds).sum())
    return Split(name, inside, common / 3600, len(at_s) - inside, max(total - common, 0.0) / 3600)


def inside_any(times_s: Floats, spans: Floats) -> Bools:
    """Say of each time whether it lies in one of the sorted, separate intervals."""
    if not len(spans):
        return np.zeros(len(times_s), dtype=np.bool_)
    place = np.searchsorted(spans[:, 0], times_s, side="right") - 1
    inside: Bools = (place >= 0) & (times_s <= spans[np.maximum(place, 0), 1])
    return inside


def intersection_s(one: Floats, other: Floats) -> float:
    """Return for how long two sets of sorted, separate intervals hold together."""
    if not len(one) or not len(other):
        return 0.0
    edges = np.unique(np.concatenate((one.ravel(), other.ravel())))
    middle = (edges[:-1] + edges[1:]) / 2
    both = inside_any(middle, one) & inside_any(middle, other)
    return float(np.sum(np.diff(edges)[both]))


def hours_of_day(start_s: float, end_s: float, offset_s: float, first: int, last: int) -> Floats:
    """Return the intervals between two times in which the local hour lies in [first, last).

    ``offset_s`` is local time less UTC.
    """
    day = (
        np.arange(np.floor((start_s + offset_s) / 86400) - 1, np.ceil((end_s + offset_s) / 86400) + 1) * 86400
    )
    spans = np.stack((day + first * 3600 - offset_s, day + last * 3600 - offset_s), axis=1)
    clipped = np.clip(spans, start_s, end_s)
    return np.asarray(clipped[clipped[:, 1] > clipped[:, 0]])
