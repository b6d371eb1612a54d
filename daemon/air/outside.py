"""Time outside the limits, from readings that hold as long as they hold: gaps count neither in nor out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.local_time import DAY_S, HOUR_S, day_number, hour_of_day, local_s, weekday
from quietbench.daemon.air.psychrometrics import Floats
from quietbench.daemon.air.series import AirSeries

__all__ = ["Band", "Outside", "time_outside"]

Flags = NDArray[np.bool_]
Table = dict[str, tuple[float, float, float]]
"""Hours too dry, too damp and known, by the name of a day, week, month or season."""

_QUARTER_S = 900.0


@dataclass(frozen=True, slots=True)
class Band:
    """The humidity that the limits allow, 0 … 1; a strict bound is itself outside. None: no bound on that side."""

    low: float | None = None
    high: float | None = None
    low_strict: bool = True
    high_strict: bool = False

    def too_dry(self, humidity: Floats) -> Flags:
        """Say where the air is too dry."""
        if self.low is None:
            return np.zeros(humidity.shape, dtype=bool)
        return humidity <= self.low if self.low_strict else humidity < self.low

    def too_damp(self, humidity: Floats) -> Flags:
        """Say where the air is too damp."""
        if self.high is None:
            return np.zeros(humidity.shape, dtype=bool)
        return humidity >= self.high if self.high_strict else humidity > self.high


@dataclass(frozen=True, slots=True)
class Outside:
    """What lay outside. Hours; dryness in %RH·h below the low limit. Keys of the tables are local dates.

    ``by_hour`` and ``by_weekday`` are shares (0 … 1) of the known time. ``spell`` is (from, until) in UTC
    seconds of the longest stretch outside without a gap, ``worst_quarter`` (local hour of day, share outside).
    """

    known_h: float
    gap_h: float
    dry_h: float
    damp_h: float
    dryness: float
    spell: tuple[float, float] | None
    per_day: Table
    per_week: Table
    per_month: Table
    per_season: Table
    by_hour: list[float]
    by_weekday: list[float]
    worst_quarter: tuple[float, float] | None


def time_outside(series: AirSeries, band: Band, zone: str) -> Outside:
    """Return what of a series lay outside a band, told by the site's own clock.

    A reading that holds across midnight counts for the day in which it was taken.
    """
    held = series.held_s()
    dry, damp = band.too_dry(series.humidity), band.too_damp(series.humidity)
    local = local_s(series.times_s, zone)
    days = day_number(local)
    below = np.maximum(0.0, (band.low or 0.0) - series.humidity) * 100.0
    span = float(series.times_s[-1] + held[-1] - series.times_s[0]) if len(series) else 0.0
    per_day, per_week, per_month, per_season = _tables(days, held, dry, damp)
    out = dry | damp
    return Outside(
        float(held.sum()) / HOUR_S,
        (span - float(held.sum())) / HOUR_S,
        float(held[dry].sum()) / HOUR_S,
        float(held[damp].sum()) / HOUR_S,
        float((below * held).sum()) / HOUR_S,
        _longest(series, held, out),
        per_day,
        per_week,
        per_month,
        per_season,
        _shares(hour_of_day(local).astype(np.int64), held, out, 24),
        _shares(weekday(local), held, out, 7),
        _worst(local, held, out),
    )


def _tables(days: NDArray[np.int64], held: Floats, dry: Flags, damp: Flags) -> list[Table]:
    if not len(days):
        return [{}, {}, {}, {}]
    first = int(days[0])
    sums = [
        np.bincount(days - first, weights=held * flag) / HOUR_S for flag in (dry, damp, np.ones(len(held)))
    ]
    dates = np.datetime64("1970-01-01") + (first + np.arange(len(sums[0])))
    keep = sums[2] > 0.0
    rows = [column[keep] for column in sums]
    dates = dates[keep]
    keys = [[word(date) for date in dates] for word in (str, _week, lambda date: str(date)[:7], _season)]
    return [_summed(one, rows) for one in keys]


def _summed(keys: list[str], rows: list[Floats]) -> Table:
    table: Table = {}
    for key, dry, damp, known in zip(keys, *rows, strict=True):
        before = table.get(key, (0.0, 0.0, 0.0))
        table[key] = (before[0] + float(dry), before[1] + float(damp), before[2] + float(known))
    return table


def _week(date: np.datetime64) -> str:
    year, week, _ = date.astype(object).isocalendar()
    return f"{year}-W{week:02}"


def _season(date: np.datetime64) -> str:
    """Return the season by months; December counts for the year that follows."""
    day = date.astype(object)
    names = ("December-February", "March-May", "June-August", "September-November")
    return f"{day.year + (day.month == 12)} {names[day.month % 12 // 3]}"


def _longest(series: AirSeries, held: Floats, out: Flags) -> tuple[float, float] | None:
    if not out.any():
        return None
    until = series.times_s + held
    joined = np.zeros(len(out), dtype=bool)
    joined[1:] = out[1:] & out[:-1] & (until[:-1] >= series.times_s[1:] - 1e-6)
    starts = np.flatnonzero(out & ~joined)
    lasts = np.flatnonzero(out & ~np.append(joined[1:], False))
    longest = int(np.argmax(until[lasts] - series.times_s[starts]))
    return float(series.times_s[starts[longest]]), float(until[lasts[longest]])


def _shares(place: NDArray[np.int64], held: Floats, out: Flags, count: int) -> list[float]:
    known = np.bincount(place, weights=held, minlength=count)
    outside = np.bincount(place, weights=held * out, minlength=count)
    return [float(part / all_) if all_ > 0.0 else 0.0 for part, all_ in zip(outside, known, strict=True)]


def _worst(local: Floats, held: Floats, out: Flags) -> tuple[float, float] | None:
    quarter = ((local % DAY_S) // _QUARTER_S).astype(np.int64)
    shares = _shares(quarter, held, out, 96)
    worst = int(np.argmax(shares))
    return (worst / 4.0, shares[worst]) if shares[worst] > 0.0 else None
