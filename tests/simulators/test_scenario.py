"""Scenario files: the ones that come along, and clear errors for the ones that can't be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.simulators.scenario import ScenarioError, builtin_scenarios, load, parse

GOOD = """
version = 1
title = "A small site"
seed = 1
duration_s = 10.0
[rooms.room-1]
[benches.bench-1]
room = "room-1"
[board.lines]
22 = { signal = "bench-1/strap", closed = "low" }
[board.outputs]
12 = "bench-1/buzzer"
[board.relays]
21 = "bench-1/relay"
[board.converter]
inputs = { 0 = "bench-1/mat" }
[ports.air]
[[ports.air.slaves]]
address = 1
registers = [{ register = 0, signal = "room-1/relative_humidity", unit = "%RH", step = 0.1 }]
[[timeline]]
at_s = 5.0
do = "arrive"
bench = "bench-1"
"""

MISTAKES = [
    ("version = 1", "version = 2", "version", "got 2", "wanted"),
    ("seed = 1", "", "seed", "got nothing", "wanted this key"),
    ('title = "A small site"', "title = 7", "title", "got 7", "string"),
    ("duration_s = 10.0", "duration_s = -1.0", "duration_s", "got -1.0", "greater than 0"),
    ("duration_s = 10.0", "duration_s = 10.0\ncolour = 1", "colour", "got 1", "no such key"),
    ("duration_s = 10.0", "duration_s = ", "Invalid value", "got", "wanted TOML"),
    ("[rooms.room-1]", "[rooms.Room_1]", "rooms.Room_1", "got 'Room_1'", "pattern"),
    ("[rooms.room-1]", "[rooms.room-1]\nspeed_up = 0", "rooms.room-1.speed_up", "got 0", "greater than 0"),
    ('room = "room-1"', 'room = "hall"', "benches.bench-1.room", "got 'hall'", "one of room-1"),
    (
        'room = "room-1"',
        'room = "room-1"\ncord_wear = 2',
        "benches.bench-1.cord_wear",
        "got 2",
        "less than or equal",
    ),
    ('"bench-1/strap"', '"bench-1/belt"', "board.lines.22.signal", "got 'bench-1/belt'", "bench-1/strap"),
    ('closed = "low"', 'closed = "shut"', "board.lines.22.closed", "got 'shut'", "'low' or 'high'"),
    ("12 = ", "22 = ", "board.outputs.22", "got line 22", "board.lines.22 does not use"),
    ("21 = ", "8 = ", "board.converter.select", "got line 8", "board.relays.8 does not use"),
    ("21 = ", "77 = ", "board.relays.77", "got '77'", "less than or equal to 45"),
    ("{ 0 = ", "{ 8 = ", "board.converter.inputs", "got input 8", "0 … 7 of a MCP3208"),
    ('"bench-1/mat"', '"bench-1/strap"', "board.converter.inputs.0", "got 'bench-1/strap'", "bench-1/mat"),
    ("[board.converter]", '[board.converter]\nchip = "X"', "board.converter.chip", "got 'X'", "MCP3204"),
    ("[ports.air]", "[ports.air]\nbaud_rate = 9601", "ports.air.baud_rate", "got 9601", "9600"),
    ("address = 1", "address = 0", "ports.air.slaves[0].address", "got 0", "greater than or equal to 1"),
    ("register = 0", "register = 65536", "ports.air.slaves[0].registers[0].register", "got 65536", "65535"),
    (
        "register = 0",
        "register = 65535, type = 'float32'",
        "registers[0].register",
        "got 65535",
        "below 65536",
    ),
    ('signal = "room-1/relative_humidity"', "step = 1", "", "Duplicate inline table key", "wanted TOML"),
    (
        '"room-1/relative_humidity"',
        '"room-1/fog"',
        "registers[0].signal",
        "got 'room-1/fog'",
        "air_temperature",
    ),
    (", unit", ", value = 1, unit", "registers[0]", "value 1.0", "just one of them"),
    ("at_s = 5.0", "at_s = 50.0", "timeline[0].at_s", "got 50.0", "at most duration_s"),
    ('do = "arrive"', 'do = "dance"', "timeline[0].do", "got 'dance'", "'arrive'"),
    ('do = "arrive"', "", "timeline[0].do", "got nothing", "wanted"),
    ('do = "arrive"', 'do = "arrive"\nwear = 1', "timeline[0].wear", "got 1", "no such key"),
    ('do = "arrive"', 'do = "wear_cord"', "timeline[0].wear", "got nothing", "wanted this key"),
    ('bench = "bench-1"', 'bench = "bench-9"', "timeline[0].bench", "got 'bench-9'", "one of bench-1"),
    (
        'do = "arrive"\nbench = "bench-1"',
        'do = "unplug"\nport = "water"',
        "timeline[0].port",
        "got 'water'",
        "one of air",
    ),
    (
        'do = "arrive"\nbench = "bench-1"',
        'do = "fault"\nport = "air"\naddress = 3\nmode = "late"',
        "timeline[0].address",
        "got 3",
        "one of [1]",
    ),
    (
        'do = "arrive"\nbench = "bench-1"',
        'do = "fault"\nport = "air"\naddress = 1\nmode = "sulky"',
        "timeline[0].mode",
        "got 'sulky'",
        "'silent'",
    ),
]


@pytest.mark.parametrize(("old", "new", "key", "got", "wanted"), MISTAKES)
def test_a_mistake_is_told_with_file_key_got_and_wanted(
    old: str, new: str, key: str, got: str, wanted: str
) -> None:
    """Each mistake gives one line that names the file, the key, what was got and what was wanted."""
    assert old in GOOD
    with pytest.raises(ScenarioError) as caught:
        parse(GOOD.replace(old, new, 1), "site.toml")
    assert len(caught.value.problems) == 1
    problem = caught.value.problems[0]
    assert problem.startswith("site.toml: ")
    for part in (key, got, wanted):
        assert part in problem


def test_several_mistakes_are_told_together() -> None:
    """Two wrong references, two lines."""
    text = GOOD.replace('"bench-1/strap"', '"bench-1/belt"').replace('room = "room-1"', 'room = "hall"')
    with pytest.raises(ScenarioError) as caught:
        parse(text, "site.toml")
    assert len(caught.value.problems) == 2


def test_a_scenario_that_is_nowhere_is_told_with_those_that_are(tmp_path: Path) -> None:
    """Neither a name that comes along nor a file: the names are listed."""
    with pytest.raises(ScenarioError, match=r"demo.*dying-cord.*good-day.*quiet.*unplugged-adapter"):
        load(str(tmp_path / "nowhere.toml"))


def test_a_file_is_loaded_by_its_path_and_its_timeline_put_in_order(tmp_path: Path) -> None:
    """Happenings may stand in any order in the file."""
    path = tmp_path / "site.toml"
    path.write_text(GOOD + '[[timeline]]\nat_s = 1.0\ndo = "strap_on"\nbench = "bench-1"\n', encoding="utf-8")
    assert [happening.at_s for happening in load(str(path)).timeline] == [1.0, 5.0]


@pytest.mark.parametrize("name", ["demo", "good-day", "quiet", "unplugged-adapter", "dying-cord"])
def test_the_scenarios_that_come_along_share_one_wiring(name: str) -> None:
    """All can be used, and an example configuration for one fits them all."""
    assert name in builtin_scenarios()
    scenario, demo = load(name), load("demo")
    assert scenario.board == demo.board
    assert scenario.ports == demo.ports
    assert set(scenario.benches) == {"bench-1", "bench-2"}


def test_the_demo_is_wired_as_its_configuration_expects() -> None:
    """Lines, converter inputs and registers of the demo."""
    board, port = load("demo").board, load("demo").ports["air"]
    contacts = {line: (setup.signal, setup.closed) for line, setup in board.lines.items()}
    assert contacts == {
        22: ("bench-1/strap", "low"),
        23: ("bench-1/bond", "low"),
        24: ("bench-1/presence", "high"),
        25: ("bench-2/strap", "low"),
        4: ("bench-2/bond", "low"),
        5: ("bench-2/presence", "high"),
    }
    assert sorted(board.outputs) == [12, 13, 16, 17, 18, 19, 20, 26]
    assert sorted(board.relays) == [21, 27]
    assert board.converter is not None
    assert (board.converter.select, board.converter.inputs) == (8, {0: "bench-1/mat", 1: "bench-2/mat"})
    assert [(one.first, one.unit, one.step, one.type) for one in port.slaves[0].registers] == [
        (0, "%RH", 0.1, "uint16"),
        (1, "degC", 0.1, "int16"),
    ]
