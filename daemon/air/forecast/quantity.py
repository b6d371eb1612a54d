"""One quantity's forecast: rhythm, the size of departures by hour of day, and memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.forecast.memory import DAY_STEPS, HORIZON_STEPS, Memory, remembered
from quietbench.daemon.air.forecast.rhythm import Clock, rhythm
from quietbench.daemon.air.psychrometrics import Floats

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

HALF_LIFE_DAYS = 40.0
_BRIDGED_STEPS = 6
_SIZE_POWER = 0.9


@dataclass(frozen=True, slots=True)
class Fitted:
    """A quantity fitted to its history of ``steps`` steps.

    ``ahead`` is the rhythm over the horizon, ``sizes`` how large departures are there; ``departure`` is the
    history's, by its size, and 0 where ``known`` is False.
    """

    ahead: Floats
    sizes: Floats
    departure: Floats
    known: Flags
    memory: Memory

    def paths(self, rows: Ints, spread: Floats) -> Floats:
        """Return paths (rows × horizons): what is expected from now, with the errors made at past steps ``rows``.

        ``spread`` widens the errors, by horizon.
        """
        now = self.memory.expected(np.array([len(self.departure) - 1]))
        then = rows[:, None] + np.arange(1, HORIZON_STEPS + 1)[None, :]
        errors = self.departure[then] - self.memory.expected(rows)
        paths: Floats = self.ahead + self.sizes * (now + errors * spread)
        return paths

    def expected(self) -> Floats:
        """Return the expected course."""
        now = self.memory.expected(np.array([len(self.departure) - 1]))[0]
        course: Floats = self.ahead + self.sizes * now
        return course


def fitted(values: Floats, clock: Clock, outdoors: Floats | None) -> Fitted:
    """Fit a history (NaN: not known), whose ``clock`` goes on over the horizon. The last value must be known."""
    count = len(values)
    known = np.isfinite(values)
    weights = 0.5 ** (np.arange(count - 1, -1, -1) / DAY_STEPS / HALF_LIFE_DAYS)
    regular = rhythm(np.where(known, values, 0.0), known, weights, clock, float(known.sum()) / DAY_STEPS)
    departure = np.where(known, values - regular[:count], np.nan)
    sizes = _sizes(departure, weights, clock)
    departure, known = _bridged(departure / sizes[:count])
    memory = remembered(departure, known, weights, outdoors)
    return Fitted(regular[count:], sizes[count:], departure, known, memory)


def _sizes(departure: Floats, weights: Floats, clock: Clock) -> Floats:
    """Return the usual size of a departure by hour of day, relative to that of the day."""
    slot = np.rint(clock.hour * DAY_STEPS / 24.0).astype(np.int64) % DAY_STEPS
    here = np.isfinite(departure)
    slots = slot[: len(departure)][here]
    weight = np.bincount(slots, weights[here], DAY_STEPS)
    square = np.bincount(slots, weights[here] * departure[here] ** 2, DAY_STEPS)
    mean = square.sum() / weight.sum()
    if mean <= 0.0:
        return np.ones(len(clock.hour))
    variance = (square + mean) / (weight + 1.0)  # held towards the day's mean where little is known
    smooth = np.convolve(
        np.concatenate((variance[-3:], variance, variance[:3])), np.full(7, 1.0 / 7.0), "valid"
    )
    size = np.sqrt(smooth / smooth.mean()) ** _SIZE_POWER
    return size[slot]  # type: ignore[no-any-return]


def _bridged(departure: Floats) -> tuple[Floats, Flags]:
    """Fill gaps up to three hours by straight lines and the rest with 0; return what then counts as known."""
    known = np.isfinite(departure)
    where = np.flatnonzero(known)
    place = np.arange(len(departure))
    after = np.searchsorted(where, place, side="left")
    before = np.searchsorted(where, place, side="right") - 1
    inside = (before >= 0) & (after < len(where))
    width = np.where(inside, where[np.minimum(after, len(where) - 1)] - where[np.maximum(before, 0)], 10**9)
    near = known | (width <= _BRIDGED_STEPS + 1)
    return np.where(near, np.interp(place, where, departure[where]), 0.0), near
