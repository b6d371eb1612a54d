"""A whole simulated site for tests: the simulators and the watcher as processes of their own, as they are used.

::

    with SimulatedSite(tmp_path) as site:                 # scenario "quiet", the demo's wiring, no sinks
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.control.line(22, 1)                          # the strap opens
        site.wait_bench("bench-1", "open")
"""

from __future__ import annotations

import importlib.resources
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

from quietbench.daemon.core.records import EventKind
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import SocketError
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import StoredEvent, StoredReading
from quietbench.simulators.control import SimulatorControl
from tests.support.brokers import wait_until

STRAP_1, BOND_1, PRESENCE_1, BUZZER_1, RED_1, YELLOW_1, GREEN_1, RELAY_1 = 22, 23, 24, 12, 13, 16, 18, 21
OPEN, CLOSED = 1, 0
"""Levels of a contact line of the demo's wiring."""


def demo_config() -> str:
    """Return the demo's configuration, whose wiring every built-in scenario shares."""
    return importlib.resources.files("quietbench.config").joinpath("examples/demo.toml").read_text("utf-8")


class SimulatedSite:
    """Simulators in a folder, and a watcher that reads them."""

    def __init__(
        self,
        folder: Path,
        *,
        scenario: str = "quiet",
        config: str | None = None,
        more: str = "",
        speed: float = 1.0,
        environment: dict[str, str] | None = None,
    ) -> None:
        # Unix sockets have short paths; pytest's folders are long.
        self.folder = folder
        self.config = folder / "site.toml"
        self.config.write_text((config or demo_config()) + more, encoding="utf-8")
        self._scenario = scenario
        self._speed = speed
        self._environment = {**os.environ, **(environment or {})}
        self._simulators: subprocess.Popen[str] | None = None
        self.watcher: subprocess.Popen[bytes] | None = None
        self.log = folder / "watcher.log"

    def __enter__(self) -> Self:
        self.start_simulators()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop_watcher(signal.SIGKILL)
        self.stop_simulators()

    # -- processes ---------------------------------------------------------------------------------------

    def start_simulators(self) -> None:
        """Start them and wait until everything stands."""
        command = [
            sys.executable,
            "-m",
            "quietbench.simulators",
            self._scenario,
            "--folder",
            str(self.folder),
        ]
        command += ["--speed", str(self._speed)]
        self._simulators = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self._simulators.stdout is not None
        assert self._simulators.stdout.readline() == "ready\n"
        self.control = SimulatorControl(self.folder / "control.sock")

    def stop_simulators(self) -> None:
        """End them; their sockets and ports go."""
        if self._simulators is not None:
            self.control.close()
            self._simulators.terminate()
            self._simulators.wait(10)
            assert self._simulators.stdout is not None
            self._simulators.stdout.close()
            self._simulators = None

    def start_watcher(self, *, wait: bool = True) -> None:
        """Start the watcher as the service does; its log goes to a file."""
        with self.log.open("ab") as log:
            self.watcher = subprocess.Popen(
                [sys.executable, "-P", "-m", "quietbench.daemon.watcher", str(self.config)],
                stdout=log,
                stderr=log,
                env=self._environment,
                cwd=self.folder,
            )
        if wait:
            wait_until(self._answers, f"the watcher answers; it said: {self.said()[-2000:]}")

    def stop_watcher(self, how: signal.Signals = signal.SIGTERM, *, within_s: float = 10.0) -> int | None:
        """End the watcher, and return its exit code."""
        if self.watcher is None:
            return None
        if self.watcher.poll() is None:
            self.watcher.send_signal(how)
            if how is signal.SIGKILL:
                self.watcher.send_signal(signal.SIGCONT)
        code = self.watcher.wait(within_s)
        self.watcher = None
        return code

    def said(self) -> str:
        """Return what the watcher wrote so far."""
        return self.log.read_text("utf-8") if self.log.exists() else ""

    # -- looking -----------------------------------------------------------------------------------------

    def ask(self, do: str, **fields: Any) -> Any:
        """Ask the watcher over its socket."""
        with SocketClient(self.folder / "watcher.sock") as client:
            return client.request(do, **fields)

    def snapshot(self) -> dict[str, Any]:
        """Return what a follower sees first."""
        return dict(self.ask("follow"))

    def bench(self, name: str) -> dict[str, Any]:
        """Return one bench as shown now."""
        return next(bench for bench in self.snapshot()["benches"] if bench["bench"] == name)

    def wait_bench(self, name: str, state: str, *, within_s: float = 20.0) -> None:
        """Wait until a bench is in a state."""
        wait_until(
            lambda: self.bench(name)["state"] == state,
            f"{name} {state}; shown {self._shown(name)}",
            within_s=within_s,
        )

    def alarms(self) -> dict[str, str]:
        """Return the alarms that are not normal, with their states."""
        return {alarm["alarm"]: alarm["state"] for alarm in self.snapshot()["alarms"]}

    def wait_alarm(self, alarm: str, state: str | None, *, within_s: float = 20.0) -> None:
        """Wait until an alarm is in a state; None for normal."""
        wait_until(lambda: self.alarms().get(alarm) == state, f"{alarm} {state}", within_s=within_s)

    def wait_output(self, line: int, level: int, *, within_s: float = 5.0) -> None:
        """Wait until an output of the board stands at a level."""
        wait_until(
            lambda: self.control.outputs().outputs[line].level == level,
            f"line {line} at {level}",
            within_s=within_s,
        )

    def wait_relay(self, *, energised: bool, line: int = RELAY_1, within_s: float = 5.0) -> None:
        """Wait until the stage behind a relay line has pulled in or dropped."""
        wait_until(
            lambda: self.control.outputs().relays[line].energised is energised,
            f"relay {line} energised {energised}",
            within_s=within_s,
        )

    def events(self) -> list[StoredEvent]:
        """Return every event of the store."""
        with StoreReader(self.folder / "store") as reader:
            return list(_all(reader.events_after))

    def readings(self) -> list[StoredReading]:
        """Return every reading of the store."""
        with StoreReader(self.folder / "store") as reader:
            return list(_all(reader.readings_after))

    def stored(self, subject: str, *, part: bool = False) -> StoredEvent:
        """Return the first stored alarm event about a subject, once on disk: live news comes before the commit."""

        def found() -> list[StoredEvent]:
            alarms = [e for e in self.events() if e.kind is EventKind.ALARM]
            return [e for e in alarms if e.subject == subject or (part and subject in e.subject)]

        wait_until(found, f"an alarm event about {subject} on disk")
        return found()[0]

    def _answers(self) -> bool:
        assert self.watcher is not None
        assert self.watcher.poll() is None, f"the watcher ended: {self.said()[-3000:]}"
        try:
            self.ask("status")
        except SocketError:
            return False
        return True

    def _shown(self, name: str) -> object:
        try:
            return self.bench(name)
        except (SocketError, AssertionError) as error:
            return error


def _all(after: Callable[[int, int], list[Any]]) -> Iterator[Any]:
    n = 0
    while found := after(n, 1000):
        yield from found
        n = found[-1].n


def monotonic_ns() -> int:
    """Return the clock that simulators and watcher share."""
    return time.monotonic_ns()
