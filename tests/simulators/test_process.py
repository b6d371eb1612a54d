"""The simulator as a process, and watchers that die while they hold its lines."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from gpiozero import MCP3208

from quietbench.drivers.errors import WireError
from quietbench.simulators.control import ControlRefusedError, SimulatorControl
from quietbench.simulators.pinfactory import SimulatedPinFactory

from .conftest import Simulator, until

pytestmark = pytest.mark.slow

HOLDER = """
import sys, time
from gpiozero import Buzzer, DigitalOutputDevice
from quietbench.simulators.pinfactory import SimulatedPinFactory
factory = SimulatedPinFactory(sys.argv[1])
buzzer, relay = Buzzer(12, pin_factory=factory), DigitalOutputDevice(21, pin_factory=factory)
buzzer.on()
print("holding", flush=True)
while True:
    relay.toggle()
    time.sleep(0.05)
"""


@contextmanager
def holder(simulator: Simulator) -> Iterator[subprocess.Popen[str]]:
    """Give a process that holds the buzzer on and gives the relay its pulses."""
    command = [sys.executable, "-c", HOLDER, str(simulator.folder / "board.sock")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "holding\n"
            yield process
        finally:
            process.kill()


@pytest.fixture
def control(simulator: Simulator) -> Iterator[SimulatorControl]:
    """Give a client of the control socket."""
    with simulator.control() as control:
        yield control


def test_outputs_fall_back_when_the_watcher_is_killed(
    simulator: Simulator, control: SimulatorControl
) -> None:
    """After kill -9 the buzzer's line falls at once, the relay within a second, and the truth says when."""
    with holder(simulator) as process:
        assert until(
            lambda: control.outputs().relays[21].energised and control.outputs().outputs[12].level == 1
        )
        killed_ns = time.monotonic_ns()
        process.kill()
        assert until(lambda: control.outputs().outputs[12].level == 0)
        assert until(lambda: not control.outputs().relays[21].energised)
    state = control.outputs()
    assert state.outputs[12].function == "input"
    assert 0 < state.outputs[12].changed_ns - killed_ns < 500_000_000
    assert 0 < state.relays[21].changed_ns - killed_ns <= 1_100_000_000
    last = [line for line in control.truth() if line["what"] in ("watcher", "output", "relay")][-3:]
    assert [(line["what"], line.get("connected"), line.get("why")) for line in last] == [
        ("watcher", False, None),
        ("output", None, "released"),
        ("relay", None, None),
    ]


def test_the_relay_drops_when_the_watcher_is_stopped(simulator: Simulator, control: SimulatorControl) -> None:
    """A process that hangs keeps its lines but gives no pulses: the stage drops within 1.5 s."""
    with holder(simulator) as process:
        assert until(lambda: control.outputs().relays[21].energised)
        process.send_signal(signal.SIGSTOP)
        stopped_ns = time.monotonic_ns()
        assert until(lambda: not control.outputs().relays[21].energised)
        state = control.outputs()
        process.send_signal(signal.SIGCONT)
    assert state.relays[21].changed_ns - stopped_ns <= 1_500_000_000
    assert state.outputs[12].level == 1


def test_lines_converter_and_control_work_together(simulator: Simulator, control: SimulatorControl) -> None:
    """A line set by a test arrives with its time, a pulse lasts, a mat reads its ohms, a buzzer is watched."""
    seen: list[tuple[float, int]] = []
    with SimulatedPinFactory(str(simulator.folder / "board.sock")) as factory, control.watch() as changes:
        strap, buzzer = factory.pin(22), factory.pin(12)
        buzzer.output_with_state(0)

        def handler(ticks: float, state: int) -> None:
            seen.append((ticks, state))
            buzzer.state = state

        strap.input_with_pull("up")
        assert strap.state is False
        strap.when_changed = handler
        begin_ns, end_ns = control.pulse(22, 1, 20.0)
        assert until(lambda: len(seen) == 2)
        assert [round(ticks * 1e9) for ticks, _ in seen] == pytest.approx([begin_ns, end_ns], abs=1000)
        assert 20_000_000 <= end_ns - begin_ns < 200_000_000
        levels = [next(changes)["output"] for _ in range(3)]
        assert [(one["line"], one["level"]) for one in levels] == [(12, 0), (12, 1), (12, 0)]
        assert levels[1]["monotonic_ns"] > begin_ns
        with MCP3208(channel=0, pin_factory=factory) as mat:
            share = mat.raw_value / 4096
        assert 1e7 * share / (1 - share) == pytest.approx(control.value("bench-1/mat_ohm"), rel=0.02)


