"""Makes the forecast of one room: paths of vapour pressure and temperature, and of humidity and dew point from both.

Paths carry the errors that the same method made from past steps like the present one: at about the same hour of day,
with departures of about the same size. So they have the season's own spread and its own way to wander, and from them
first passages can be told, which a pointwise fan can't.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.forecast.memory import DAY_STEPS, HORIZON_STEPS, STEPS_PER_H
from quietbench.daemon.air.forecast.quantity import Fitted, fitted
from quietbench.daemon.air.forecast.rhythm import Clock
from quietbench.daemon.air.local_time import hour_of_day, local_s, weekday
from quietbench.daemon.air.psychrometrics import Floats, dew_point_k, saturation_pa
from quietbench.daemon.air.series import Grid

__all__ = ["HISTORY_DAYS", "STEP_S", "Forecast", "forecast"]

Ints = NDArray[np.int64]

STEP_S = 3600.0 / STEPS_PER_H
HISTORY_DAYS = 56
LEAST_DAYS = 3.0
_PATHS = 320
_LEAST_PATHS = 24
_NEAR_HOURS = 2.5
_MOST_SILENT_STEPS = 4

SPREAD = (1.12, 1.18)
"""Errors inside the history are smaller than those to come, the more the further: widened from the first to this
last horizon. Set once on seasons that no score uses."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Paths (paths × steps) over 48 h; ``ends_s`` are step ends in UTC seconds. Humidity 0 … 1, kelvin.

    ``method`` is "rhythm" or "persistence" (less than three days of history), ``days`` the known history used.
    """

    made_s: float
    ends_s: Floats
    humidity: Floats
    dew_k: Floats
    air_k: Floats
    method: str
    days: float
    outdoors: bool

    def quantiles(self, of: Floats, shares: tuple[float, ...] = (0.1, 0.5, 0.9)) -> Floats:
        """Return pointwise quantiles (shares × steps) of paths."""
        return np.quantile(of, shares, axis=0)


def forecast(grid: Grid, zone: str, outdoor_vapour_pa: Floats | None = None) -> Forecast | None:
    """Forecast from the end of a grid of `STEP_S`; None when the last two hours are not known.

    ``outdoor_vapour_pa`` is on the grid's steps; it is used while it is known at the end.
    """
    grid, outdoors = _usable(grid, outdoor_vapour_pa)
    if not len(grid.ends_s):
        return None
    ends = grid.ends_s[-1] + STEP_S * np.arange(1, HORIZON_STEPS + 1)
    vapour = grid.humidity * saturation_pa(grid.air_k)
    days = float(np.isfinite(vapour).sum()) / DAY_STEPS
    if days < LEAST_DAYS:
        return _persistence(grid, vapour, ends, days)
    local = local_s(np.concatenate((grid.ends_s, ends)) - STEP_S / 2.0, zone)
    clock = Clock(hour_of_day(local), (weekday(local) < 5).astype(np.float64))
    moist, warm = fitted(vapour, clock, outdoors), fitted(grid.air_k, clock, None)
    rows = _alike(moist, warm, clock)
    if len(rows) < _LEAST_PATHS:
        return _persistence(grid, vapour, ends, days)
    spread = np.linspace(*SPREAD, HORIZON_STEPS)
    vapour_paths = np.maximum(moist.paths(rows, spread), 1.0)
    return _made(grid, ends, vapour_paths, warm.paths(rows, spread), "rhythm", days, outdoors is not None)


def _made(
    grid: Grid, ends: Floats, vapour: Floats, air_k: Floats, method: str, days: float, outdoors: bool
) -> Forecast:
    humidity = np.minimum(vapour / saturation_pa(air_k), 1.0)
    dew = dew_point_k(humidity * saturation_pa(air_k))
    return Forecast(float(grid.ends_s[-1]), ends, humidity, dew, air_k, method, days, outdoors)


def _usable(grid: Grid, outdoors: Floats | None) -> tuple[Grid, Floats | None]:
    known = np.flatnonzero(np.isfinite(grid.humidity))
    if not len(known) or known[-1] < len(grid.humidity) - 1 - _MOST_SILENT_STEPS:
        return Grid(grid.step_s, grid.ends_s[:0], grid.humidity[:0], grid.air_k[:0]), None
    last = known[-1] + 1
    first = max(int(known[0]), last - HISTORY_DAYS * DAY_STEPS)
    part = slice(first, last)
    cut = Grid(grid.step_s, grid.ends_s[part], grid.humidity[part], grid.air_k[part])
    return cut, _filled(outdoors[part]) if outdoors is not None else None


def _filled(outdoors: Floats) -> Floats | None:
    """Return the outdoor series with its gaps bridged; None when too little of it, or not its end, is known."""
    known = np.flatnonzero(np.isfinite(outdoors))
    if len(known) < 0.8 * len(outdoors) or known[-1] < len(outdoors) - 1 - _MOST_SILENT_STEPS:
        return None
    return np.interp(np.arange(len(outdoors)), known, outdoors[known])


def _alike(moist: Fitted, warm: Fitted, clock: Clock) -> Ints:
    """Return the past steps that are most like the last one and whose whole horizon is known."""
    last = len(moist.departure) - 1
    rows: Ints = np.arange(DAY_STEPS // 2, max(DAY_STEPS // 2, last - HORIZON_STEPS + 1))
    away = np.abs((clock.hour[rows] - clock.hour[last] + 12.0) % 24.0 - 12.0)
    rows = rows[away <= _NEAR_HOURS]
    if not len(rows):
        return rows
    unknown = np.concatenate(([0], np.cumsum(~(moist.known & warm.known))))
    whole = unknown[rows + HORIZON_STEPS + 1] - unknown[rows] <= HORIZON_STEPS // 10
    rows = rows[whole]
    tomorrow = clock.working[np.minimum(rows + DAY_STEPS, len(clock.working) - 1)]
    distance = 0.5 * (tomorrow != clock.working[last + DAY_STEPS])
    for one, weight in ((moist, 1.0), (warm, 0.3)):
        usual = float(np.median(np.abs(one.departure))) + 1e-12
        distance = distance + weight * np.abs(one.departure[rows] - one.departure[last]) / usual
    nearest: Ints = rows[np.argsort(distance, kind="stable")[:_PATHS]]
    return nearest


def _persistence(grid: Grid, vapour: Floats, ends: Floats, days: float) -> Forecast:
    """Return paths that wander about the last value, for want of history, with a spread of 15 % of vapour, 1.2 K."""
    chance = np.random.default_rng(20310310)
    hours = np.arange(1, HORIZON_STEPS + 1) / STEPS_PER_H
    grown = np.sqrt(1.0 - np.exp(-hours / 24.0))
    wandering = np.cumsum(chance.standard_normal((2, _PATHS, HORIZON_STEPS)), axis=2)
    wandering *= grown / np.sqrt(np.arange(1, HORIZON_STEPS + 1))
    vapour_paths = vapour[-1] * np.exp(0.15 * wandering[0])
    return _made(grid, ends, vapour_paths, grid.air_k[-1] + 1.2 * wandering[1], "persistence", days, False)
