"""Humidity from a watcher's store: every room's sensors, their limits, and the salt checks on record, as arrays.

Reads columns rather than records: a year at one minute of four rooms is four million readings.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from quietbench.daemon.air.outside import Band
from quietbench.daemon.air.psychrometrics import Floats
from quietbench.daemon.air.series import AirSeries, tidied
from quietbench.daemon.core.codec import channel_from_spec
from quietbench.daemon.core.plan import Channel, Limit, Requirement
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.store.access import Access
from quietbench.daemon.store.times import Times

__all__ = ["Room", "StoredAir", "read_store"]

_CHUNK = 200_000
_HUMIDITY, _TEMPERATURE = "relative_humidity", "air_temperature"
_BETWEEN_S = 120.0  # a temperature this far from a humidity still belongs to it
_HEARTBEATS = 2.5


@dataclass(slots=True)
class Room:
    """One room: its sensors, the band its limits leave, and where each limit comes from."""

    name: str
    sensors: list[AirSeries] = field(default_factory=list)
    band: Band = field(default_factory=Band)
    limits: list[dict[str, Any]] = field(default_factory=list)
    unpaired: list[str] = field(default_factory=list)


@dataclass(slots=True)
class StoredAir:
    """What a store says of the air; ``salt_checks`` are the notes of ``salt-check``, oldest first."""

    site: str
    rooms: list[Room]
    salt_checks: list[dict[str, Any]]
    position: int


@dataclass(slots=True)
class _Column:
    """Readings of one channel: UTC seconds, values, and its newest specification."""

    channel: Channel
    times_s: list[Floats] = field(default_factory=list)
    values: list[Floats] = field(default_factory=list)
    u: float = 0.0


def read_store(
    folder: Path, room: str | None = None, since_s: float | None = None, back_s: float | None = None
) -> StoredAir:
    """Read rooms from a store, one or all, from a time on, or ``back_s`` before the last commit.

    Raises:
        StoreError: the store can't be read.
        ConfigurationError: there is no such room, or none with humidity.
    """
    access = Access(folder, lambda: None)
    try:
        series = access.read(
            lambda c: c.execute("SELECT id, channel, spec FROM series ORDER BY id").fetchall()
        )
        wanted = {number: channel_from_spec(spec) for number, _, spec in series}
        wanted = {number: one for number, one in wanted.items() if one.quantity in (_HUMIDITY, _TEMPERATURE)}
        rooms = sorted({_place(one.name) for one in wanted.values() if one.quantity == _HUMIDITY})
        if room is not None and room not in rooms:
            raise ConfigurationError(
                f"room: got {room!r}, wanted one of {', '.join(rooms) or 'none: there are none'}"
            )
        if back_s is not None:
            since_s = access.read(_last_s) - back_s
        columns = _columns(access, wanted, room, since_s)
        site, checks, position = access.read(_rest)
    finally:
        access.close()
    chosen = [room] if room is not None else rooms
    if not chosen:
        raise ConfigurationError(f"store {folder}: holds no relative humidity: nothing to tell about the air")
    return StoredAir(site, [_room(name, columns) for name in chosen], checks, position)


def _columns(
    access: Access, wanted: dict[int, Channel], room: str | None, since_s: float | None
) -> dict[str, _Column]:
    columns: dict[str, _Column] = {}
    for channel in wanted.values():
        if room is None or _place(channel.name) == room:
            columns.setdefault(channel.name, _Column(channel)).channel = channel
    numbers = [number for number, channel in wanted.items() if channel.name in columns]
    for chunk in _chunks(access, numbers):
        for number in numbers:
            mine = chunk[:, 0] == number
            if mine.any():
                _take(columns[wanted[number].name], wanted[number], chunk[mine], since_s)
    return columns


def _take(column: _Column, channel: Channel, rows: Floats, since_s: float | None) -> None:
    times, raw = rows[:, 1], rows[:, 2]
    if since_s is not None:
        times, raw = times[times >= since_s], raw[times >= since_s]
    if not len(raw):
        return
    # Few raw values come back often: each is converted once, by the conversion that was in force.
    codes, which = np.unique(raw, return_inverse=True)
    converted = [channel.conversion.convert(float(code)) for code in codes]
    column.times_s.append(times)
    column.values.append(np.array([one.value if one.reason is None else np.nan for one in converted])[which])
    column.u = max(one.u for one in converted)


def _chunks(access: Access, numbers: list[int]) -> Iterator[Floats]:
    """Yield rows (series, UTC seconds, raw) of good readings, a span of numbers at a time."""
    times, n, last = Times(), 0, int(access.read(lambda c: _rest(c)[2]))
    marks = ",".join("?" * len(numbers))
    query = (
        "SELECT n, series, monotonic_ns, raw FROM reading WHERE n > ? AND n <= ?"  # noqa: S608  only marks
        f" AND raw IS NOT NULL AND reason IS NULL AND series IN ({marks}) ORDER BY n"
    )
    while n < last and numbers:
        upto = min(last, n + _CHUNK)
        yield access.read(lambda c, a=n, b=upto: _chunk(c, times, query, (a, b, *numbers)))  # type: ignore[misc]
        n = upto


def _chunk(connection: sqlite3.Connection, times: Times, query: str, values: tuple[int, ...]) -> Floats:
    rows = connection.execute(query, values).fetchall()
    if not rows:
        return np.empty((0, 3))
    n, series, monotonic, raw = zip(*rows, strict=True)
    starts, offsets = _offsets(connection, times, n[0], n[-1])
    place = np.searchsorted(starts, np.array(n), side="right") - 1
    wall = np.array(monotonic, dtype=np.int64) + offsets[place]
    return np.stack([np.array(series, dtype=np.float64), wall / 1e9, np.array(raw, dtype=np.float64)], axis=1)


def _offsets(
    connection: sqlite3.Connection, times: Times, first: int, last: int
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    firsts = [
        row[0]
        for row in connection.execute(
            "SELECT first FROM commit_span WHERE first >= coalesce("
            "(SELECT max(first) FROM commit_span WHERE first <= ?), 0) AND first <= ? ORDER BY first",
            (first, last),
        )
    ]
    spans = times.spans(connection, first, last)
    return np.array(firsts), np.array([spans.of(number).offset_ns for number in firsts], dtype=np.int64)


def _rest(connection: sqlite3.Connection) -> tuple[str, list[dict[str, Any]], int]:
    plan = connection.execute(
        "SELECT body FROM plan WHERE sha256 = (SELECT plan FROM run ORDER BY run DESC LIMIT 1)"
    ).fetchone()
    notes = connection.execute(
        "SELECT body FROM event WHERE kind = 'command' AND json_extract(body, '$.do') = 'note'"
        " AND json_extract(body, '$.what') = 'salt check' ORDER BY n"
    ).fetchall()
    last = connection.execute("SELECT last FROM commit_span ORDER BY first DESC LIMIT 1").fetchone()
    site = str(json.loads(plan[0])["site"]) if plan else ""
    return site, [json.loads(body) for (body,) in notes], int(last[0]) if last else 0


def _last_s(connection: sqlite3.Connection) -> float:
    row = connection.execute("SELECT wall_ns FROM commit_span ORDER BY first DESC LIMIT 1").fetchone()
    return float(row[0]) / 1e9 if row else 0.0


def _place(channel: str) -> str:
    return channel.partition("/")[0]


def _room(name: str, columns: dict[str, _Column]) -> Room:
    room = Room(name)
    mine = [column for channel, column in sorted(columns.items()) if _place(channel) == name]
    temperatures = [column for column in mine if column.channel.quantity == _TEMPERATURE]
    for column in mine:
        if column.channel.quantity != _HUMIDITY:
            continue
        partner = _partner(column.channel.name, temperatures)
        if partner is None or not column.times_s or not partner.times_s:
            room.unpaired.append(column.channel.name)
        else:
            room.sensors.append(_paired(column, partner))
        if not room.limits:
            room.band, room.limits = _band(column.channel.limits)
    return room


def _partner(name: str, temperatures: list[_Column]) -> _Column | None:
    """Return the temperature whose name shares most with a humidity's: "humidity-2" goes with "temperature-2"."""
    tail = name.rpartition("/")[2].partition("-")[2]
    same = [one for one in temperatures if one.channel.name.rpartition("/")[2].partition("-")[2] == tail]
    return next(iter(same or temperatures), None)


