"""Puts a site into the world: its sockets and serial ports in a folder, and the loop that moves it in real time."""

from __future__ import annotations

import asyncio
import contextlib
import selectors
import socket
from collections.abc import Callable
from pathlib import Path

from quietbench.drivers.errors import QuietbenchError
from quietbench.simulators.board import BoardServer
from quietbench.simulators.build import Registers, chips_of
from quietbench.simulators.clock import MonotonicClock
from quietbench.simulators.control_server import ControlServer
from quietbench.simulators.modbus_rtu import Mode
from quietbench.simulators.modbus_slave import Framing, Slave, SlavePort
from quietbench.simulators.scenario import PortSetup, Scenario
from quietbench.simulators.site import Site
from quietbench.simulators.truth import TruthFile

BOARD, CONTROL, PORTS, TRUTH = "board.sock", "control.sock", "ports", "truth.jsonl"
"""Names in the folder."""


class FolderError(QuietbenchError, OSError):
    """The folder can't be used: another simulator serves it, or it can't be written."""


class _SerialPorts:
    """The serial ports of a running site, by name."""

    def __init__(self) -> None:
        self.by_name: dict[str, SlavePort] = {}

    def set_mode(self, port: str, address: int, mode: Mode, late_s: float) -> None:
        slave = self.by_name[port].slaves[address]
        slave.mode, slave.late_s = mode, late_s

    def plug(self, port: str, present: bool) -> None:
        if present:
            self.by_name[port].plug()
        else:
            self.by_name[port].unplug()


class Service:
    """A site with its sockets, ports and truth file in ``folder``."""

    def __init__(self, scenario: Scenario, folder: Path, *, seed: int | None, speed: float) -> None:
        self._folder = folder
        self._truth = TruthFile(folder / TRUTH)
        self._ports = _SerialPorts()
        self.site = Site(
            scenario, clock=MonotonicClock(), truth=self._truth, ports=self._ports, seed=seed, speed=speed
        )
        self._board = BoardServer(
            self.site.board,
            revision=scenario.board.revision,
            chips=chips_of(scenario),
            volts=self.site.volts,
            clock=self.site.clock,
        )
        self._control = ControlServer(self.site, self._truth.lines, self._tick)
        self._timer: asyncio.TimerHandle | None = None

    async def start(self) -> None:
        """Let everything stand and the time run."""
        for name, setup in self.site.scenario.ports.items():
            self._ports.by_name[name] = self._port(name, setup)
            self._ports.by_name[name].plug()
        await self._board.start(self._folder / BOARD)
        await self._control.start(self._folder / CONTROL)
        self._tick()

    async def stop(self) -> None:
        """Take everything away again."""
        if self._timer is not None:
            self._timer.cancel()
        await self._control.stop()
        await self._board.stop()
        for port in self._ports.by_name.values():
            port.unplug()
        self.site.stop()
        self._truth.close()
        for name in (BOARD, CONTROL):
            (self._folder / name).unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            (self._folder / PORTS).rmdir()

    def _port(self, name: str, setup: PortSetup) -> SlavePort:
        framing = Framing(setup.baud_rate, setup.parity != "none", setup.stop_bits)
        slaves = {
            one.address: Slave(one.address, Registers(one, self.site.value).read) for one in setup.slaves
        }
        return SlavePort(name, self._folder / PORTS / name, framing, slaves, self.site.seed)

    def _tick(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self.site.step()
        wait_s = max(0, self.site.wake_ns() - self.site.clock.monotonic_ns()) / 1e9
        self._timer = asyncio.get_running_loop().call_later(wait_s, self._tick)


async def serve(
    service: Service, stop: asyncio.Event, seconds: float | None, ready: Callable[[], None]
) -> None:
    """Serve until ``stop`` is set or ``seconds`` have passed; call ``ready`` when everything stands."""
    try:
        await service.start()
        ready()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), seconds)
    finally:
        await service.stop()


def make_loop() -> asyncio.AbstractEventLoop:
    """Return a loop whose timers are as fine as select(2): epoll rounds up to whole milliseconds, too coarse here."""
    return asyncio.SelectorEventLoop(selectors.SelectSelector())


def prepare(folder: Path) -> Path:
    """Make the folder and clear away what a simulator that was killed has left in it.

    Raises:
        FolderError: a simulator serves it now, or it can't be written.
    """
    folder = folder.absolute()
    try:
        (folder / PORTS).mkdir(parents=True, exist_ok=True)
        for name in (BOARD, CONTROL):
            _clear(folder / name)
        for link in (folder / PORTS).iterdir():
            if link.is_symlink():
                link.unlink()
    except FolderError:
        raise
    except OSError as error:
        raise FolderError(f"folder {folder}: got {error}, wanted a folder that can be written") from error
    return folder


def _clear(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as probe:
        probe.settimeout(0.5)
        try:
            probe.connect(str(path))
        except (ConnectionRefusedError, FileNotFoundError):
            path.unlink(missing_ok=True)
            return
    raise FolderError(
        f"folder {path.parent}: got a simulator that serves {path.name}, wanted a folder of its own"
    )
