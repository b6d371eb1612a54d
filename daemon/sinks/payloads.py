"""What the MQTT sink says, as JSON bytes. ``config/schemas`` holds a schema for every payload.

Readings are written by hand, one at a time: no call here holds the interpreter for more than some microseconds,
which one `json.dumps` over a batch would, at the buzzer's expense.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from quietbench.daemon.sinks.base import StoredReading

_NO_CLOCK = "no clock"


def to_json(value: object) -> str:
    """Return compact JSON.

    Raises:
        ValueError: a number is not finite.
        TypeError: something has no form in JSON.
    """
    return json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


@lru_cache(maxsize=64)
def _utc_second(second: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second))


def utc_text(wall_ns: int) -> str:
    """Return a UTC time to the microsecond as RFC 3339 has it ("2031-03-02T08:00:00.123456Z")."""
    second, nanosecond = divmod(wall_ns, 1_000_000_000)
    return f"{_utc_second(second)}.{nanosecond // 1000:06d}Z"


def clock_part(wall_ns: int, known: bool) -> dict[str, str | None]:
    """Return time and clock: a time that is not known is not told, and the mark says why."""
    return {"time": utc_text(wall_ns) if known else None, "clock": "known" if known else _NO_CLOCK}


def reading_text(reading: StoredReading) -> str:
    """Return one reading as JSON text."""
    known = reading.clock_known
    when = f'"{utc_text(reading.wall_ns)}","clock":"known"' if known else f'null,"clock":"{_NO_CLOCK}"'
    reason = "null" if reading.reason is None else f'"{reading.reason.name.lower()}"'
    return (
        f'{{"id":[{reading.run},{reading.count}],{_channel_part(reading.channel, reading.quantity, reading.unit)},'
        f'"time":{when},"monotonic_ns":{reading.monotonic_ns},"raw":{_number(reading.raw)},'
        f'"value":{_number(reading.value)},"u":{_number(reading.u)},"sense":"{reading.sense.value}",'
        f'"quality":"{reading.quality.value}","reason":{reason}}}'
    )


def readings_payload(after: int, readings: Sequence[StoredReading]) -> bytes:
    """Return a batch of readings; ``after`` is the number of the reading before them."""
    texts = ",".join([reading_text(reading) for reading in readings])
    head = f'{{"sequence":[{readings[0].n},{readings[-1].n}],"after":{after}'
    return f'{head},"readings":[{texts}]}}'.encode()


@lru_cache(maxsize=4096)
def _channel_part(channel: str, quantity: str, unit: str) -> str:
    return f'"channel":{to_json(channel)},"quantity":{to_json(quantity)},"unit":{to_json(unit)}'


def _number(value: float | None) -> str:
    """Return a number as JSON has it; what is not finite is no value."""
    if value is None or not math.isfinite(value):
        return "null"
    return repr(value)


def bench_state(event: Mapping[str, Any]) -> dict[str, Any]:
    """Return the retained state of a bench, from the event that brought it."""
    body = event["body"]
    return {
        "bench": event["subject"],
        "state": body.get("to"),
        "open": body.get("open", []),
        "unknown": body.get("unknown", []),
        "unwatched": body.get("unwatched", []),
        "causes": body.get("causes", []),
        "live": body.get("live", False),
        "ready": body.get("ready", ""),
        "silenced": body.get("silenced", False),
        "id": event["id"],
        "since": event["time"],
        "clock": event["clock"],
    }


_ALARM_PARTS = (
    "channel",
    "limit",
    "condition",
    "priority",
    "requirement",
    "bound",
    "value",
    "u",
    "sense",
    "unit",
    "reason",
)


def alarm_state(event: Mapping[str, Any], until: str | None) -> dict[str, Any]:
    """Return the retained state of an alarm, from the event that brought it; ``until`` is when a shelf ends, UTC."""
    body = event["body"]
    parts = {part: body.get(part) for part in _ALARM_PARTS}
    return {
        "alarm": event["subject"],
        "state": body.get("to"),
        "sentence": event["sentence"],
        **parts,
        "id": event["id"],
        "since": event["time"],
        "until": until,
        "clock": event["clock"],
    }


def restored_alarm_state(alarm: str, state: str) -> dict[str, Any]:
    """Return the retained state of an alarm of which only the state is known, from an earlier run."""
    parts = dict.fromkeys(_ALARM_PARTS)
    channel, _, _limit = alarm.rpartition(":")
    return {
        "alarm": alarm,
        "state": state,
        "sentence": None,
        **parts,
        "channel": channel,
        "id": None,
        "since": None,
        "until": None,
        "clock": _NO_CLOCK,
    }
