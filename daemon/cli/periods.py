"""Times as a person types them: a date, a moment, or how long before the last record."""

from __future__ import annotations

import datetime as dt
import re

from quietbench.daemon.errors import ConfigurationError

__all__ = ["SECOND_NS", "lasting", "moment", "parse_moment"]

SECOND_NS = 1_000_000_000
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_BACK = re.compile(r"(\d+(?:\.\d+)?)\s*(d|h|min|s)")
_UNITS_S = {"d": 86_400, "h": 3600, "min": 60, "s": 1}


def parse_moment(text: str, last_ns: int) -> int:
    """Return a moment (UTC, ns): "2031-05-01", "2031-05-01T08:00", or "30d" before ``last_ns``.

    A moment without an offset is UTC.

    Raises:
        ConfigurationError: it is none.
    """
    back = _BACK.fullmatch(text.strip())
    if back is not None:
        return last_ns - round(float(back[1]) * _UNITS_S[back[2]] * SECOND_NS)
    try:
        when = dt.datetime.fromisoformat(text.strip())
    except ValueError:
        raise ConfigurationError(
            f"got {text!r}, wanted a date (2031-05-01), a moment (2031-05-01T08:00) or a time back (30d, 12h)"
        ) from None
    when = when if when.tzinfo is not None else when.replace(tzinfo=dt.UTC)
    return ((when - _EPOCH) // dt.timedelta(microseconds=1)) * 1000


def moment(wall_ns: int) -> str:
    """Return a moment as people read it: "2031-05-01 08:00:00" (UTC)."""
    return (_EPOCH + dt.timedelta(seconds=wall_ns // SECOND_NS)).strftime("%Y-%m-%d %H:%M:%S")


def lasting(ns: float) -> str:
    """Return a length of time as people read it: "0.19 s", "4 min", "2.5 h", "3.0 days"."""
    seconds = ns / SECOND_NS
    if seconds < 120:
        return f"{seconds:.2f}".rstrip("0").rstrip(".") + " s"
    if seconds < 7200:
        return f"{seconds / 60:.1f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86_400:.1f} days"
