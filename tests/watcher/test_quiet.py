"""Quiet hours at their edges, over midnight, and on the days that have 23 and 25 hours."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest

from quietbench.daemon.watcher.quiet import QuietHours

UTC = zoneinfo.ZoneInfo("UTC")
CET = zoneinfo.ZoneInfo("CET")


def wall_ns(year: int, month: int, day: int, hour: int, minute: int) -> int:
    return int(dt.datetime(year, month, day, hour, minute, tzinfo=dt.UTC).timestamp()) * 1_000_000_000


@pytest.mark.parametrize(
    ("hour", "minute", "quiet"),
    [(19, 59, False), (20, 0, True), (23, 59, True), (0, 0, True), (5, 59, True), (6, 0, False)],
)
def test_over_midnight_the_begin_counts_and_the_end_does_not(hour: int, minute: int, quiet: bool) -> None:
    """20:00 to 06:00."""
    assert QuietHours(UTC, 20 * 60, 6 * 60).now(wall_ns(2031, 3, 2, hour, minute)) is quiet


def test_within_a_day() -> None:
    """12:00 to 13:00."""
    lunch = QuietHours(UTC, 12 * 60, 13 * 60)

    seen = [lunch.now(wall_ns(2031, 3, 2, h, m)) for h, m in ((11, 59), (12, 0), (12, 59), (13, 0))]
    assert seen == [False, True, True, False]


def test_nothing_is_no_time_at_all() -> None:
    """The same minute twice is an empty span, not a whole day."""
    assert not QuietHours(UTC, 600, 600).now(wall_ns(2031, 3, 2, 10, 0))


def test_the_zone_decides_and_daylight_saving_is_its_affair() -> None:
    """02:30 does not exist on the day that clocks go forward, and comes twice on the day they go back."""
    small_hours = QuietHours(CET, 2 * 60, 3 * 60)
    forward = [small_hours.now(wall_ns(2031, 3, 30, h, 30)) for h in (0, 1)]
    back = [small_hours.now(wall_ns(2031, 10, 26, h, 30)) for h in (0, 1)]

    assert forward == [False, False]
    assert back == [True, True]
