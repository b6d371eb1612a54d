"""Do two sensors agree? Compared on vapour pressure, which a corner's warmth does not change.

E_n = difference / (k times its standard uncertainty), k = 2 (ISO 13528, ISO/IEC 17043): up to 1 they agree. Who
is off, if anybody can say, is for `quietbench.daemon.air.witnesses`. Solvent or flux vapour, and a shared
draught, can shift both alike and are not seen here.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.psychrometrics import U_FORMULA, Floats, humidity_slope_per_k, saturation_pa
from quietbench.daemon.air.series import AirSeries, gridded

__all__ = ["Drift", "Pairing", "SensorState", "drift_of", "pairings", "sensor_state"]

COVERAGE = 2.0
_STEP_S = 1800.0
_HOUR_STEPS = 2
_DAY_STEPS = 48
_MONTH_DAYS = 30.44

_LEAST_DAYS = 14
_RATE_ALARM = 0.004  # 1/month of humidity: below this nobody would act
_LEAST_LAG_S = 600.0  # a third of a step: below, averages of half an hour do not tell
_LEAST_SHARE, _LEAST_FIT = 0.05, 0.6
_TEST = 3.5  # standard errors of the slope, those widened for days that resemble each other


@dataclass(frozen=True, slots=True)
class Drift:
    """A robust slope of the difference a minus b: humidity (0 … 1) per month, its standard error, and a verdict."""

    per_month: float
    u_per_month: float
    days: int
    found: bool


@dataclass(frozen=True, slots=True)
class Pairing:
    """Two sensors compared. Differences are first minus second.

    ``difference_pa`` is the median of vapour pressure with standard uncertainty ``u_pa``; ``humidity`` the same as
    humidity at the room's temperature (0 … 1); ``raw_humidity`` what their displays differ by, which means little.
    ``gap_k`` is the median difference of temperature, ``lag_s`` by how much the first follows the second (negative:
    leads), None when too few steps tell.
    """

    first: str
    second: str
    hours: float
    difference_pa: float
    u_pa: float
    e_n: float
    humidity: float
    raw_humidity: float
    gap_k: float
    drift: Drift | None
    lag_s: float | None

    @property
    def agree(self) -> bool:
        """Get whether they agree within their uncertainties and do not drift apart."""
        return abs(self.e_n) <= 1.0 and not (self.drift is not None and self.drift.found)


@dataclass(frozen=True, slots=True)
class SensorState:
    """What one sensor shows by itself: hours since it last moved, and readings that can't be."""

    name: str
    still_h: float
    stuck: bool
    impossible: int
    saturated_h: float


def pairings(sensors: list[AirSeries]) -> list[Pairing]:
    """Compare every two sensors over the time that they share; pairs that share less than six hours are left out."""
    found = (_pairing(first, second) for first, second in combinations(sensors, 2))
    return [pairing for pairing in found if pairing is not None]


def _pairing(first: AirSeries, second: AirSeries) -> Pairing | None:
    start, end = max(first.times_s[0], second.times_s[0]), min(first.times_s[-1], second.times_s[-1])
    a, b = gridded(first, _STEP_S, start, end), gridded(second, _STEP_S, start, end)
    both = np.isfinite(a.humidity) & np.isfinite(b.humidity)
    if both.sum() < 6 * _HOUR_STEPS:
        return None
    vapour_a, vapour_b = (grid.humidity * saturation_pa(grid.air_k) for grid in (a, b))
    # As humidity at the second sensor's element: an offset of a sensor then stays one at every humidity.
    apart = np.where(both, (vapour_a - vapour_b) / saturation_pa(b.air_k), np.nan)
    level = float(np.nanmedian((vapour_a + vapour_b) / 2.0))
    room_k = float(np.nanmedian((a.air_k + b.air_k) / 2.0))
    difference = float(np.nanmedian((vapour_a - vapour_b)[both]))
    u = float(np.hypot(_u_vapour(first, a.humidity, a.air_k), _u_vapour(second, b.humidity, b.air_k)))
    # Two sensors share the formula, so only what their temperatures' difference makes of it is left.
    u = float(np.hypot(u, 0.1 * U_FORMULA * level))
    return Pairing(
        first.name,
        second.name,
        float(both.sum()) / _HOUR_STEPS,
        difference,
        u,
        difference / (COVERAGE * u) if u > 0.0 else 0.0,
        difference / float(saturation_pa(room_k)),
        float(np.nanmedian((a.humidity - b.humidity)[both])),
        float(np.nanmedian((a.air_k - b.air_k)[both])),
        drift_of(apart, a.air_k - b.air_k, b.humidity),
        _lag_s(vapour_a, vapour_b, both),
    )


def _u_vapour(series: AirSeries, humidity: Floats, air_k: Floats) -> float:
    """Return the standard uncertainty of a sensor's vapour pressure: element temperature, so no gap enters."""
    known = np.isfinite(humidity)
    saturation = saturation_pa(air_k[known])
    thermal = humidity[known] * saturation * humidity_slope_per_k(air_k[known]) * series.u_air_k
    return float(np.median(np.hypot(saturation * series.u_humidity, thermal)))


