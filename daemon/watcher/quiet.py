"""Quiet hours by the site's own clock: when what does not protect shows and does not sound."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From one minute of the day to another, in a time zone; past midnight where the end comes first.

    The end is not included. Daylight saving is the zone's affair: a quiet hour that does not exist is not quiet,
    one that comes twice is quiet twice.
    """

    zone: dt.tzinfo
    begin_minute: int
    end_minute: int

    def now(self, wall_ns: int) -> bool:
        """Say whether a moment (UTC nanoseconds) lies within."""
        moment = dt.datetime.fromtimestamp(wall_ns / 1e9, self.zone)
        minute = moment.hour * 60 + moment.minute
        if self.begin_minute <= self.end_minute:
            return self.begin_minute <= minute < self.end_minute
        return minute >= self.begin_minute or minute < self.end_minute