def test_a_forced_cord_shows_on_its_line_and_in_the_truth(control: SimulatorControl) -> None:
    """The physical way: the cord opens, the comparator follows."""
    ns = control.force("bench-1/cord", "open")
    assert until(lambda: control.outputs().lines[22] == 1)
    control.force("bench-1/cord", "free")
    assert until(lambda: control.outputs().lines[22] == 0)
    ended = [line for line in control.truth() if line["what"] == "closed"][-1]
    assert (ended["bench"], ended["stretch"], ended["start_ns"]) == ("bench-1", "cord", ns)
    control.force_presence("bench-1", "absent")
    assert until(lambda: control.outputs().lines[24] == 0)
    control.force_presence("bench-1", "free")


@pytest.mark.parametrize(
    ("request_line", "told"),
    [
        ({"do": "dance"}, "wanted one of watch, force"),
        ({"do": "force", "part": "bench-1/rope", "state": "open"}, "bench-1/cord"),
        ({"do": "force", "part": "bench-1/cord"}, "state: got nothing"),
        ({"do": "line", "line": 22, "level": 2}, "wanted 0, 1 or null"),
        ({"do": "modbus", "port": "air", "address": 1, "mode": "sulky"}, "got 'sulky'"),
        ({"do": "modbus", "port": "air", "address": 7, "mode": "ok"}, "wanted one of 1"),
        ({"do": "unplug", "port": "water"}, "wanted one of air"),
        ({"do": "humidity", "room": "room-2", "percent": 130}, "wanted 0 … 100"),
        ({"do": "value", "signal": "bench-1/colour"}, "bench-1/mat_ohm"),
        ([1, 2], "must be"),
    ],
)
def test_a_request_that_can_not_be_done_is_refused(
    simulator: Simulator, request_line: object, told: str
) -> None:
    """The answer says what was got and wanted, and the connection goes on."""
    with socket.socket(socket.AF_UNIX) as sock:
        sock.connect(str(simulator.folder / "control.sock"))
        with sock.makefile("rwb") as file:
            for request in (request_line, {"id": 7, "do": "outputs"}):
                file.write(json.dumps(request).encode() + b"\n")
            file.flush()
            refused, done = json.loads(file.readline()), json.loads(file.readline())
    assert told in refused["error"]
    assert done["id"] == 7
    assert "ok" in done


def test_the_client_raises_what_the_simulator_refuses(control: SimulatorControl) -> None:
    """A refusal is an error with the simulator's words."""
    with pytest.raises(ControlRefusedError, match="wanted one of air"):
        control.unplug("water")


def test_it_ends_cleanly_and_takes_its_things_away(tmp_path: Path) -> None:
    """SIGTERM gives exit code 0; sockets, ports and links are gone, the truth stays and ends with `stopped`."""
    simulator = Simulator(tmp_path)
    assert {entry.name for entry in tmp_path.iterdir()} == {
        "board.sock",
        "control.sock",
        "ports",
        "truth.jsonl",
    }
    with SimulatedPinFactory(str(tmp_path / "board.sock")) as factory:
        assert simulator.end() == 0
        pin = factory.pin(22)
        assert until(lambda: factory.link.lost is not None)
        with pytest.raises(WireError):
            pin.state  # noqa: B018
    assert {entry.name for entry in tmp_path.iterdir()} == {"truth.jsonl"}
    lines = [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text().splitlines()]
    assert (lines[0]["what"], lines[-1]["what"]) == ("started", "stopped")


def test_what_a_killed_simulator_left_is_cleared_and_a_living_one_respected(tmp_path: Path) -> None:
    """After kill -9 the folder can be used again; a folder that is served can't be taken."""
    first = Simulator(tmp_path)
    first.process.kill()
    first.process.communicate()
    second = Simulator(tmp_path, "quiet", "--seed", "5")
    command = [sys.executable, "-m", "quietbench.simulators", "quiet", "--folder", str(tmp_path)]
    third = subprocess.run(command, capture_output=True, text=True, check=False)
    assert third.returncode == 2
    assert "got a simulator that serves board.sock" in third.stderr
    assert "Traceback" not in third.stderr
    assert second.end() == 0


def test_it_ends_by_itself_after_the_seconds_asked_for(tmp_path: Path) -> None:
    """`--seconds` is for demonstrations."""
    simulator = Simulator(tmp_path, "quiet", "--seconds", "0.3", "--speed", "10")
    simulator.process.communicate(timeout=5.0)
    assert simulator.process.returncode == 0


def test_a_scenario_that_can_not_be_used_is_told_without_a_traceback(tmp_path: Path) -> None:
    """Exit code 2 and the problems on standard error."""
    (tmp_path / "bad.toml").write_text("version = 3\n", encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "quietbench.simulators",
        str(tmp_path / "bad.toml"),
        "--folder",
        str(tmp_path),
    ]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ended.returncode == 2
    assert "version: got 3" in ended.stderr
    assert "Traceback" not in ended.stderr
