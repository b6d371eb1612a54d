"""The simulator's end of the lines: what stands on each, who set it, and the stage behind a fail-safe relay.

`Board` is the state without any socket, so it can be moved by hand; `BoardServer` puts it on a Unix socket for
`quietbench.simulators.pinfactory`. Inputs are driven by the model or, over it, by a test; outputs are told by the
watcher's pins and fall back to the pull they have at power-on when the watcher's connection closes, as the
kernel lets go of a dead process's lines.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietbench.simulators.clock import Clock
from quietbench.simulators.wire import HEARTBEAT_S, VERSION, Chip, Lines, encode

_log = logging.getLogger(__name__)

RELAY_HOLD_NS = 1_000_000_000
"""The stage drops this long after the last pulse edge on its line."""

_MOST_UNREAD_BYTES = 1 << 20

_PULLED_UP_AT_POWER_ON = frozenset((*range(9), *range(34, 37)))
"""BCM283x/2711 data sheets, table "GPIO alternate functions": lines 0-8 and 34-36 wake up pulled up."""


def level_at_power_on(line: int) -> int:
    """Return what a line stands at that nobody drives, before any software has set its pull."""
    return int(line in _PULLED_UP_AT_POWER_ON)


@dataclass(slots=True)
class Output:
    """A line that the watcher has set at least once; ``changed_ns`` is CLOCK_MONOTONIC of its last change."""

    line: int
    name: str
    function: str
    level: int
    changed_ns: int
    owner: int | None = None
    changes: int = 0


@dataclass(slots=True)
class RelayStage:
    """A retriggered stage that holds a relay for a second after each edge on its line, and no longer.

    A level, high or low, lets it drop; so does a line that was let go.
    """

    line: int
    name: str
    last_edge_ns: int | None = None
    energised: bool = False
    changed_ns: int = 0

    def edge(self, ns: int) -> bool:
        """Take a pulse edge; say whether the relay has just pulled in."""
        self.last_edge_ns = ns
        if self.energised:
            return False
        self.energised, self.changed_ns = True, ns
        return True

    def settle(self, ns: int) -> bool:
        """Let time pass up to ``ns``; say whether the relay has just dropped."""
        if not self.energised or ns < self.drops_ns():
            return False
        self.changed_ns = self.drops_ns()
        self.energised = False
        return True

    def drops_ns(self) -> int:
        """Return when the stage drops if no further edge comes."""
        return (self.last_edge_ns or 0) + RELAY_HOLD_NS


class BoardHearer:
    """Hears of what happens on the board; the base hears nothing of it."""

    def output_changed(self, output: Output, why: str) -> None:
        """Hear of an output's new level or function; ``why`` is "set" or "released"."""

    def relay_changed(self, relay: RelayStage) -> None:
        """Hear of a relay that pulled in or dropped, at ``relay.changed_ns``."""

    def watcher_changed(self, pid: int, connected: bool, ns: int) -> None:
        """Hear of a watcher that came or went."""

    def line_changed(self, line: int, level: int, ns: int, why: str) -> None:
        """Hear of an input that was set by a test; ``why`` is "forced" or "free"."""


@dataclass(slots=True)
class Board:
    """All lines of one board.

    ``names`` gives the outputs' names, ``relay_lines`` the relays' by line. ``send_edge`` is told of every change
    of an input: line, level and CLOCK_MONOTONIC ns.
    """

    names: dict[int, str]
    relay_lines: dict[int, str]
    hearer: BoardHearer
    send_edge: Callable[[int, int, int], None] = lambda *_: None
    levels: dict[int, int] = field(default_factory=dict)
    outputs: dict[int, Output] = field(default_factory=dict)
    relays: dict[int, RelayStage] = field(init=False)
    _forced: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.relays = {line: RelayStage(line, name) for line, name in self.relay_lines.items()}

    def shown(self) -> dict[int, int]:
        """Return what stands on every driven input."""
        return {**self.levels, **self._forced}

    def drive(self, line: int, level: int, ns: int) -> None:
        """Let the model drive a line; a level that a test has forced stands over it."""
        before = self.shown().get(line)
        self.levels[line] = level
        if line not in self._forced and level != before:
            self.send_edge(line, level, ns)

    def force(self, line: int, level: int | None, ns: int) -> None:
        """Let a test drive a line at ``level``, or with None give it back to the model."""
        before = self.shown().get(line)
        if level is None:
            self._forced.pop(line, None)
        else:
            self._forced[line] = level
        after = self.shown().get(line, level_at_power_on(line))
        if after != before:
            self.send_edge(line, after, ns)
            self.hearer.line_changed(line, after, ns, "free" if level is None else "forced")

    def set_output(self, owner: int, line: int, function: str, level: int, ns: int) -> None:
        """Take what a watcher's pin says of a line."""
        output = self.outputs.get(line)
        if output is None:
            name = self.names.get(line, f"line-{line}")
            output = self.outputs[line] = Output(line, name, "input", level_at_power_on(line), ns)
        if function == "input":
            self._release(output, ns)
            return
        output.owner = owner
        self._change(output, "output", level, ns, "set")

    def release(self, owner: int, ns: int) -> None:
        """Let all outputs of a watcher fall back: it is gone."""
        for output in self.outputs.values():
            if output.owner == owner:
                self._release(output, ns)

    def settle(self, ns: int) -> None:
        """Let time pass: relays drop whose last edge is a second old."""
        for relay in self.relays.values():
            if relay.settle(ns):
                self.hearer.relay_changed(relay)

    def wake_ns(self) -> int | None:
        """Return when `settle` next has something to do."""
        return min((relay.drops_ns() for relay in self.relays.values() if relay.energised), default=None)

    def _release(self, output: Output, ns: int) -> None:
        output.owner = None
        self._change(output, "input", level_at_power_on(output.line), ns, "released")

    def _change(self, output: Output, function: str, level: int, ns: int, why: str) -> None:
        moved = output.level != level
        if not moved and output.function == function:
            return
        output.function, output.level, output.changed_ns = function, level, ns
        output.changes += moved
        relay = self.relays.get(output.line)
        if relay is not None and moved and why == "set":
            self.settle(ns)
            if relay.edge(ns):
                self.hearer.relay_changed(relay)
        self.hearer.output_changed(output, why)


