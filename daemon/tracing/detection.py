"""How likely a channel shows an opening, by how long it lasts.

A channel polled every T sees an opening of length d with probability min(1, d/T) when the phase is free; if it must
see it for a time h as well, with min(1, (d - h)/T). The RC of the path hides the first ``delay_s`` (t = RC ln(V0/V)).
An edge input (T = 0) sees all that last longer than both.
"""

from __future__ import annotations

import numpy as np

from quietbench.daemon.tracing.wiring import Floats, Seeing

SUREST, LEAST = 0.99, 1e-4
"""Nothing is seen with more certainty (grouping may fail too), and nothing is quite impossible."""

_STEP = 1.6
_LONGEST_S = 60.0


def chance_of_seeing(seeing: Seeing, durations_s: Floats) -> Floats:
    """Return a matrix, channels by durations, of the chance that an opening so long is seen."""
    left = durations_s[None, :] - (seeing.debounce_s + seeing.delay_s)[:, None]
    every = np.maximum(seeing.every_s, 1e-9)[:, None]
    return np.clip(left / every, LEAST, SUREST)


def shortest_seen(seeing: Seeing) -> float:
    """Return the shortest duration (s) that the quickest channel sees at least every second time; 1 ms at least."""
    if not len(seeing.every_s):
        return 1e-3
    return max(1e-3, float(np.min(seeing.debounce_s + seeing.delay_s + 0.5 * seeing.every_s)))


def duration_grid(shortest_s: float) -> tuple[Floats, Floats]:
    """Return edges (n + 1) and middles (n) of duration classes from ``shortest_s`` to a minute, a factor 1.6 each."""
    count = max(2, int(np.ceil(np.log(_LONGEST_S / shortest_s) / np.log(_STEP))))
    edges = np.asarray(shortest_s * _STEP ** np.arange(count + 1), dtype=np.float64)
    return edges, np.sqrt(edges[:-1] * edges[1:])


def prior_durations(edges_s: Floats) -> Floats:
    """Return the shares of the duration classes believed beforehand: log-normal around 0.2 s."""
    from scipy.special import ndtr

    below = ndtr(np.log(edges_s / 0.2) / 1.2)
    share = np.diff(below) + 1e-6
    return np.asarray(share / share.sum())
