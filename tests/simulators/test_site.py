"""Whole scenarios under a clock that is moved by hand."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietbench.simulators.build import Registers
from quietbench.simulators.clock import HandClock
from quietbench.simulators.modbus_rtu import Mode
from quietbench.simulators.scenario import RegisterSetup, SlaveSetup, load
from quietbench.simulators.site import Site

S = 1_000_000_000


class NoPorts:
    """Keeps what happened to serial ports that are not there."""

    def __init__(self) -> None:
        self.seen: list[tuple[object, ...]] = []

    def set_mode(self, port: str, address: int, mode: Mode, late_s: float) -> None:
        self.seen.append((port, address, mode.value, late_s))

    def plug(self, port: str, present: bool) -> None:
        self.seen.append((port, present))


class Run:
    """A site with its truth in a list and every edge on its lines."""

    def __init__(self, scenario: str, seed: int | None = None, speed: float = 1.0) -> None:
        self.clock, self.ports = HandClock(5 * S), NoPorts()
        self.truth: list[dict[str, Any]] = []
        self.site = Site(
            load(scenario), clock=self.clock, truth=self._write, ports=self.ports, seed=seed, speed=speed
        )
        self.edges: list[tuple[int, int, int]] = []
        self.site.board.send_edge = lambda *edge: self.edges.append(edge)

    def _write(self, what: str, **fields: Any) -> None:
        self.truth.append({"what": what, **fields})

    def to(self, seconds: float, step_s: float = 0.25) -> None:
        """Move on to ``seconds`` after the start."""
        end_ns = self.site.start_ns + round(seconds * S)
        while self.clock.ns < end_ns:
            self.clock.ns = min(end_ns, self.clock.ns + round(step_s * S))
            self.site.step()

    def openings(self, bench: str, stretch: str) -> list[tuple[float, float]]:
        """Return a stretch's ended openings, in seconds after the start."""
        return [
            ((line["start_ns"] - 5 * S) / S, (line["end_ns"] - 5 * S) / S)
            for line in self.truth
            if line["what"] == "closed" and (line["bench"], line["stretch"]) == (bench, stretch)
        ]


@pytest.mark.parametrize("scenario", ["demo", "dying-cord", "unplugged-adapter"])
def test_the_same_seed_gives_the_same_truth_and_the_same_edges(scenario: str) -> None:
    """Two runs agree to the nanosecond; another seed gives another run."""
    one, two, other = Run(scenario), Run(scenario), Run(scenario, seed=99)
    for run in (one, two, other):
        run.to(45.0)
    assert one.truth == two.truth
    assert one.edges == two.edges
    assert other.edges != one.edges or scenario == "unplugged-adapter"


@pytest.mark.slow
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.floats(0.0005, 3.0), min_size=20, max_size=40))
def test_the_steps_do_not_matter(steps: list[float]) -> None:
    """However the clock is moved, the same happens at the same times."""
    straight, stumbling = Run("demo"), Run("demo")
    straight.to(30.0, step_s=30.0)
    for step_s in steps:
        stumbling.clock.forward(step_s)
        if stumbling.clock.ns > 35 * S:
            break
        stumbling.site.step()
    stumbling.clock.ns = 35 * S
    stumbling.site.step()
    assert sorted(map(str, stumbling.truth)) == sorted(map(str, straight.truth))
    assert sorted(stumbling.edges) == sorted(straight.edges)


@pytest.mark.slow
def test_waking_when_told_misses_nothing() -> None:
    """Stepping only at the times that the site asks for tells each edge at its own time, not later."""
    run, late = Run("demo"), []
    run.site.board.send_edge = lambda line, level, ns: late.append(run.clock.ns - ns)
    while run.clock.ns < 45 * S:
        run.clock.ns = max(run.clock.ns + 1, run.site.wake_ns())
        run.site.step()
    assert len(late) > 10
    assert max(late) < 10_000


