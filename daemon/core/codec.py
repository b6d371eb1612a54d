"""Plans and their parts as canonical JSON, and back: the store keeps what was in force beside what was read."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from typing import Any

from quietbench.daemon.core.convert import CONVERSIONS, Conversion
from quietbench.daemon.core.plan import (
    Bench,
    Channel,
    Limit,
    Plan,
    Posture,
    Priority,
    Requirement,
    Seat,
    Source,
    Tool,
)


def canonical(value: object) -> str:
    """Return JSON that is the same to the byte for the same content: sorted keys, no spaces, no NaN.

    Raises:
        ValueError: a number is not finite.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def channel_spec(channel: Channel) -> str:
    """Return everything that turns this channel's raw values into judged readings, as canonical JSON."""
    return canonical(_channel(channel))


def channel_from_spec(text: str) -> Channel:
    """Return the channel that `channel_spec` wrote.

    Raises:
        ValueError, KeyError: the text is not such a channel.
    """
    return _channel_back(json.loads(text))


def conversion_from_spec(text: str) -> Conversion:
    """Return only the conversion of a channel's spec."""
    return _conversion_back(json.loads(text)["conversion"])


def plan_to_json(plan: Plan) -> str:
    """Return the whole plan as canonical JSON."""
    body = asdict_shallow(plan)
    body["benches"] = [_bench(bench) for bench in plan.benches]
    body["channels"] = [_channel(channel) for channel in plan.channels]
    return canonical(body)


def plan_from_json(text: str) -> Plan:
    """Return the plan that `plan_to_json` wrote."""
    body = json.loads(text)
    benches = tuple(_bench_back(item) for item in body["benches"])
    channels = tuple(_channel_back(item) for item in body["channels"])
    return Plan(body["site"], body["watcher"], benches, channels, body["profile"])


def asdict_shallow(item: Any) -> dict[str, Any]:
    """Return a dataclass's own fields, values as they are."""
    return {field.name: getattr(item, field.name) for field in fields(item)}


def _channel(channel: Channel) -> dict[str, Any]:
    body = asdict_shallow(channel)
    body["conversion"] = _conversion(channel.conversion)
    body["limits"] = [_limit(limit) for limit in channel.limits]
    body["measures"] = sorted(channel.measures)
    body["fault_priority"] = int(channel.fault_priority)
    return body


def _channel_back(body: dict[str, Any]) -> Channel:
    return Channel(
        **{
            **body,
            "conversion": _conversion_back(body["conversion"]),
            "limits": tuple(_limit_back(item) for item in body["limits"]),
            "measures": frozenset(body["measures"]),
            "fault_priority": Priority(body["fault_priority"]),
        }
    )


def _limit(limit: Limit) -> dict[str, Any]:
    body = asdict_shallow(limit)
    return {
        **body,
        "requirement": limit.requirement.value,
        "priority": int(limit.priority),
        "source": asdict(limit.source),
    }


def _limit_back(body: dict[str, Any]) -> Limit:
    return Limit(
        **{
            **body,
            "requirement": Requirement(body["requirement"]),
            "priority": Priority(body["priority"]),
            "source": Source(**body["source"]),
        }
    )


def _bench(bench: Bench) -> dict[str, Any]:
    body = asdict(bench)
    for seat in body["seats"]:
        seat["posture"] = seat["posture"].value
    return body


def _bench_back(body: dict[str, Any]) -> Bench:
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in body.items()}
    values["seats"] = tuple(_seat_back(seat) for seat in body.get("seats", ()))
    values["tools"] = tuple(Tool(**tool) for tool in body.get("tools", ()))
    return Bench(**values)


def _seat_back(body: dict[str, Any]) -> Seat:
    return Seat(**{**body, "presence": tuple(body["presence"]), "posture": Posture(body["posture"])})


def _conversion(conversion: Conversion) -> dict[str, Any]:
    body = {key: _finite(value) for key, value in asdict_shallow(conversion).items()}
    return {"kind": conversion.kind, **body}


def _conversion_back(body: dict[str, Any]) -> Conversion:
    values = {key: _number(value) for key, value in body.items() if key != "kind"}
    return CONVERSIONS[body["kind"]](**values)


def _finite(value: float) -> float | str:
    """Say an open end in words, since JSON has no infinity."""
    return repr(value) if isinstance(value, float) and math.isinf(value) else value


def _number(value: float | str) -> float:
    return float(value) if isinstance(value, str) else value
