"""Makes the model, the board and the registers that a scenario describes."""

from __future__ import annotations

import struct
from collections.abc import Callable

from quietbench.simulators.board import Board, BoardHearer
from quietbench.simulators.happenings import Fault, Replug, Unplug
from quietbench.simulators.model.bench import Bench, BenchNature
from quietbench.simulators.model.room import ZERO_C_K, Room, RoomNature
from quietbench.simulators.model.season import SeasonNature, SeasonRoom
from quietbench.simulators.model.sensor import Sensor, SensorNature
from quietbench.simulators.model.weather import WeatherNature
from quietbench.simulators.model.world import World
from quietbench.simulators.scenario import (
    BenchSetup,
    RegisterSetup,
    RoomSetup,
    Scenario,
    SensorSetup,
    SlaveSetup,
)
from quietbench.simulators.wire import Chip

_UNITS: dict[str, tuple[float, float]] = {
    "1": (1.0, 0.0),
    "%RH": (100.0, 0.0),
    "K": (1.0, 0.0),
    "degC": (1.0, -ZERO_C_K),
}
_PACKED = {"uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f"}

SignalValue = Callable[[str], float]
"""Gives a register signal in its SI unit, now."""


def world_of(scenario: Scenario, seed: int) -> World:
    """Return the scenario's model with its whole timeline planned."""
    rooms = {name: _room(seed, name, setup) for name, setup in scenario.rooms.items()}
    benches = {name: _bench(seed, name, setup, rooms[setup.room]) for name, setup in scenario.benches.items()}
    for happening in scenario.timeline:
        if not isinstance(happening, (Fault, Unplug, Replug)):
            happening.plan(benches[happening.bench])
    return World(seed, rooms, benches, _sensors(seed, scenario, rooms))


def board_of(scenario: Scenario, hearer: BoardHearer) -> Board:
    """Return the scenario's board with nothing driven yet."""
    names = {**scenario.board.outputs, **scenario.board.relays}
    return Board(names, dict(scenario.board.relays), hearer)


def chips_of(scenario: Scenario) -> tuple[Chip, ...]:
    """Return the chips on the scenario's board."""
    setup = scenario.board.converter
    if setup is None:
        return ()
    return (Chip(setup.chip, setup.select, setup.clock, setup.mosi, setup.miso, setup.reference_v),)


class Registers:
    """One slave's registers; ``value_of`` gives the signals behind them."""

    def __init__(self, setup: SlaveSetup, value_of: SignalValue) -> None:
        self._value_of = value_of
        self._cells: dict[tuple[str, int], tuple[RegisterSetup, int]] = {
            (register.table, register.first + offset): (register, offset)
            for register in setup.registers
            for offset in range(register.width)
        }

    def read(self, table: str, number: int) -> int:
        """Return the 16 bits of one register.

        Raises:
            KeyError: there is no such register.
            OverflowError: its value does not fit.
        """
        register, offset = self._cells[table, number]
        packed = _pack(register, self._value(register))
        return int.from_bytes(packed[2 * offset : 2 * offset + 2])

    def _value(self, register: RegisterSetup) -> float:
        if register.signal is None:
            assert register.value is not None
            return register.value
        scale, offset = _UNITS[register.unit]
        return (self._value_of(register.signal) * scale + offset) / register.step


def _pack(register: RegisterSetup, value: float) -> bytes:
    try:
        return struct.pack(_PACKED[register.type], value if register.type == "float32" else round(value))
    except struct.error as error:
        raise OverflowError(f"register {register.first}: {value} does not fit {register.type}") from error


def _room(seed: int, name: str, setup: RoomSetup) -> Room | SeasonRoom:
    if setup.season is not None:
        season = setup.season.model_dump(exclude={"weather"})
        weather = WeatherNature(**setup.season.weather.model_dump())
        return SeasonRoom(seed, name, SeasonNature(weather=weather, **season))
    values = setup.model_dump(exclude={"outdoor_dew_point_c", "season", "sensors"})
    return Room(seed, name, RoomNature(outdoor_dew_point=tuple(sorted(setup.outdoor_dew_point_c)), **values))


def _sensors(seed: int, scenario: Scenario, rooms: dict[str, Room | SeasonRoom]) -> dict[str, Sensor]:
    return {
        f"{room}/{name}": _sensor(seed, f"{room}/{name}", sensor, setup, rooms[room])
        for room, setup in scenario.rooms.items()
        for name, sensor in setup.sensors.items()
    }


def _sensor(seed: int, name: str, sensor: SensorSetup, setup: RoomSetup, room: Room | SeasonRoom) -> Sensor:
    sun = room.weather.sun if isinstance(room, SeasonRoom) else _always_clear
    start_hour = setup.start_hour if setup.season is None else setup.season.start_hour
    return Sensor(seed, name, SensorNature(start_hour=start_hour, **sensor.model_dump()), room, sun)


def _always_clear(_hours: float) -> float:
    return 1.0


def _bench(seed: int, name: str, setup: BenchSetup, room: Room | SeasonRoom) -> Bench:
    return Bench(seed, name, BenchNature(**setup.model_dump(exclude={"room"})), room.humidity_at)