def test_the_demo_tells_its_story() -> None:
    """Bursts of milliseconds, the cord open from 25 to 38 s, the mat lead off from 44 to 54 s, dry air at the end."""
    run = Run("demo")
    humidity = {}
    for second in range(1, 76):
        run.to(float(second))
        humidity[second] = run.site.value("room-2/relative_humidity")
    cord = run.openings("bench-1", "cord")
    bursts = [b - a for a, b in cord if b < 25.0]
    assert len(bursts) >= 4
    assert all(length < 0.2 for length in bursts)
    assert cord[-1] == (25.0, 38.0)
    assert run.openings("bench-2", "mat_lead")[-1] == pytest.approx((43.5, 54.0), abs=0.5)
    assert run.openings("bench-2", "cord") == []
    assert all(humidity[second] > 0.30 for second in range(1, 50))
    assert all(humidity[second] < 0.30 for second in range(60, 76))
    assert humidity[75] == pytest.approx(humidity[62], abs=0.01)
    assert [line for line in run.truth if line["what"] == "presence"][-1]["present"] is True


def test_the_mat_of_the_demo_reads_its_resistance_through_the_divider() -> None:
    """Counts fit 22 megohm and 16 megohm behind 10 megohm within the parts' tolerance, and full scale when off."""
    run = Run("demo")
    run.to(5.0)
    for number, bench in ((0, "bench-1"), (1, "bench-2")):
        ohm = run.site.true_value(f"{bench}/mat_ohm")
        assert run.site.volts(8, number) == pytest.approx(3.3 * ohm / (ohm + 1e7), rel=0.01)
    assert run.site.true_value("bench-1/mat_ohm") == pytest.approx(2.2e7, rel=0.1)
    run.to(50.0)
    assert run.site.volts(8, 1) > 3.29


def test_a_good_day_lets_nothing_go() -> None:
    """Nothing opens but the skin of people who take their bands off, and each comes and goes as planned."""
    run = Run("good-day")
    run.to(120.0)
    assert {line["stretch"] for line in run.truth if line["what"] == "opened"} == {"skin"}
    assert [line["present"] for line in run.truth if line["what"] == "presence"].count(True) == 3
    assert 0.40 < run.site.value("room-2/relative_humidity") < 0.60


@pytest.mark.slow
def test_a_quiet_room_stays_quiet() -> None:
    """For ten minutes no line moves."""
    run = Run("quiet")
    run.to(600.0)
    assert run.edges == []
    assert run.site.board.shown() == {22: 0, 23: 0, 24: 1, 25: 0, 4: 0, 5: 1}


def test_a_dying_cord_dies_slowly() -> None:
    """More openings in each third of its life, then open for good at 100 s, and whole with a new cord at 112 s."""
    run = Run("dying-cord")
    run.to(120.0)
    cord = run.openings("bench-1", "cord")
    thirds = [sum(1 for a, _ in cord if low <= a < low + 33.0) for low in (0.0, 33.0, 66.0)]
    assert thirds[0] < thirds[1] < thirds[2]
    assert cord[-1] == pytest.approx((100.0, 112.0), abs=0.2)


