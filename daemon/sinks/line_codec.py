"""Records as line protocol: pure, and the same bytes for the same record.

::

    quietbench,bench=…,channel=…,quantity=…,site=…,watcher=…      value u quality bound reason
    quietbench_alarm,bench=…,channel=…,limit=…,site=…,watcher=…   state priority
    quietbench_bench,bench=…,site=…,watcher=…                     state

The tags of a measurement are always the same, every field is a float, time is in nanoseconds since 1970 UTC.
A field that has no finite value is left out, quality and state never are: so no line is empty.

===========  =====================================================================================
value, u     in the channel's SI unit (``quantity`` says which): relative humidity 0 to 1, kelvin, ohm
quality      0 good, 1 uncertain, 2 bad
bound        0 the value is the value; 1 it is more than ``value``, -1 it is less
reason       why not good: the number of the closed list of reasons, 0 none
state        of an alarm: 0 normal, 1 unacknowledged, 2 acknowledged, 3 returned unacknowledged,
             4 latched unacknowledged, 5 latched acknowledged, 6 shelved, 7 suppressed by design,
             8 out of service
priority     1 low, 2 medium, 3 high
state        of a bench: 0 held, 1 empty, 2 unknown, 3 open
===========  =====================================================================================

Escapes: comma, equals sign and blank take a backslash before them. The protocol has no way to write a line end
in a tag, and servers differ over a backslash before the end of one; so control characters become blanks and a
backslash becomes a slash.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import lru_cache

from quietbench.daemon.core.convert.base import Sense
from quietbench.daemon.core.records import BenchState, EventKind, Quality
from quietbench.daemon.sinks.base import StoredEvent, StoredReading

QUALITY = {Quality.GOOD: 0.0, Quality.UNCERTAIN: 1.0, Quality.BAD: 2.0}
BOUND = {Sense.LESS_THAN: -1.0, Sense.EQUAL: 0.0, Sense.MORE_THAN: 1.0}
ALARM_STATE = {
    "normal": 0.0,
    "unacknowledged": 1.0,
    "acknowledged": 2.0,
    "returned unacknowledged": 3.0,
    "latched unacknowledged": 4.0,
    "latched acknowledged": 5.0,
    "shelved": 6.0,
    "suppressed by design": 7.0,
    "out of service": 8.0,
}
"""A number once given is never given to another state: years of points hang on it."""
BENCH_STATE = {
    BenchState.HELD.value: 0.0,
    BenchState.EMPTY.value: 1.0,
    BenchState.UNKNOWN.value: 2.0,
    BenchState.OPEN.value: 3.0,
}
PRIORITY = {"low": 1.0, "medium": 2.0, "high": 3.0}

_NOTHING = "-"  # a tag without a value is no tag, and the tag set is fixed
_SPECIAL = re.compile(r"([,= ])")
_CONTROL = re.compile(r"[\x00-\x1f\x7f\x85\u2028\u2029]")


def tag_value(text: str) -> str:
    """Return a text as the value of a tag."""
    plain = _CONTROL.sub(" ", text).replace("\\", "/")
    return _SPECIAL.sub(r"\\\1", plain) or _NOTHING


class LineCodec:
    """Lines of one watcher."""

    def __init__(self, site: str, watcher: str) -> None:
        self._whose = f"site={tag_value(site)},watcher={tag_value(watcher)}"
        self._key = lru_cache(maxsize=4096)(self._reading_key)

    def reading(self, reading: StoredReading) -> bytes:
        """Return a reading as one line, without its end."""
        fields = {
            "value": reading.value,
            "u": reading.u,
            "quality": QUALITY[reading.quality],
            "bound": BOUND[reading.sense],
            "reason": 0.0 if reading.reason is None else float(reading.reason.value),
        }
        return _line(self._key(reading.channel, reading.quantity), fields, reading.wall_ns)

    def event(self, event: StoredEvent) -> bytes | None:
        """Return an event as one line, or None for one that is not a state."""
        if event.kind is EventKind.ALARM:
            return self._alarm(event)
        if event.kind is EventKind.BENCH:
            key = f"quietbench_bench,bench={tag_value(event.subject)},{self._whose}"
            return _line(key, {"state": _known(BENCH_STATE, event.body, "to")}, event.wall_ns)
        return None

    def _alarm(self, event: StoredEvent) -> bytes:
        channel, _, limit = event.subject.rpartition(":")
        tags = f"bench={_place(channel)},channel={tag_value(channel)},limit={tag_value(limit)}"
        fields = {
            "state": _known(ALARM_STATE, event.body, "to"),
            "priority": PRIORITY.get(str(event.body.get("priority"))),
        }
        return _line(f"quietbench_alarm,{tags},{self._whose}", fields, event.wall_ns)

    def _reading_key(self, channel: str, quantity: str) -> str:
        tags = f"bench={_place(channel)},channel={tag_value(channel)},quantity={tag_value(quantity)}"
        return f"quietbench,{tags},{self._whose}"


def _place(channel: str) -> str:
    return tag_value(channel.partition("/")[0])


def _known(codes: Mapping[str, float], body: Mapping[str, object], part: str) -> float:
    """Return the number of a state.

    Raises:
        ValueError: there is no such state.
    """
    word = body.get(part)
    if not isinstance(word, str) or word not in codes:
        raise ValueError(f'"{part}": got {word!r}, wanted one of {", ".join(codes)}')
    return codes[word]


def _line(key: str, fields: Mapping[str, float | None], wall_ns: int) -> bytes:
    written = ",".join(
        [
            f"{name}={float(value)!r}"
            for name, value in fields.items()
            if value is not None and math.isfinite(value)
        ]
    )
    return f"{key} {written} {wall_ns}".encode(errors="replace")
