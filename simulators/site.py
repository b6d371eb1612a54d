"""A running site without any socket or file: model, board and device modes under one clock.

`Site.step` brings everything up to the clock's time; the servers call it when `Site.wake_ns` says so, tests call
it after moving a clock by hand. What really happens goes to ``truth`` and to whoever watches.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from quietbench.simulators.board import BoardHearer, Output, RelayStage
from quietbench.simulators.build import board_of, world_of
from quietbench.simulators.clock import Clock
from quietbench.simulators.happenings import Fault, PortHappening, Replug, Unplug
from quietbench.simulators.modbus_rtu import Mode
from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.changes import Change, ContactChanged, PresenceChanged
from quietbench.simulators.model.stretches import Force
from quietbench.simulators.scenario import LineSetup, Scenario
from quietbench.simulators.truth import WriteTruth


class Ports(Protocol):
    """What stands for the serial ports."""

    def set_mode(self, port: str, address: int, mode: Mode, late_s: float) -> None:
        """Let a slave behave as ``mode`` says; KeyError if there is no such port or address."""

    def plug(self, port: str, present: bool) -> None:
        """Pull an adapter out or put it in; KeyError if there is no such port."""


Watcher = Callable[[dict[str, Any]], None]
"""Hears of an output, relay or watcher, as one object with one key."""


class Site(BoardHearer):
    """One scenario under way. Model time 0 is the clock's time when it is made."""

    def __init__(
        self, scenario: Scenario, *, clock: Clock, truth: WriteTruth, ports: Ports, seed: int | None = None,
        speed: float = 1.0,
    ) -> None:  # fmt: skip
        self.scenario, self.clock, self.truth, self.ports = scenario, clock, truth, ports
        self.seed = scenario.seed if seed is None else seed
        self.speed = speed
        self.start_ns = clock.monotonic_ns()
        self.world = world_of(scenario, self.seed)
        self.board = board_of(scenario, self)
        self.watchers: set[Watcher] = set()
        self._lines = _by_signal(scenario.board.lines)
        self._due = deque(one for one in scenario.timeline if isinstance(one, (Fault, Unplug, Replug)))
        self._opened_ns: dict[tuple[str, str], int] = {}
        truth("started", scenario=scenario.title, seed=self.seed, speed=speed, start_ns=self.start_ns)
        for change in self.world.settle():
            self._take(change)

    def now_s(self) -> float:
        """Return the model time of the present moment."""
        return (self.clock.monotonic_ns() - self.start_ns) / 1e9 * self.speed

    def step(self) -> None:
        """Bring model, board and devices up to now."""
        now_s = max(self.world.now_s, self.now_s())
        for change in self.world.advance(now_s):
            self._take(change)
        while self._due and self._due[0].at_s <= now_s:
            self._happen(self._due.popleft())
        self.board.settle(self.clock.monotonic_ns())

    def wake_ns(self) -> int:
        """Return when `step` has something to do next, at most a quarter of a model second ahead."""
        times = [self._ns(self.world.wake_s())]
        if self._due:
            times.append(self._ns(self._due[0].at_s))
        relay_ns = self.board.wake_ns()
        return min(times if relay_ns is None else [*times, relay_ns])

    def stop(self) -> None:
        """Write the last line of the truth."""
        self.truth("stopped", monotonic_ns=self.clock.monotonic_ns())

    def volts(self, select: int, number: int) -> float:
        """Return the voltage at an input of the chip on the line ``select``, now.

        An input that nothing is wired to floats to one rail or the other, for about a second each.
        """
        converter = self.scenario.board.converter
        if converter is None or converter.select != select:
            raise ValueError(f"got a conversion of a chip on line {select}, wanted one that is there")
        signal = converter.inputs.get(number)
        if signal is None:
            floating = stream(self.seed, "floating", select, number, int(self.now_s()))
            return floating.choice((0.0, converter.reference_v))
        return self.world.volts_at(signal, self.now_s())

    def value(self, signal: str) -> float:
        """Return what a transmitter says of a room's signal, in SI units, now."""
        return self.world.value_at(signal, self.now_s())

    def true_value(self, signal: str) -> float:
        """Return what really is, in SI units, now: BENCH/mat_ohm, BENCH/strap_ohm, or a room's signal.

        Raises:
            ValueError: no such signal.
        """
        values = self._true_values()
        self._known("signal", signal, values)
        return values[signal](self.now_s())

    def force(self, part: str, state: str) -> int:
        """Force BENCH/STRETCH ("open", "closed", "free") or BENCH/presence ("present", "absent", "free").

        Returns:
            The CLOCK_MONOTONIC ns from which it holds.

        Raises:
            ValueError: no such part or state.
        """
        bench, _, name = part.partition("/")
        self._known("part", part, self.parts())
        states = ("present", "absent", "free") if name == "presence" else ("open", "closed", "free")
        self._known("state", state, states)
        self.step()
        if name == "presence":
            self.world.force_presence(bench, {"present": True, "absent": False}.get(state))
        else:
            self.world.force(bench, name, Force(state))
        return self._forced(part, state)

    def force_humidity(self, room: str, percent: float | None) -> int:
        """Hold a room's relative humidity (0 … 100 %), or with None leave it to the weather; returns the time in ns.

        Raises:
            ValueError: no such room, or not a humidity.
        """
        self._known("room", room, self.world.rooms)
        if percent is not None and not 0.0 <= percent <= 100.0:
            raise ValueError(f"percent: got {percent}, wanted 0 … 100 or null")
        self.step()
        self.world.force_humidity(room, None if percent is None else percent / 100.0)
        return self._forced(f"{room}/relative_humidity", "free" if percent is None else percent)

    def set_line(self, line: int, level: int | None) -> int:
        """Set an input at once, over the model; None gives it back. Returns the edge's CLOCK_MONOTONIC ns.

        Raises:
            ValueError: not a level.
        """
        if level not in (0, 1, None):
            raise ValueError(f"level: got {level!r}, wanted 0, 1 or null")
        ns = self.clock.monotonic_ns()
        self.board.force(line, level, ns)
        return ns

    def set_device(self, happening: PortHappening) -> None:
        """Let a serial device or adapter misbehave, or behave again, now.

        Raises:
            ValueError: no such port or slave.
        """
        self._known("port", happening.port, self.scenario.ports)
        if isinstance(happening, Fault):
            addresses = [slave.address for slave in self.scenario.ports[happening.port].slaves]
            self._known("address", happening.address, addresses)
        self._happen(happening, self.clock.monotonic_ns())

    def parts(self) -> list[str]:
        """Return everything that `force` takes."""
        return [
            f"{name}/{part}"
            for name, bench in self.world.benches.items()
            for part in (*bench.stretches, "presence")
        ]

    def output_changed(self, output: Output, why: str) -> None:
        """Write an output's change; a relay's pulses are left out, its stage speaks for them."""
        if output.line in self.board.relays:
            return
        fields = {
            "line": output.line,
            "name": output.name,
            "function": output.function,
            "level": output.level,
        }
        self._tell("output", **fields, why=why, monotonic_ns=output.changed_ns)

    def relay_changed(self, relay: RelayStage) -> None:
        """Write that a relay pulled in or dropped."""
        fields = {"line": relay.line, "name": relay.name, "energised": relay.energised}
        self._tell("relay", **fields, monotonic_ns=relay.changed_ns)

    def watcher_changed(self, pid: int, connected: bool, ns: int) -> None:
        """Write that a watcher came or went."""
        self._tell("watcher", pid=pid, connected=connected, monotonic_ns=ns)

    def line_changed(self, line: int, level: int, ns: int, why: str) -> None:
        """Write that a test set an input."""
        self.truth("line", line=line, level=level, why=why, monotonic_ns=ns)

    def _true_values(self) -> dict[str, Callable[[float], float]]:
        values: dict[str, Callable[[float], float]] = {}
        for name, bench in self.world.benches.items():
            values |= {f"{name}/mat_ohm": bench.mat_ohm_at, f"{name}/strap_ohm": bench.strap_ohm_at}
        for name, room in self.world.rooms.items():
            values[f"{name}/relative_humidity"] = room.humidity_at
            values[f"{name}/air_temperature"] = room.temperature_k_at
        return values

    def _tell(self, what: str, **fields: Any) -> None:
        self.truth(what, **fields)
        for watcher in list(self.watchers):
            watcher({what: fields})

    def _forced(self, part: str, state: object) -> int:
        ns = self._ns(self.world.now_s)
        self.truth("forced", part=part, state=state, monotonic_ns=ns)
        for change in self.world.advance(self.world.now_s):
            self._take(change)
        return ns

    def _ns(self, at_s: float) -> int:
        return self.start_ns + round(at_s / self.speed * 1e9)

    def _take(self, change: Change) -> None:
        ns = self._ns(change.at_s)
        if isinstance(change, ContactChanged):
            for line, closed in self._lines.get(change.signal, ()):
                self.board.drive(line, closed if change.closed else 1 - closed, ns)
        elif isinstance(change, PresenceChanged):
            self.truth("presence", bench=change.bench, present=change.present, monotonic_ns=ns)
        elif change.open:
            self._opened_ns[change.bench, change.stretch] = ns
            self.truth("opened", bench=change.bench, stretch=change.stretch, start_ns=ns)
        else:
            start_ns = self._opened_ns.pop((change.bench, change.stretch))
            self.truth("closed", bench=change.bench, stretch=change.stretch, start_ns=start_ns, end_ns=ns)

    def _happen(self, happening: PortHappening, ns: int | None = None) -> None:
        if isinstance(happening, Fault):
            address, mode = happening.address, happening.mode.value
            self.ports.set_mode(happening.port, happening.address, happening.mode, happening.late_s)
        else:
            address, mode = None, "unplugged" if isinstance(happening, Unplug) else "plugged"
            self.ports.plug(happening.port, isinstance(happening, Replug))
        ns = self._ns(happening.at_s) if ns is None else ns
        self.truth("device", port=happening.port, address=address, mode=mode, monotonic_ns=ns)

    @staticmethod
    def _known(what: str, got: object, known: Any) -> None:
        if got not in known:
            raise ValueError(f"{what}: got {got!r}, wanted one of {', '.join(map(str, known))}")


def _by_signal(lines: dict[int, LineSetup]) -> dict[str, list[tuple[int, int]]]:
    """Return for each signal the lines that it drives, with the level that each has when the contact is closed."""
    by_signal: dict[str, list[tuple[int, int]]] = {}
    for line, setup in lines.items():
        by_signal.setdefault(setup.signal, []).append((line, int(setup.closed == "high")))
    return by_signal
