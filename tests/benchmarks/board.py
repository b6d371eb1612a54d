"""The board of the load, as a process: lines, converters and Modbus devices, and edges that it times itself.

``python -m tests.benchmarks.board FOLDER`` writes ``ready``, then takes one JSON object a line and answers each:

``{"do": "edges", "count": 1000, "seed": 1}``   flip the contact so often and wait each time for the buzzer; answers
                                                the times in ns, from the edge to the line being set
``{"do": "counts"}``                            conversions and Modbus requests so far
``{"do": "output", "line": 12}``                level and time of an output's last change, null before the first

Both ends of a time are CLOCK_MONOTONIC: the edge's, taken just before it is sent to the pin factory, and the
output's, taken by the factory where the line is set. The way through the socket is in it; the way back is not.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import sys
import termios
import tty
from pathlib import Path
from typing import Any

from quietbench.simulators.board import Board, BoardHearer, BoardServer, Output
from quietbench.simulators.clock import MonotonicClock
from quietbench.simulators.modbus_rtu import answer, frame, pdu_for
from quietbench.simulators.serve import make_loop
from quietbench.simulators.wire import Chip
from tests.benchmarks import load

LEAST_GAP_S, MOST_GAP_S = 0.002, 0.030
ANSWER_S = 2.0
_REFERENCE_V, _MAT_V, _NOISE_V = 3.3, 3.3 * 22 / 32, 3.3 / 4096


class Hearer(BoardHearer):
    """Wakes whoever waits for the buzzer."""

    def __init__(self) -> None:
        self.buzzer = asyncio.Event()

    def output_changed(self, output: Output, why: str) -> None:
        """Note the buzzer's changes; other lines are of no interest."""
        if output.line == load.BUZZER_LINE:
            self.buzzer.set()


class Transmitters:
    """All Modbus devices on one pseudo-terminal that answers as fast as it can."""

    def __init__(self, link: Path) -> None:
        self.requests = 0
        self._heard = b""
        self._master, self._slave = (
            os.openpty()
        )  # the slave end held open: without it the master would hang up
        for end in (self._master, self._slave):
            tty.setraw(end, termios.TCSANOW)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._hear)

    def _hear(self) -> None:
        self._heard += os.read(self._master, 4096)
        request = pdu_for(self._heard, frozenset(load.MODBUS_ADDRESSES))
        if request is not None:
            self._heard = b""
            self.requests += 1
            address, pdu = request
            os.write(self._master, frame(address, answer(pdu, self._register)))

    def _register(self, _table: str, register: int) -> int:
        return load.register_value(register, self.requests)


class BenchmarkBoard:
    """The board and what is asked of it."""

    def __init__(self, folder: Path) -> None:
        self._clock = MonotonicClock()
        self._hearer = Hearer()
        self._noise = random.Random(1)
        self._conversions = 0
        relays = {load.RELAY_LINE: "relay"}
        self._board = Board({}, relays, self._hearer)
        for line, level in (
            (load.EDGE_LINE, 0),
            (load.STRAP_LINE, 0),
            (load.BOND_LINE, 0),
            (load.PRESENCE_LINE, 1),
        ):
            self._board.force(line, level, self._clock.monotonic_ns())
        chips = tuple(Chip("MCP3208", select, 11, 10, 9, _REFERENCE_V) for select in load.SELECT_LINES)
        self._server = BoardServer(
            self._board, revision="a02082", chips=chips, volts=self._volts, clock=self._clock
        )
        self._folder = folder

    async def start(self) -> None:
        """Put board and port into the folder."""
        self._transmitters = Transmitters(self._folder / load.PORT)
        await self._server.start(self._folder / "board.sock")

    async def do(self, request: dict[str, Any]) -> Any:
        """Do what a line of input asks."""
        if request["do"] == "edges":
            return await self._edges(request["count"], random.Random(request["seed"]))
        if request["do"] == "counts":
            return {"conversions": self._conversions, "requests": self._transmitters.requests}
        output = self._board.outputs.get(request["line"])
        return None if output is None else {"level": output.level, "changed_ns": output.changed_ns}

    async def _edges(self, count: int, chance: random.Random) -> dict[str, Any]:
        times: dict[str, list[int]] = {"opening": [], "closing": []}
        missed = 0
        for number in range(count):
            took_ns = await self._edge(1 - number % 2, chance.uniform(LEAST_GAP_S, MOST_GAP_S))
            if took_ns is None:
                missed += 1
            else:
                times["closing" if number % 2 else "opening"].append(took_ns)
        return {**times, "missed": missed}

    async def _edge(self, level: int, gap_s: float) -> int | None:
        """Flip the contact, let the gap pass, and return how long the buzzer took; None if it never followed."""
        self._hearer.buzzer.clear()
        edge_ns = self._clock.monotonic_ns()
        self._board.force(load.EDGE_LINE, level, edge_ns)
        await asyncio.sleep(gap_s)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._hearer.buzzer.wait(), ANSWER_S)
        buzzer = self._board.outputs[load.BUZZER_LINE]
        return buzzer.changed_ns - edge_ns if buzzer.level == level and buzzer.changed_ns > edge_ns else None

    def _volts(self, _select: int, _number: int) -> float:
        self._conversions += 1
        return _MAT_V + self._noise.uniform(-_NOISE_V, _NOISE_V)


async def main(folder: Path) -> None:
    """Serve until the input ends."""
    board = BenchmarkBoard(folder)
    await board.start()
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), sys.stdin
    )
    print("ready", flush=True)
    while line := await reader.readline():
        print(json.dumps(await board.do(json.loads(line))), flush=True)


if __name__ == "__main__":
    with asyncio.Runner(loop_factory=make_loop) as runner:
        runner.run(main(Path(sys.argv[1])))