def _paired(humidity: _Column, temperature: _Column) -> AirSeries:
    at, values = np.concatenate(humidity.times_s), np.concatenate(humidity.values)
    air_at, air = np.concatenate(temperature.times_s), np.concatenate(temperature.values)
    order = np.argsort(air_at, kind="stable")
    air_at, air = air_at[order], air[order]
    place = np.clip(np.searchsorted(air_at, at, side="right") - 1, 0, len(air_at) - 1)
    far = np.abs(air_at[place] - at) > max(_BETWEEN_S, _HEARTBEATS * temperature.channel.heartbeat_ns / 1e9)
    return tidied(
        humidity.channel.name,
        at,
        values,
        np.where(far, np.nan, air[place]),
        u_humidity=humidity.u,
        u_air_k=temperature.u,
        hold_s=_HEARTBEATS * humidity.channel.heartbeat_ns / 1e9,
    )


def _band(limits: tuple[Limit, ...]) -> tuple[Band, list[dict[str, Any]]]:
    """Return the band of the limits that are no early signs, and all with their sources."""
    told = [
        {
            "name": limit.name,
            "requirement": limit.requirement.value,
            "bound": limit.bound,
            "document": limit.source.document,
            "edition": limit.source.edition,
            "clause": limit.source.clause,
            "trust": limit.source.trust,
        }
        for limit in limits
        if not limit.entered
    ]
    real = [limit for limit in limits if not limit.entered and not limit.name.endswith("warning")]
    low = max((one for one in real if _is_low(one)), key=lambda one: one.bound, default=None)
    high = min((one for one in real if not _is_low(one)), key=lambda one: one.bound, default=None)
    return Band(
        None if low is None else low.bound,
        None if high is None else high.bound,
        low_strict=low is not None and low.requirement is Requirement.ABOVE,
        high_strict=high is not None and high.requirement is Requirement.BELOW,
    ), told


def _is_low(limit: Limit) -> bool:
    return limit.requirement in (Requirement.ABOVE, Requirement.AT_LEAST)