def test_a_device_fails_when_the_scenario_says_so() -> None:
    """Unplug, replug and each fault reach the port and the truth at their own time."""
    run = Run("unplugged-adapter")
    run.to(46.0)
    assert run.ports.seen == [
        ("air", False),
        ("air", True),
        ("air", 1, "silent", 0.8),
        ("air", 1, "ok", 0.8),
        ("air", 1, "late", 0.8),
    ]
    devices = [line for line in run.truth if line["what"] == "device"]
    assert [(line["mode"], line["monotonic_ns"] // S - 5) for line in devices[:3]] == [
        ("unplugged", 10),
        ("plugged", 20),
        ("silent", 30),
    ]


def test_a_forced_part_opens_at_once_and_closes_when_freed() -> None:
    """The strap's line follows a forced cord after the filter's few milliseconds; the truth names both."""
    run = Run("quiet")
    run.to(1.0)
    ns = run.site.force("bench-1/cord", "open")
    run.to(1.1)
    assert [(line, level) for line, level, _ in run.edges] == [(22, 1)]
    assert 0 < run.edges[0][2] - ns < 5_000_000
    run.site.force("bench-1/cord", "free")
    run.to(1.2)
    assert [(line, level) for line, level, _ in run.edges] == [(22, 1), (22, 0)]
    assert run.openings("bench-1", "cord") == [(1.0, 1.1)]


def test_a_strap_loop_does_not_see_the_common_point_fall_off() -> None:
    """The bond's line opens, the strap's stays closed: its current does not cross that stretch."""
    run = Run("quiet")
    run.site.force("bench-1/common_point", "open")
    run.to(1.0)
    assert [(line, level) for line, level, _ in run.edges] == [(23, 1)]


def test_presence_and_humidity_can_be_forced() -> None:
    """Somebody is sent away and comes back; the room's air is held, and let go."""
    run = Run("quiet")
    run.site.force("bench-2/presence", "absent")
    run.to(0.5)
    run.site.force("bench-2/presence", "free")
    run.to(1.0)
    assert [(line, level) for line, level, _ in run.edges] == [(5, 0), (5, 1)]
    run.site.force_humidity("room-2", 22.0)
    assert run.site.value("room-2/relative_humidity") == pytest.approx(0.22, abs=0.012)
    run.site.force_humidity("room-2", None)
    assert run.site.value("room-2/relative_humidity") > 0.40


@pytest.mark.parametrize(
    ("part", "state", "told"),
    [
        ("bench-1/rope", "open", "bench-1/cord"),
        ("bench-1/cord", "ajar", "open, closed, free"),
        ("bench-1/presence", "open", "present, absent, free"),
    ],
)
def test_a_force_that_can_not_be_is_refused_with_what_can(part: str, state: str, told: str) -> None:
    """Unknown parts and states are named, with the known ones."""
    with pytest.raises(ValueError, match=told):
        Run("quiet").site.force(part, state)


def test_an_unconnected_input_floats_from_rail_to_rail() -> None:
    """Zero or full scale, changing with time, the same for the same seed."""
    one, two = Run("quiet"), Run("quiet")
    seen = []
    for second in range(1, 30):
        one.to(float(second))
        two.to(float(second))
        assert one.site.volts(8, 5) == two.site.volts(8, 5)
        seen.append(one.site.volts(8, 5))
    assert set(seen) == {0.0, 3.3}


def test_a_faster_scenario_keeps_its_story_in_less_time() -> None:
    """At twice the speed the cord tears after 12.5 seconds."""
    run = Run("demo", speed=2.0)
    run.to(20.0)
    assert run.openings("bench-1", "cord")[-1] == (12.5, 19.0)


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        ("uint16", 441.2, [441]),
        ("int16", -5.0, [0xFFFB]),
        ("uint32", 70_000.0, [1, 4464]),
        ("int32", -2.0, [0xFFFF, 0xFFFE]),
        ("float32", 1.0, [0x3F80, 0]),
    ],
)
def test_registers_hold_their_value_in_their_type(kind: str, value: float, words: list[int]) -> None:
    """One or two registers, high word first."""
    setup = RegisterSetup.model_validate({"table": "holding", "register": 3, "type": kind, "value": value})
    registers = Registers(SlaveSetup(address=1, registers=[setup]), lambda _: 0.0)
    assert [registers.read("holding", 3 + offset) for offset in range(len(words))] == words


def test_a_value_beyond_its_register_is_a_failure_and_no_other_number() -> None:
    """A value that does not fit raises; nothing is cut off in silence."""
    setup = RegisterSetup.model_validate({"register": 0, "value": 70_000.0})
    with pytest.raises(OverflowError, match="does not fit uint16"):
        Registers(SlaveSetup(address=1, registers=[setup]), lambda _: 0.0).read("input", 0)
