"""One sensor's readings as arrays, put in order; how long each one holds; and averages on a regular grid.

A reading holds until the next one, but no longer than ``hold_s``: what follows is a gap, and a gap is never filled
in silence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.psychrometrics import Floats

__all__ = ["AirSeries", "Grid", "Tidying", "gridded", "tidied"]

_HOLD_OF_STEP = 2.5
_LEAST_HOLD_S = 150.0
_MOST_HOLD_S = 7200.0


@dataclass(frozen=True, slots=True)
class Tidying:
    """What had to be put right: counts of readings."""

    given: int = 0
    unusable: int = 0
    out_of_order: int = 0
    duplicates: int = 0
    conflicting: int = 0
    impossible: int = 0


@dataclass(frozen=True, slots=True)
class AirSeries:
    """A sensor's humidity (0 … 1) and temperature (K) at strictly rising UTC times.

    ``u_humidity`` and ``u_air_k`` are its standard uncertainties; ``u_stated`` says whether they come from the
    configuration or are assumed.
    """

    name: str
    times_s: Floats
    humidity: Floats
    air_k: Floats
    u_humidity: float
    u_air_k: float
    hold_s: float
    u_stated: bool = True
    tidying: Tidying = Tidying()

    def __len__(self) -> int:
        return len(self.times_s)

    def held_s(self) -> Floats:
        """Return how long each reading holds."""
        return np.minimum(np.diff(self.times_s, append=self.times_s[-1:] + self.hold_s), self.hold_s)

    def gaps(self) -> list[tuple[float, float]]:
        """Return (from, until) of every stretch in which nothing is known."""
        until = self.times_s + self.held_s()
        where = np.flatnonzero(until[:-1] < self.times_s[1:] - 1e-6)
        return [(float(until[i]), float(self.times_s[i + 1])) for i in where]

    def since(self, start_s: float) -> AirSeries:
        """Return the part from a time on."""
        keep = self.times_s >= start_s
        return AirSeries(
            self.name,
            self.times_s[keep],
            self.humidity[keep],
            self.air_k[keep],
            self.u_humidity,
            self.u_air_k,
            self.hold_s,
            self.u_stated,
            self.tidying,
        )


@dataclass(frozen=True, slots=True)
class Grid:
    """Averages over steps of ``step_s``; NaN where less than a fifth of a step is known. Stamps are step ends."""

    step_s: float
    ends_s: Floats
    humidity: Floats
    air_k: Floats


def tidied(
    name: str,
    times_s: Floats,
    humidity: Floats,
    air_k: Floats,
    *,
    u_humidity: float,
    u_air_k: float,
    u_stated: bool = True,
    hold_s: float | None = None,
) -> AirSeries:
    """Return readings in order of time, without what can't be: not finite, RH outside 0 … 1, not -90 … 100 °C.

    Of readings with one stamp the first is kept; those that differ from it are counted as conflicting.
    """
    usable = np.isfinite(times_s) & np.isfinite(humidity) & np.isfinite(air_k)
    possible = usable & (humidity >= 0.0) & (humidity <= 1.0) & (air_k > 183.15) & (air_k < 373.15)
    times, rh, air = times_s[possible], humidity[possible], air_k[possible]
    disorder = int(np.sum(np.diff(times) < 0.0))
    if disorder:
        order = np.argsort(times, kind="stable")
        times, rh, air = times[order], rh[order], air[order]
    first = np.diff(times, prepend=-np.inf) > 0.0
    twins = np.flatnonzero(~first)
    conflicts = int(np.sum((rh[twins] != rh[twins - 1]) | (air[twins] != air[twins - 1])))
    tidying = Tidying(
        len(times_s),
        int(np.sum(~usable)),
        disorder,
        len(twins),
        conflicts,
        int(np.sum(usable & ~possible)),
    )
    if len(twins):
        times, rh, air = times[first], rh[first], air[first]
    hold = _hold_s(times) if hold_s is None else hold_s
    return AirSeries(name, times, rh, air, u_humidity, u_air_k, hold, u_stated, tidying)


def gridded(series: AirSeries, step_s: float, start_s: float, end_s: float) -> Grid:
    """Return time-weighted averages on a grid from ``start_s`` to ``end_s`` (moved out to whole steps)."""
    first, count = int(start_s // step_s), max(0, int(-(-end_s // step_s)) - int(start_s // step_s))
    if not len(series) or not count:
        nothing = np.full(count, np.nan)
        return Grid(
            step_s, ((first + 1 + np.arange(count)) * step_s).astype(np.float64), nothing, nothing.copy()
        )
    edges = ((first + np.arange(count + 1)) * step_s).astype(np.float64)
    known = _integral(edges, series, np.ones_like(series.times_s))
    enough = known >= 0.2 * step_s
    with np.errstate(divide="ignore", invalid="ignore"):
        averages = [
            np.where(enough, _integral(edges, series, values) / known, np.nan)
            for values in (series.humidity, series.air_k)
        ]
    return Grid(step_s, edges[1:], averages[0], averages[1])


def _integral(edges: Floats, series: AirSeries, values: Floats) -> Floats:
    """Return the integral of a series of held values between successive edges."""
    held = series.held_s()
    sums = np.concatenate(([0.0], np.cumsum(values * held)))
    place = np.searchsorted(series.times_s, edges, side="right") - 1
    inside = place >= 0
    here = np.maximum(place, 0)
    part = np.minimum(edges - series.times_s[here], held[here]) * values[here]
    return np.diff(np.where(inside, sums[here] + part, 0.0))


def _hold_s(times: NDArray[np.float64]) -> float:
    if len(times) < 2:
        return _LEAST_HOLD_S
    return float(np.clip(_HOLD_OF_STEP * np.median(np.diff(times)), _LEAST_HOLD_S, _MOST_HOLD_S))
