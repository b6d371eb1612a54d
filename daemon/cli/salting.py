"""What ``quietbench salt-check`` does: wait over the watcher's socket until a sensor has settled, and record."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from quietbench.daemon.air.salts import Correction, Point, Settling, correction, point_at, salt_named
from quietbench.daemon.air.tables import Salt, salt_table
from quietbench.daemon.cli.entering import own_name
from quietbench.daemon.errors import ConfigurationError, SocketError
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.lines import FollowedLine, Quiet, ReadingLine, Snapshot

__all__ = ["Reading", "SaltWish", "check_over_salt", "earlier_points", "settled"]

WHAT = "salt check"
_QUIET_S = 5.0
_SILENT_S = 180.0
_LEAST_U = 0.001 / math.sqrt(12.0)  # a display of 0.1 %RH
_POINTS_FOR_S = 30 * 86_400.0
Now = Callable[[], float]


@dataclass(frozen=True, slots=True)
class SaltWish:
    """What is asked; ``apart_k`` is how far sensor and salt may be apart (half width)."""

    channel: str
    salt: str
    temperature: str | None
    apart_k: float
    settle_s: float
    at_most_s: float
    store: Path | None


@dataclass(frozen=True, slots=True)
class Reading:
    """A settled reading: humidity 0 … 1 with its spread, temperature in K, and how long it took."""

    humidity: float
    air_k: float
    spread: float
    waited_s: float


def check_over_salt(path: str, wish: SaltWish, *, role: str, why: str, as_json: bool) -> None:
    """Wait, read, propose, record, and say it.

    Raises:
        ConfigurationError: no such salt or channel, or it did not settle.
        SocketError: the watcher is not reached, or refuses.
    """
    salt = _salt(wish.salt)
    if not as_json:
        _say_cautions(salt)
    with SocketClient(path) as client:
        lines = client.follow(quiet_s=_QUIET_S)
        reading = settled(lines, wish, now=time.monotonic)
    point = _point(salt, reading, wish.apart_k)
    points = [*(earlier_points(wish.store, wish.channel) if wish.store else ()), point]
    change = correction(points)
    detail = _detail(point, reading, wish, change)
    with SocketClient(path) as client:
        who = {"person": own_name(), "role": role, "why": why}
        client.request("note", subject=wish.channel, what=WHAT, detail=detail, **who)
    print(json.dumps(detail, ensure_ascii=False, indent=2) if as_json else "\n".join(_told(point, change)))


def settled(lines: Iterable[FollowedLine], wish: SaltWish, *, now: Now) -> Reading:
    """Follow a sensor until it stands still.

    Raises:
        ConfigurationError: no such channel, it is silent or bad, or not settled in time.
    """
    seen: dict[str, ReadingLine] = {}
    settling = Settling(wish.settle_s)
    start = heard = now()
    names: tuple[str, str] | None = None
    for line in lines:
        at = now()
        fresh = _taken(line, seen)
        if names is None and isinstance(line, Snapshot):
            names = _names(wish, seen)
        if names is not None and (fresh & set(names)):
            heard = at
        if at - heard > _SILENT_S:
            raise ConfigurationError(
                f"{wish.channel}: nothing heard of it for {_SILENT_S:g} s; is its sensor read?"
            )
        if names is not None and settling.feed(at - start, *_values(names, seen)):
            humidity, air_k, spread = settling.mean()
            return Reading(humidity, air_k, spread, at - start)
        if at - start > wish.at_most_s:
            raise ConfigurationError(_unsettled(wish, settling))
    raise SocketError("the watcher said no more before the sensor had settled")


def _taken(line: FollowedLine, seen: dict[str, ReadingLine]) -> set[str]:
    if isinstance(line, Quiet):
        return set()
    readings = line.readings if isinstance(line, Snapshot) else (line,)
    fresh = {one.channel: one for one in readings if isinstance(one, ReadingLine)}
    seen.update(fresh)
    return set(fresh)


def _names(wish: SaltWish, seen: dict[str, ReadingLine]) -> tuple[str, str]:
    humid = seen.get(wish.channel)
    if humid is None or humid.quantity != "relative_humidity":
        known = ", ".join(one.channel for one in seen.values() if one.quantity == "relative_humidity")
        raise ConfigurationError(
            f"channel: got {wish.channel!r}, wanted one of {known or 'none: there are none'}"
        )
    place = wish.channel.rpartition("/")[0]
    beside = [
        one.channel
        for one in seen.values()
        if one.quantity == "air_temperature" and one.channel.rpartition("/")[0] == place
    ]
    if wish.temperature is not None:
        beside = [name for name in seen if name == wish.temperature]
    if len(beside) != 1:
        listed = ", ".join(beside) or "none"
        raise ConfigurationError(
            f"temperature beside {wish.channel}: got {listed}, wanted one: --temperature CHANNEL"
        )
    return wish.channel, beside[0]


def _values(names: tuple[str, str], seen: dict[str, ReadingLine]) -> tuple[float, float]:
    values = []
    for name in names:
        reading = seen[name]
        if reading.value is None or reading.quality == "bad":
            raise ConfigurationError(f"{name}: got no good reading ({reading.reason}), wanted one to settle")
        values.append(reading.value)
    return values[0], values[1]


def _unsettled(wish: SaltWish, settling: Settling) -> str:
    humidity, air_k = settling.moved()
    return (
        f"{wish.channel}: not settled after {wish.at_most_s / 60:g} min: it still moves by "
        f"{humidity * 100:+.2f} %RH and {air_k:+.2f} K in half of {wish.settle_s / 60:g} min; "
        "close the vessel, keep it out of draughts, try again"
    )


def _salt(name: str) -> Salt:
    try:
        return salt_named(name)
    except ValueError as error:
        raise ConfigurationError(str(error)) from error


def _point(salt: Salt, reading: Reading, apart_k: float) -> Point:
    try:
        true, u_true = point_at(salt, reading.air_k, apart_k / math.sqrt(3.0))
    except ValueError as error:
        raise ConfigurationError(str(error)) from error
    return Point(salt.name, true, u_true, reading.humidity, math.hypot(reading.spread, _LEAST_U))


def earlier_points(store: Path, channel: str) -> Sequence[Point]:
    """Return the newest point over each salt that a store holds of a channel, of the last 30 days on record.

    Raises:
        StoreError: the store can't be read.
    """
    from quietbench.daemon.store.read import StoreReader

    found: dict[str, tuple[int, Point]] = {}
    n, last_ns = 0, 0
    with StoreReader(store) as reader:
        while events := reader.events_after(n, 1000):
            for event in events:
                last_ns = max(last_ns, event.wall_ns)
                point = _noted(event.body, channel) if event.kind.value == "command" else None
                if point is not None:
                    found[point.salt] = (event.wall_ns, point)
            n = events[-1].n
    return [point for at_ns, point in found.values() if last_ns - at_ns <= _POINTS_FOR_S * 1e9]


def _noted(body: dict[str, Any], channel: str) -> Point | None:
    if body.get("do") != "note" or body.get("what") != WHAT or body.get("subject") != channel:
        return None
    detail = body.get("detail")
    try:
        return Point(*(detail[key] for key in ("salt", "true", "u_true", "said", "u_said")))  # type: ignore[index]
    except (KeyError, TypeError):
        return None


def _detail(point: Point, reading: Reading, wish: SaltWish, change: Correction) -> dict[str, Any]:
    table = salt_table()
    return {
        **asdict(point),
        "difference": point.difference,
        "u": point.u_difference,
        "temperature_k": reading.air_k,
        "apart_k": wish.apart_k,
        "settled_after_s": reading.waited_s,
        "source": table.source,
        "trust": table.trust,
        "correction": {**asdict(change), "points": [one.salt for one in change.points]},
    }


def _say_cautions(salt: Salt) -> None:
    print(f"Waiting for the sensor to settle over {salt.title}.")
    for caution in salt_table().cautions:
        print(f"  · {caution}")


def _told(point: Point, change: Correction) -> list[str]:
    over = f"over {point.salt}: {point.true * 100:.2f} ± {point.u_true * 100:.2f} %RH"
    text = [
        f"{over}; the sensor says {point.said * 100:.2f} ± {point.u_said * 100:.2f}",
        f"to add here: {point.difference * 100:+.2f} ± {point.u_difference * 100:.2f} %RH (one standard uncertainty)",
    ]
    if change.u_gain > 0.0:
        text.append(
            f"line from {len(change.points)} points: add {change.offset * 100:+.2f} %RH at "
            f"{change.pivot * 100:.1f} %RH and {change.gain:+.4f} of every %RH away from it"
        )
        for at in (0.3, 0.5, 0.7):
            added, u = change.at(at)
            text.append(f"  at {at * 100:.0f} %RH: {added * 100:+.2f} ± {u * 100:.2f} %RH")
    else:
        text.append("one salt says nothing about other humidities; a second one (MgCl2 or NaCl) gives a line")
    return [*text, "recorded; the configuration is unchanged: put the correction there if you accept it"]
