"""A typed client of the control socket, for tests and benchmarks; see `quietbench.simulators.control_server`."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Self

from quietbench.drivers.errors import AnswerError, WireError
from quietbench.drivers.samples import Reason

StretchState = Literal["open", "closed", "free"]
PresenceState = Literal["present", "absent", "free"]


class ControlRefusedError(AnswerError):
    """The simulator did not do what it was asked; the text says why."""


@dataclass(frozen=True, slots=True)
class OutputState:
    """An output line as it stands; ``changed_ns`` is CLOCK_MONOTONIC of its last change, ``changes`` their number."""

    line: int
    name: str
    function: str
    level: int
    changed_ns: int
    changes: int


@dataclass(frozen=True, slots=True)
class RelayState:
    """A relay behind its stage; ``last_edge_ns`` is None before the first pulse edge on its line."""

    line: int
    name: str
    energised: bool
    changed_ns: int
    last_edge_ns: int | None


@dataclass(frozen=True, slots=True)
class Outputs:
    """All outputs and relays by line, and the inputs' levels, at CLOCK_MONOTONIC ``monotonic_ns``."""

    outputs: dict[int, OutputState]
    relays: dict[int, RelayState]
    lines: dict[int, int]
    monotonic_ns: int


class SimulatorControl:
    """One connection to the control socket at ``path``; every call waits for its answer.

    Raises:
        WireError: nobody listens there, or the simulator went away.
        ControlRefusedError: (from calls) the request can't be done.
    """

    def __init__(self, path: Path | str, *, deadline_s: float = 5.0) -> None:
        self.path = str(path)
        self._deadline_s = deadline_s
        self._sock = self._connect()
        self._file = self._sock.makefile("rb")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the socket; idempotent."""
        self._file.close()
        self._sock.close()

    def force(self, part: str, state: StretchState) -> int:
        """Hold BENCH/STRETCH open or closed, or free it; return the CLOCK_MONOTONIC ns from which it holds."""
        return int(self._ask(do="force", part=part, state=state)["monotonic_ns"])

    def force_presence(self, bench: str, state: PresenceState) -> int:
        """Put somebody at a bench or send them away, or leave it to the scenario; return the time in ns."""
        return int(self._ask(do="force", part=f"{bench}/presence", state=state)["monotonic_ns"])

    def force_humidity(self, room: str, percent: float | None) -> int:
        """Hold a room's relative humidity (0 … 100 %), or with None free it; return the time in ns."""
        return int(self._ask(do="humidity", room=room, percent=percent)["monotonic_ns"])

    def line(self, line: int, level: int | None) -> int:
        """Set an input at once over the model, or with None give it back; return the edge's time in ns."""
        return int(self._ask(do="line", line=line, level=level)["monotonic_ns"])

    def pulse(self, line: int, level: int, ms: float) -> tuple[int, int]:
        """Set an input for ``ms`` milliseconds and give it back to the model; return both edges' times in ns."""
        answer = self._ask(do="pulse", line=line, level=level, ms=ms)
        return int(answer["start_ns"]), int(answer["end_ns"])

    def modbus(self, port: str, address: int, mode: str, *, late_s: float = 0.8) -> None:
        """Let a slave behave as ``mode`` says: ok, silent, late, garbage, short, fewer, exception, bad_checksum."""
        self._ask(do="modbus", port=port, address=address, mode=mode, late_s=late_s)

    def unplug(self, port: str) -> None:
        """Pull a serial adapter out."""
        self._ask(do="unplug", port=port)

    def replug(self, port: str) -> None:
        """Put a serial adapter in again, under its old name."""
        self._ask(do="replug", port=port)

    def outputs(self) -> Outputs:
        """Return what the watcher's outputs and relays stand at."""
        answer = self._ask(do="outputs")
        return Outputs(
            {one["line"]: OutputState(**one) for one in answer["outputs"]},
            {one["line"]: RelayState(**one) for one in answer["relays"]},
            {int(line): level for line, level in answer["lines"].items()},
            answer["monotonic_ns"],
        )

    def value(self, signal: str) -> float:
        """Return what really is, in SI: BENCH/mat_ohm or strap_ohm, ROOM/relative_humidity or air_temperature."""
        return float(self._ask(do="value", signal=signal)["value"])

    def truth(self) -> list[dict[str, Any]]:
        """Return every line of the truth so far."""
        lines: list[dict[str, Any]] = self._ask(do="truth")
        return lines

    @contextmanager
    def watch(self) -> Iterator[Iterator[dict[str, Any]]]:
        """Give an iterator over changes of outputs, relays and watchers from now on, on a connection of its own.

        Each is one object with one key, as ``{"output": {"line": 12, "level": 1, "monotonic_ns": …}}``. Waiting
        for the next one longer than the deadline raises `WireError`.
        """
        with SimulatorControl(self.path, deadline_s=self._deadline_s) as other:
            other._ask(do="watch")  # its own kind
            yield other._follow()

    def _connect(self) -> socket.socket:
        sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        sock.settimeout(self._deadline_s)
        try:
            sock.connect(self.path)
        except OSError as error:
            sock.close()
            raise WireError(
                f"simulator control {self.path!r}: got {error}, wanted a simulator that listens"
            ) from error
        return sock

    def _ask(self, **request: Any) -> Any:
        try:
            self._sock.sendall(json.dumps(request).encode() + b"\n")
        except OSError as error:
            raise WireError(f"simulator control {self.path!r}: got {error} while asking {request}") from error
        answer = self._line()
        if "error" in answer:
            raise ControlRefusedError(f"{request['do']}: {answer['error']}", reason=Reason.REFUSED)
        return answer["ok"]

    def _follow(self) -> Iterator[dict[str, Any]]:
        while True:
            yield self._line()

    def _line(self) -> dict[str, Any]:
        try:
            line = self._file.readline()
        except OSError as error:
            raise WireError(
                f"simulator control {self.path!r}: got {error}, wanted a line", reason=Reason.SILENT
            ) from error
        if not line:
            raise WireError(f"simulator control {self.path!r}: the simulator went away")
        said: dict[str, Any] = json.loads(line)
        return said
