"""How close two openings must follow each other to be one burst, estimated from the data.

Gaps between openings of one channel, on a logarithmic scale: one exponential if they come by themselves, two if
some come in bursts. Two are believed only if they fit clearly better (BIC) and lie a factor of 20 apart; the limit
is where the next opening is as likely to belong as not, and at most a minute: one movement, not one shift.
"""

from __future__ import annotations

import numpy as np

from quietbench.daemon.tracing.coincide import Dropouts
from quietbench.daemon.tracing.wiring import Floats

_LONGEST_S = 60.0
_FEWEST = 12
_APART = 20.0


def burst_gap(dropouts: Dropouts) -> float:
    """Return the gap (s) below which openings are one burst; 0 when nothing speaks for bursts."""
    gaps = _gaps(dropouts)
    if len(gaps) < _FEWEST:
        return 0.0
    edges = np.geomspace(1e-3, max(float(gaps.max()), 1.0) * 1.01, 241)
    middle = np.sqrt(edges[:-1] * edges[1:])
    count = np.histogram(gaps, edges)[0].astype(np.float64)
    share, short, long = _two(middle, count)
    one = _log_likelihood(middle, count, 0.0, 1.0, float(count @ middle / count.sum()))
    two = _log_likelihood(middle, count, share, short, long)
    if 2 * (two - one) < 2 * np.log(count.sum()) + 4 or long < _APART * short or short > _LONGEST_S / 3:
        return 0.0
    even = (np.log(share / (1 - share)) + np.log(long / short)) / (1 / short - 1 / long)
    return float(np.clip(even, 0.0, _LONGEST_S))


def _gaps(dropouts: Dropouts) -> Floats:
    order = np.lexsort((dropouts.start_lo_s, dropouts.channel))
    channel, start = dropouts.channel[order], dropouts.start_lo_s[order]
    end = start + dropouts.short_s[order]
    same = channel[1:] == channel[:-1]
    return np.asarray(np.maximum((start[1:] - end[:-1])[same], 1e-3))


def _two(middle: Floats, count: Floats) -> tuple[float, float, float]:
    """Fit two exponentials by EM; return the share of the short one and both means."""
    share, short, long = 0.3, 2.0, float(np.exp(count @ np.log(middle) / count.sum())) * 5 + 60
    for _ in range(200):
        a = share / short * np.exp(-middle / short)
        b = (1 - share) / long * np.exp(-middle / long)
        mine = count * a / np.maximum(a + b, 1e-300)
        total = mine.sum()
        share = float(np.clip(total / count.sum(), 1e-6, 1 - 1e-6))
        short = float(max(mine @ middle / max(total, 1e-9), 1e-3))
        long = float(max((count - mine) @ middle / max(count.sum() - total, 1e-9), short))
    return share, short, long


def _log_likelihood(middle: Floats, count: Floats, share: float, short: float, long: float) -> float:
    density = share / short * np.exp(-middle / short) + (1 - share) / long * np.exp(-middle / long)
    return float(count @ np.log(np.maximum(density, 1e-300)))
