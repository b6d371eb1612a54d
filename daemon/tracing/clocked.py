"""Time under observation: from the wall's clock to hours in which something could have been seen, and back."""

from __future__ import annotations

import numpy as np

from quietbench.daemon.tracing.wiring import Floats


def observed_hours(times_s: Floats, spans: Floats) -> Floats:
    """Return for each time how many hours of the sorted, separate intervals lie before it."""
    if not len(spans):
        return np.zeros(len(times_s))
    length = spans[:, 1] - spans[:, 0]
    before = np.concatenate(([0.0], np.cumsum(length)))
    place = np.searchsorted(spans[:, 0], times_s, side="right") - 1
    inside = np.clip(times_s - spans[np.maximum(place, 0), 0], 0.0, length[np.maximum(place, 0)])
    return np.where(place < 0, 0.0, before[np.maximum(place, 0)] + inside) / 3600


def wall_s(hours: float, spans: Floats) -> float:
    """Return when so many hours of the intervals had passed."""
    if not len(spans):
        return 0.0
    length = spans[:, 1] - spans[:, 0]
    before = np.concatenate(([0.0], np.cumsum(length)))
    place = int(np.clip(np.searchsorted(before, hours * 3600, side="right") - 1, 0, len(length) - 1))
    return float(spans[place, 0] + min(max(hours * 3600 - before[place], 0.0), length[place]))


def total_hours(spans: Floats) -> float:
    """Return how many hours the intervals hold together."""
    return float(np.sum(spans[:, 1] - spans[:, 0])) / 3600 if len(spans) else 0.0
