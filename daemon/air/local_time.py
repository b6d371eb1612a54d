"""Local time of a site over arrays: the building's rhythm follows the wall clock, summer time included."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from quietbench.daemon.air.psychrometrics import Floats

Ints = NDArray[np.int64]

HOUR_S = 3600.0
DAY_S = 86_400.0
_MONDAY_OFFSET = 3  # 1970-01-01 was a Thursday


def local_s(times_s: Floats, zone: str) -> Floats:
    """Return UTC seconds shifted so that whole days begin at local midnight.

    Raises:
        ValueError: no such time zone.
    """
    if zone == "UTC" or not len(times_s):
        return times_s
    try:
        place = ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError(f"time zone: got {zone!r}, wanted a name such as UTC or Etc/GMT-9") from error
    # Offsets change on quarter hours at the finest; a year has 35,000 of them and few changes.
    hours = (times_s // HOUR_S).astype(np.int64)
    known, which = np.unique(hours, return_inverse=True)
    return times_s + _offsets(known, place)[which]


def day_number(local: Floats) -> Ints:
    """Return days since 1970-01-01."""
    return (local // DAY_S).astype(np.int64)


def weekday(local: Floats) -> Ints:
    """Return 0 (Monday) … 6."""
    return (day_number(local) + _MONDAY_OFFSET) % 7


def hour_of_day(local: Floats) -> Floats:
    """Return 0 … below 24."""
    return (local % DAY_S) / HOUR_S


def _offsets(hours: Ints, place: ZoneInfo) -> Floats:
    # One look at each day, and at each hour only of the days on which the offset changes.
    days = hours // 24
    first, last = int(days[0]), int(days[-1])
    at_midnight = np.array([_offset_s(day * 24, place) for day in range(first, last + 2)])
    offsets = at_midnight[days - first]
    changing = at_midnight[days - first] != at_midnight[days - first + 1]
    offsets[changing] = [_offset_s(int(hour), place) for hour in hours[changing]]
    return offsets


def _offset_s(hour: int, place: ZoneInfo) -> float:
    offset = dt.datetime.fromtimestamp(hour * HOUR_S, place).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0