def drift_of(difference: Floats, gap_k: Floats, level: Floats) -> Drift | None:
    """Return the drift of a difference (as humidity) on half-hours, None from less than two weeks.

    Daily medians, of the half-hours in which the two temperatures differ as they usually do (a sensor in the sun or
    just moved is no witness). What goes with the ``level`` of the humidity (a wrong gain, a wrong temperature) is
    taken out first: weather is no drift. Slope by Theil and Sen; its standard error from the residuals, widened for
    days that resemble each other by the lag-one correlation of the residuals.
    """
    days, values, levels = _daily(difference, gap_k, level)
    if len(days) < _LEAST_DAYS:
        return None
    design = np.stack([np.ones_like(days), days - days.mean(), levels - levels.mean()], axis=1)
    fit = np.linalg.lstsq(design, values, rcond=None)[0]
    values = values - fit[2] * design[:, 2]
    slope = _theil_sen(days, values)
    left = values - slope * days
    left -= np.median(left)
    spread = 1.4826 * float(np.median(np.abs(left))) + 1e-9
    alike = float(np.clip(np.corrcoef(left[:-1], left[1:])[0, 1] if left.std() > 1e-12 else 0.0, 0.0, 0.9))
    widened = spread * np.sqrt((1.0 + alike) / (1.0 - alike))
    # The days' own spread, less what goes with the level: that part can't tell a trend from weather.
    shared = np.corrcoef(design[:, 1], design[:, 2])[0, 1] if levels.std() > 1e-12 else 0.0
    own = ((days - days.mean()) ** 2).sum() * max(1.0 - shared**2, 0.05)
    u = float(widened / np.sqrt(own))
    found = abs(slope) > _TEST * u and abs(slope) * _MONTH_DAYS > _RATE_ALARM
    return Drift(slope * _MONTH_DAYS, u * _MONTH_DAYS, len(days), bool(found))


def _daily(difference: Floats, gap_k: Floats, level: Floats) -> tuple[Floats, Floats, Floats]:
    """Return days with their medians of difference and level, from the calm half-hours."""
    away = np.abs(gap_k - np.nanmedian(gap_k))
    calm = np.isfinite(difference) & (away <= max(0.5, 3.0 * float(np.nanmedian(away))))
    day = np.arange(len(difference)) // _DAY_STEPS
    enough = [d for d in np.unique(day[calm]) if (calm & (day == d)).sum() >= _DAY_STEPS // 6]
    rows = [
        (d, np.median(difference[calm & (day == d)]), np.median(level[calm & (day == d)])) for d in enough
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _theil_sen(x: Floats, y: Floats) -> float:
    # At most a year of days: 66,000 pairs.
    first, second = np.triu_indices(len(x), 1)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def _lag_s(a: Floats, b: Floats, both: NDArray[np.bool_]) -> float | None:
    """Return by how much ``a`` follows ``b``: moves of a against moves of b and the move b had still to make.

    A first-order lag tau against an instant sensor makes da/dt = (b - a) / tau; from steps that both see.
    """
    steady = both[1:] & both[:-1]
    moves_b = np.diff(b)[steady]
    large = np.abs(moves_b) > 3.0 * np.median(np.abs(moves_b)) + 1e-9
    if large.sum() < 10:
        return None
    (forward, fits), (backward, fits_back) = _one_lag(a, b, steady), _one_lag(b, a, steady)
    lag, fit = (forward, fits) if fits >= fits_back else (-backward, fits_back)
    return lag if abs(lag) >= _LEAST_LAG_S and fit > _LEAST_FIT else 0.0


def _one_lag(slow: Floats, quick: Floats, steady: NDArray[np.bool_]) -> tuple[float, float]:
    """Fit slow(t+1) = keep slow(t) + (1 - keep) (quick(t) + quick(t+1)) / 2 + constant.

    Return its time constant (0 where that is no lag) and the share of the variance that it explains.
    """
    moved = np.diff(slow)[steady]
    still = ((quick[1:] + quick[:-1]) / 2.0 - slow[:-1])[steady]
    still, moved = still - np.median(still), moved - np.median(moved)
    square, all_moves = float((still**2).sum()), float((moved**2).sum())
    if square <= 0.0 or all_moves <= 0.0:
        return 0.0, 0.0
    product = float((still * moved).sum())
    share, fit = product / square, product**2 / (square * all_moves)
    follows = _LEAST_SHARE < share < 1.0 - _LEAST_SHARE
    return (float(_STEP_S / -np.log(1.0 - share)) if follows else 0.0), fit


def sensor_state(series: AirSeries, others_moved: bool) -> SensorState:
    """Return what a sensor shows by itself; stuck only when ``others_moved`` while it did not for six hours."""
    changed = np.flatnonzero((np.diff(series.humidity) != 0.0) | (np.diff(series.air_k) != 0.0))
    last = series.times_s[changed[-1] + 1] if len(changed) else series.times_s[0]
    still_h = float(series.times_s[-1] - last) / 3600.0
    saturated = series.held_s()[series.humidity >= 0.995].sum() / 3600.0
    return SensorState(
        series.name,
        still_h,
        bool(still_h >= 6.0 and others_moved),
        series.tidying.impossible,
        float(saturated),
    )