VoltsOf = Callable[[int, int], float]
"""Gives the voltage at an input of the chip on a select line, now."""


class BoardServer:
    """Serves one board on a Unix socket; ``volts`` answers conversions."""

    def __init__(
        self, board: Board, *, revision: str, chips: tuple[Chip, ...], volts: VoltsOf, clock: Clock
    ) -> None:
        self.board = board
        self.clock = clock
        self._greeting = {
            "board": VERSION,
            "revision": revision,
            "chips": [{name: getattr(chip, name) for name in Chip.__slots__} for chip in chips],
        }
        self._inputs = {chip.select for chip in chips}
        self._volts = volts
        self._clients: set[_Client] = set()
        self._next_owner = 1
        self._server: asyncio.Server | None = None
        self._heartbeat: asyncio.Task[None] | None = None
        board.send_edge = self._send_edge

    async def start(self, path: Path) -> None:
        """Listen at ``path``."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_unix_server(lambda: _Client(self), str(path))
        self._heartbeat = loop.create_task(self._beat())

    async def stop(self) -> None:
        """Close all connections and stop listening."""
        if self._heartbeat is not None:
            self._heartbeat.cancel()
        for client in list(self._clients):
            client.drop()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    def join(self, client: _Client) -> int:
        """Take a watcher in, greet it, and return the number that its outputs belong to."""
        client.write(encode({**self._greeting, "levels": self.board.shown()}))
        self._clients.add(client)
        self._next_owner += 1
        return self._next_owner - 1

    def greet(self, client: _Client) -> None:
        """Greet a client that comes for conversions only."""
        client.write(encode({**self._greeting, "levels": {}}))

    def leave(self, client: _Client) -> None:
        """Let a watcher go: its outputs fall back."""
        if client in self._clients:
            self._clients.discard(client)
            ns = self.clock.monotonic_ns()
            self.board.hearer.watcher_changed(client.pid, False, ns)
            self.board.release(client.owner, ns)

    def convert(self, request: list[int]) -> list[float]:
        """Answer one conversion.

        Raises:
            ValueError: no chip has that select line.
        """
        select, *inputs = request
        if select not in self._inputs:
            raise ValueError(f"got select line {select}, wanted one of {sorted(self._inputs)}")
        return [self._volts(select, number) for number in inputs]

    def _send_edge(self, line: int, level: int, ns: int) -> None:
        message = b"[%d,%d,%d]\n" % (line, level, ns)
        for client in list(self._clients):
            client.write(message)

    async def _beat(self) -> None:
        while True:
            await asyncio.sleep(HEARTBEAT_S)
            for client in list(self._clients):
                client.write(b"[]\n")


class _Client(asyncio.Protocol):
    """One connection: before its first line nothing, then a watcher's lines or a watcher's conversions."""

    def __init__(self, server: BoardServer) -> None:
        self._server = server
        self._lines = Lines()
        self._take: Callable[[Any], None] = self._hello
        self._transport: asyncio.Transport | None = None
        self.pid = 0
        self.owner = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # the library's signature
        self._server.leave(self)

    def data_received(self, data: bytes) -> None:
        try:
            for line in self._lines.feed(data):
                self._take(json.loads(line))
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            _log.warning("a client of the board was dropped: %s", error)
            self.drop()

    def write(self, data: bytes) -> None:
        """Send, or drop a client that has let a mebibyte pile up."""
        assert self._transport is not None
        self._transport.write(data)
        if self._transport.get_write_buffer_size() > _MOST_UNREAD_BYTES:
            _log.warning("the watcher with pid %d was dropped: it does not read", self.pid)
            self.drop()

    def drop(self) -> None:
        """Close the connection at once."""
        if self._transport is not None:
            self._transport.abort()

    def _hello(self, said: dict[str, Any]) -> None:
        if said["version"] != VERSION or said["hello"] not in ("lines", "converter"):
            raise ValueError(f"got {said!r}, wanted a hello of version {VERSION} for lines or converter")
        self.pid = int(said["pid"])
        if said["hello"] == "converter":
            self._take = self._convert
            self._server.greet(self)
            return
        self._take = self._output
        self.owner = self._server.join(self)
        self._server.board.hearer.watcher_changed(self.pid, True, self._server.clock.monotonic_ns())

    def _output(self, said: list[Any]) -> None:
        line, function, level, ns = said
        self._server.board.set_output(self.owner, line, function, level, ns)

    def _convert(self, said: list[int]) -> None:
        self.write(encode(self._server.convert(said)))
