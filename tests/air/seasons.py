"""Simulated seasons as arrays: what a room's transmitter says, as fast as the model goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietbench.simulators.build import world_of
from quietbench.simulators.model.season import SeasonRoom
from quietbench.simulators.model.world import World
from quietbench.simulators.scenario import load

Floats = NDArray[np.float64]

START_S = 1_930_867_200.0
"""A Monday, 00:00 UTC: the seasons begin with a working day."""


@dataclass(frozen=True, slots=True)
class Said:
    """What one sensor said; humidity 0 … 1, temperature in K, the outdoor dew point in °C as truth beside it."""

    times_s: Floats
    humidity: Floats
    air_k: Floats
    outdoor_dew_c: Floats


def season(name: str, seed: int, days: float, *, every_s: float = 600.0, sensor: str = "room-2") -> Said:
    """Return ``days`` of a scenario's room under a seed; ``sensor`` names the room or ROOM/SENSOR."""
    return sensors(name, seed, days, every_s=every_s, names=(sensor,))[0]


def sensors(
    name: str, seed: int, days: float, *, names: tuple[str, ...], every_s: float = 600.0
) -> tuple[Said, ...]:
    """Return several sensors of the same room and time."""
    world = world_of(load(name), seed)
    at_s = np.arange(0.0, days * 86_400.0, every_s)
    return tuple(_said(world, one, at_s) for one in names)


def _said(world: World, sensor: str, at_s: Floats) -> Said:
    room = world.rooms[sensor.partition("/")[0]]
    assert isinstance(room, SeasonRoom)
    humidity = np.array([world.value_at(f"{sensor}/relative_humidity", float(at)) for at in at_s])
    air = np.array([world.value_at(f"{sensor}/air_temperature", float(at)) for at in at_s])
    outdoor = np.array([room.weather.at(float(at) / 3600.0)[1] for at in at_s])
    return Said(START_S + at_s, humidity.round(3), (air - 273.15).round(1) + 273.15, outdoor)


def drifting(name: str, seed: int, days: float, drift_per_month: float) -> tuple[Said, ...]:
    """Return the room's and its corner's sensor, the corner's with another drift than the scenario has."""
    scenario = load(name)
    room = scenario.rooms["room-2"]
    sensor = room.sensors["window-side"].model_copy(update={"drift_per_month": drift_per_month})
    changed = room.model_copy(update={"sensors": {"window-side": sensor}})
    world = world_of(scenario.model_copy(update={"rooms": {"room-2": changed}}), seed)
    at_s = np.arange(0.0, days * 86_400.0, 1800.0)
    return tuple(_said(world, one, at_s) for one in ("room-2", "room-2/window-side"))
