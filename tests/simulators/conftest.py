"""A board in a thread, whose voltages a test sets; and whole simulators as processes of their own."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from quietbench.simulators.board import Board, BoardHearer, BoardServer, Output
from quietbench.simulators.clock import MonotonicClock
from quietbench.simulators.control import SimulatorControl
from quietbench.simulators.pinfactory import SimulatedPinFactory
from quietbench.simulators.serve import make_loop
from quietbench.simulators.wire import Chip


def until(true: Callable[[], bool], seconds: float = 3.0) -> bool:
    """Wait for something that another thread or process does; say whether it came true."""
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.001)
    return True


class ThreadBoard(BoardHearer):
    """A board served from a thread of its own, with voltages that a test sets."""

    def __init__(self, address: Path, chip: str = "MCP3208") -> None:
        self.address = address
        self.volts: dict[int, float] = {}
        self.conversions = 0
        self.changes: list[tuple[int, str, int, str]] = []
        self.board = Board({12: "buzzer"}, {21: "relay"}, self)
        self.server = BoardServer(
            self.board,
            revision="a02082",
            chips=(Chip(chip, 8, 11, 10, 9, 3.3),),
            volts=self._volts,
            clock=MonotonicClock(),
        )
        self.loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Stand there; returns when the socket listens."""
        listening = threading.Event()
        self.loop = make_loop()
        self._thread = threading.Thread(target=self._run, args=(listening,))
        self._thread.start()
        assert listening.wait(2.0)

    def stop(self) -> None:
        """Go away, as a simulator does that ends."""
        assert self.loop is not None
        assert self._thread is not None
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join()
        self.address.unlink(missing_ok=True)

    def do(self, what: Callable[..., Any], *arguments: Any) -> Any:
        """Call something on the board's own thread and return what it returns."""
        assert self.loop is not None

        async def call() -> Any:
            return what(*arguments)

        return asyncio.run_coroutine_threadsafe(call(), self.loop).result(2.0)

    def drive(self, line: int, level: int) -> int:
        """Drive an input; return the edge's time in ns."""
        ns = time.monotonic_ns()
        self.do(self.board.drive, line, level, ns)
        return ns

    def output_changed(self, output: Output, why: str) -> None:
        """Keep what the watcher's outputs did."""
        self.changes.append((output.line, output.function, output.level, why))

    def _volts(self, select: int, number: int) -> float:
        assert select == 8
        self.conversions += 1
        return self.volts.get(number, 0.0)

    def _run(self, listening: threading.Event) -> None:
        assert self.loop is not None
        self.loop.run_until_complete(self.server.start(self.address))
        listening.set()
        self.loop.run_forever()
        self.loop.run_until_complete(self.server.stop())
        self.loop.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[ThreadBoard]:
    """Give a board that listens."""
    board = ThreadBoard(tmp_path / "board.sock")
    board.start()
    yield board
    board.stop()


@pytest.fixture
def factory(board: ThreadBoard) -> Iterator[SimulatedPinFactory]:
    """Give a pin factory at that board."""
    with SimulatedPinFactory(str(board.address)) as factory:
        yield factory


class Simulator:
    """A simulator as a process of its own, in a folder."""

    def __init__(self, folder: Path, scenario: str = "quiet", *more: str) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "quietbench.simulators", scenario, "--folder", str(folder), *more]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"

    @property
    def port(self) -> str:
        """Get the path of the serial port `air`."""
        return str(self.folder / "ports" / "air")

    @contextmanager
    def control(self) -> Iterator[SimulatorControl]:
        """Give a client of the control socket."""
        with SimulatorControl(self.folder / "control.sock") as control:
            yield control

    def end(self) -> int:
        """Ask it to end and return its exit code."""
        self.process.terminate()
        self.process.communicate(timeout=5.0)
        return self.process.returncode


@pytest.fixture(scope="module")
def simulator(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulator]:
    """Give a running simulator of the scenario `quiet`, shared by a module's tests."""
    simulator = Simulator(tmp_path_factory.mktemp("site"))
    yield simulator
    assert simulator.end() == 0
