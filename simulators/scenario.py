"""Scenario files: what a simulated site is made of, how it is wired, and what happens when.

A scenario is one TOML file. Names of benches, rooms and ports are words of small letters, digits and hyphens;
signals are ``BENCH/strap``, ``BENCH/bond``, ``BENCH/presence`` (contacts), ``BENCH/mat`` (a voltage),
``ROOM/relative_humidity`` and ``ROOM/air_temperature`` (registers). ``simulators/scenarios/demo.toml`` shows every
table.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Iterator
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints, ValidationError

from quietbench.drivers.errors import QuietbenchError
from quietbench.simulators.happenings import Fault, Happening, PortHappening, Replug, Strict, Unplug
from quietbench.simulators.mcp3208 import KINDS
from quietbench.simulators.model.bench import CONTACT_SIGNALS, VOLTAGE_SIGNALS
from quietbench.simulators.model.world import ROOM_SIGNALS

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
Line = Annotated[int, Field(ge=0, le=45)]


class ScenarioError(QuietbenchError, ValueError):
    """A scenario can't be used; ``problems`` has one line for each thing that is wrong."""

    def __init__(self, problems: Iterable[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class WeatherSetup(Strict):
    """The weather of a season; see `quietbench.simulators.model.weather.WeatherNature`."""

    mean_c: float = Field(ge=-40.0, le=45.0)
    mean_dew_point_c: float = Field(ge=-40.0, le=30.0)
    swing_c: float = Field(default=4.0, ge=0.0, le=20.0)
    spread_c: float = Field(default=3.5, ge=0.0, le=15.0)
    dew_point_spread_c: float = Field(default=3.5, ge=0.0, le=15.0)


class SeasonSetup(Strict):
    """A room through a season; see `quietbench.simulators.model.season.SeasonNature`, whose keys these are."""

    weather: WeatherSetup
    start_hour: float = Field(default=0.0, ge=0.0, lt=24.0)
    start_weekday: int = Field(default=0, ge=0, le=6)
    day_c: float = Field(default=21.5, ge=5.0, le=40.0)
    night_c: float = Field(default=17.5, ge=5.0, le=40.0)
    cooled_c: float | None = Field(default=None, ge=5.0, le=40.0)
    leaking_per_h: float = Field(default=0.2, gt=0.0, le=10.0)
    ventilated_per_h: float = Field(default=1.8, ge=0.0, le=20.0)
    people_hpa_per_h: float = Field(default=1.5, ge=0.0, le=20.0)
    sun_k_per_h: float = Field(default=0.15, ge=0.0, le=5.0)
    humidified_to: float = Field(default=0.0, ge=0.0, le=0.9)
    humidifier_hpa_per_h: float = Field(default=6.0, ge=0.0, le=50.0)
    fails_every_h: float = Field(default=0.0, ge=0.0)
    failed_h: float = Field(default=24.0, gt=0.0)
    window_chance: float = Field(default=0.0, ge=0.0, le=1.0)
    window_per_h: float = Field(default=2.5, ge=0.0, le=50.0)


class SensorSetup(Strict):
    """A sensor in a corner; see `quietbench.simulators.model.sensor.SensorNature`, whose keys these are."""

    warmer_k: float = Field(default=0.0, ge=-10.0, le=20.0)
    offset: float = Field(default=0.0, ge=-0.5, le=0.5)
    offset_k: float = Field(default=0.0, ge=-5.0, le=5.0)
    drift_per_month: float = Field(default=0.0, ge=-0.2, le=0.2)
    drifts_from_h: float = Field(default=0.0, ge=0.0)
    sun_k: float = Field(default=0.0, ge=0.0, le=30.0)
    sun_from: float = Field(default=9.0, ge=0.0, lt=24.0)
    sun_until: float = Field(default=14.0, gt=0.0, le=24.0)
    stuck_from_h: float = Field(default=math.inf, ge=0.0)
    lag_s: float = Field(default=0.0, ge=0.0, le=7200.0)


class RoomSetup(Strict):
    """A room's air; see `quietbench.simulators.model.room.RoomNature`, whose keys these are.

    With a ``season`` the room lives through that instead, and the keys of the plain room count for nothing. Each of
    ``sensors`` gives the signals ROOM/SENSOR/relative_humidity and ROOM/SENSOR/air_temperature.
    """

    start_hour: float = Field(default=9.0, ge=0.0, lt=24.0)
    outdoor_dew_point_c: list[tuple[float, float]] = Field(default=[(0.0, 9.0)], min_length=1)
    indoor_dew_point_c: float = Field(default=9.0, ge=-40.0, le=30.0)
    day_c: float = Field(default=21.0, ge=5.0, le=40.0)
    night_c: float = Field(default=21.0, ge=5.0, le=40.0)
    air_changes_per_h: float = Field(default=0.6, gt=0.0, le=30.0)
    warming_h: float = Field(default=1.0, gt=0.0)
    speed_up: float = Field(default=1.0, gt=0.0, le=10_000.0)
    speed_up_until_s: float = Field(default=0.0, ge=0.0)
    season: SeasonSetup | None = None
    sensors: dict[Name, SensorSetup] = Field(default_factory=dict)


class BenchSetup(Strict):
    """A bench in a room; the mat's resistance at 45 %RH, the cord's wear (0 … 1) and how fast that grows."""

    room: str
    mat_ohm: float = Field(default=2e7, gt=0.0, le=1e12)
    cord_wear: float = Field(default=0.0, ge=0.0, le=1.0)
    cord_ageing_per_s: float = Field(default=0.0, ge=0.0)


class LineSetup(Strict):
    """What drives an input: a contact signal, and the level that it has when closed (or somebody is there)."""

    signal: str
    closed: Literal["low", "high"]


class ConverterSetup(Strict):
    """A converter on the board's SPI lines, with the voltage signals on its inputs."""

    chip: str = "MCP3208"
    select: Line = 8
    clock: Line = 11
    mosi: Line = 10
    miso: Line = 9
    reference_v: float = Field(default=3.3, gt=0.0, le=5.5)
    inputs: dict[int, str] = Field(default_factory=dict)


class BoardSetup(Strict):
    """The lines: what drives them (inputs), and what the watcher's outputs are called (lamps, buzzers, relays).

    ``revision`` is the revision code of the computer that is pretended, which decides what lines there are.
    """

    revision: str = Field(default="a02082", pattern=r"^[0-9a-f]{4,8}$")
    lines: dict[Line, LineSetup] = Field(default_factory=dict)
    outputs: dict[Line, str] = Field(default_factory=dict)
    relays: dict[Line, str] = Field(default_factory=dict)
    converter: ConverterSetup | None = None


class RegisterSetup(Strict):
    """A register: a room's signal in a unit and step, or a constant ``value``. 32 bits take two, high word first."""

    # The key in the file is ``register``; a model's own class already has an attribute of that name.
    table: Literal["input", "holding"] = "input"
    first: int = Field(alias="register", ge=0, le=0xFFFF)
    type: Literal["uint16", "int16", "uint32", "int32", "float32"] = "uint16"
    signal: str | None = None
    unit: Literal["1", "%RH", "K", "degC"] = "1"
    step: float = Field(default=1.0, gt=0.0)
    value: float | None = None

    @property
    def width(self) -> int:
        """Get how many registers it takes."""
        return 2 if self.type.endswith("32") else 1


class SlaveSetup(Strict):
    """A Modbus device and its registers."""

    address: int = Field(ge=1, le=247)
    registers: list[RegisterSetup] = Field(default_factory=list)


class PortSetup(Strict):
    """A serial port, found at FOLDER/ports/NAME, with its slaves."""

    baud_rate: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 9600
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    slaves: list[SlaveSetup] = Field(min_length=1)


class Scenario(Strict):
    """A whole scenario. ``timeline`` is in order of time once loaded; after it the site goes on as it stands."""

    version: Literal[1]
    title: str
    seed: int
    duration_s: float = Field(gt=0.0)
    rooms: dict[Name, RoomSetup] = Field(default_factory=dict)
    benches: dict[Name, BenchSetup] = Field(default_factory=dict)
    board: BoardSetup = Field(default_factory=BoardSetup)
    ports: dict[Name, PortSetup] = Field(default_factory=dict)
    timeline: list[Happening] = Field(default_factory=list)


def builtin_scenarios() -> tuple[str, ...]:
    """Return the names of the scenarios that come with the simulators."""
    folder = resources.files("quietbench.simulators") / "scenarios"
    return tuple(sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load(name_or_path: str) -> Scenario:
    """Load a scenario by its name (one that comes with the simulators) or by the path of a TOML file.

    Raises:
        ScenarioError: there is none, or it can't be used; with everything that is wrong.
    """
    if name_or_path in builtin_scenarios():
        text = (resources.files("quietbench.simulators") / "scenarios" / f"{name_or_path}.toml").read_text(
            "utf-8"
        )
        return parse(text, f"{name_or_path}.toml")
    try:
        return parse(Path(name_or_path).read_text("utf-8"), name_or_path)
    except (OSError, UnicodeDecodeError) as error:
        known = ", ".join(builtin_scenarios())
        raise ScenarioError([f"{name_or_path}: got {error}, wanted a TOML file or one of {known}"]) from error


def parse(text: str, file: str) -> Scenario:
    """Read a scenario from the text of the file called ``file``.

    Raises:
        ScenarioError: it can't be used; with everything that is wrong.
    """
    try:
        scenario = Scenario.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError([f"{file}: got {error}, wanted TOML"]) from error
    except ValidationError as error:
        raise ScenarioError(f"{file}: {_told(problem)}" for problem in error.errors()) from error
    problems = [f"{file}: {problem}" for problem in _wrong_references(scenario)]
    if problems:
        raise ScenarioError(problems)
    return scenario.model_copy(update={"timeline": sorted(scenario.timeline, key=lambda one: one.at_s)})


def _told(problem: Any) -> str:
    place, kind = _key(problem["loc"]), problem["type"]
    if kind == "missing":
        return f"{place}: got nothing, wanted this key"
    if kind == "extra_forbidden":
        return f"{place}: got {problem['input']!r}, wanted no such key here"
    if kind.startswith("union_tag"):
        context = problem["ctx"]
        got = repr(context["tag"]) if "tag" in context else "nothing"
        return f"{place}.do: got {got}, wanted one of {context.get('expected_tags', 'the happenings')}"
    return f"{place}: got {problem['input']!r}, wanted: {problem['msg']}"


def _key(location: tuple[int | str, ...]) -> str:
    text = ""
    for place, part in enumerate(location):
        if place == 2 and location[0] == "timeline":
            continue  # the kind of happening: it is in the file as the value of `do`, not as a key
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "file"


def _wrong_references(scenario: Scenario) -> Iterator[str]:
    yield from _wrong_benches(scenario)
    yield from _wrong_board(scenario)
    yield from _wrong_ports(scenario)
    yield from _wrong_timeline(scenario)


def _wrong_benches(scenario: Scenario) -> Iterator[str]:
    for name, bench in scenario.benches.items():
        yield from _unless_known(f"benches.{name}.room", bench.room, scenario.rooms)


def _wrong_board(scenario: Scenario) -> Iterator[str]:
    board = scenario.board
    contacts = _signals(scenario.benches, CONTACT_SIGNALS)
    used: dict[int, str] = {}
    for line, where in _lines_used(board):
        if line in used:
            yield f"{where}: got line {line}, wanted one that {used[line]} does not use"
        used.setdefault(line, where)
    for line, setup in board.lines.items():
        yield from _unless_known(f"board.lines.{line}.signal", setup.signal, contacts)
    if board.converter is not None:
        yield from _wrong_converter(board.converter, _signals(scenario.benches, VOLTAGE_SIGNALS))


def _lines_used(board: BoardSetup) -> Iterator[tuple[int, str]]:
    for table, lines in (("lines", board.lines), ("outputs", board.outputs), ("relays", board.relays)):
        yield from ((line, f"board.{table}.{line}") for line in lines)
    if board.converter is not None:
        for key in ("select", "clock", "mosi", "miso"):
            yield getattr(board.converter, key), f"board.converter.{key}"


def _wrong_converter(converter: ConverterSetup, voltages: list[str]) -> Iterator[str]:
    yield from _unless_known("board.converter.chip", converter.chip, KINDS)
    inputs = KINDS[converter.chip].inputs if converter.chip in KINDS else 8
    for number, signal in converter.inputs.items():
        if not 0 <= number < inputs:
            yield f"board.converter.inputs: got input {number}, wanted 0 … {inputs - 1} of a {converter.chip}"
        yield from _unless_known(f"board.converter.inputs.{number}", signal, voltages)


def _wrong_ports(scenario: Scenario) -> Iterator[str]:
    for name, port in scenario.ports.items():
        addresses = [slave.address for slave in port.slaves]
        if len(set(addresses)) < len(addresses):
            yield f"ports.{name}.slaves: got addresses {addresses}, wanted each once"
        for number, slave in enumerate(port.slaves):
            yield from _wrong_registers(f"ports.{name}.slaves[{number}].registers", slave, scenario)


def _wrong_registers(where: str, slave: SlaveSetup, scenario: Scenario) -> Iterator[str]:
    signals = _signals(scenario.rooms, ROOM_SIGNALS) + _signals(_corners(scenario), ROOM_SIGNALS)
    used: set[tuple[str, int]] = set()
    for number, register in enumerate(slave.registers):
        place = f"{where}[{number}]"
        if (register.signal is None) == (register.value is None):
            yield f"{place}: got signal {register.signal!r} and value {register.value!r}, wanted just one of them"
        if register.signal is not None:
            yield from _unless_known(f"{place}.signal", register.signal, signals)
        cells = {(register.table, register.first + offset) for offset in range(register.width)}
        if cells & used or register.first + register.width > 0x10000:
            yield f"{place}.register: got {register.first}, wanted registers that are free and below 65536"
        used |= cells


def _corners(scenario: Scenario) -> dict[str, SensorSetup]:
    rooms = scenario.rooms.items()
    return {f"{room}/{name}": sensor for room, setup in rooms for name, sensor in setup.sensors.items()}


def _wrong_timeline(scenario: Scenario) -> Iterator[str]:
    for number, happening in enumerate(scenario.timeline):
        place = f"timeline[{number}]"
        if happening.at_s > scenario.duration_s:
            yield f"{place}.at_s: got {happening.at_s}, wanted at most duration_s, {scenario.duration_s}"
        if not isinstance(happening, (Fault, Unplug, Replug)):
            yield from _unless_known(f"{place}.bench", happening.bench, scenario.benches)
            continue
        yield from _wrong_port_happening(place, happening, scenario)


def _wrong_port_happening(place: str, happening: PortHappening, scenario: Scenario) -> Iterator[str]:
    yield from _unless_known(f"{place}.port", happening.port, scenario.ports)
    port = scenario.ports.get(happening.port)
    if isinstance(happening, Fault) and port is not None:
        addresses = [slave.address for slave in port.slaves]
        if happening.address not in addresses:
            yield f"{place}.address: got {happening.address}, wanted one of {addresses}"


def _signals(owners: dict[str, Any], names: tuple[str, ...]) -> list[str]:
    return [f"{owner}/{name}" for owner in owners for name in names]


def _unless_known(where: str, got: str, known: Iterable[str]) -> Iterator[str]:
    if got not in known:
        yield f"{where}: got {got!r}, wanted one of {', '.join(known) or 'none: there are none'}"
