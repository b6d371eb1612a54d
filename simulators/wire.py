"""What the pin factory and the simulated board say to each other over a Unix stream socket.

Lines of JSON, arrays where it must be quick. The first line of a client says what it came for::

    → {"hello": "lines", "version": 1, "pid": 4711}      levels, edges and outputs
    ← {"board": 1, "revision": "a02082", "chips": [CHIP…], "levels": {"22": 1, …}}
    ← [22, 0, 123456789]       line 22 went low at that CLOCK_MONOTONIC ns; a null level: nobody drives it
    ← []                       the board is still there; one at least every HEARTBEAT_S
    → [12, "output", 1, 123456790]     line 12 is an output and stands at 1 since then
    → [12, "input", 0, 123456791]      line 12 was let go

    → {"hello": "converter", "version": 1, "pid": 4711}  conversions, one request in flight
    ← {"board": 1, …}
    → [8, 3]                   the chip on select line 8 samples input 3 (two numbers: IN+ and IN-)
    ← [1.2345]                 volts, one for each input

CHIP is {"kind": "MCP3208", "select": 8, "clock": 11, "mosi": 10, "miso": 9, "reference_v": 3.3}.
"""

from __future__ import annotations

import json
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietbench.drivers.errors import WireError

VERSION = 1
HEARTBEAT_S = 0.25
"""How often the board says that it is there."""

SILENCE_S = 2.0
"""After so long without a word the levels that are mirrored can't be trusted: eight missed heartbeats."""

_GREETING_DEADLINE_S = 1.0
_LONGEST_LINE = 1 << 20


@dataclass(frozen=True, slots=True)
class Chip:
    """A converter on the board's SPI lines (BCM numbers); ``reference_v`` in volts."""

    kind: str
    select: int
    clock: int
    mosi: int
    miso: int
    reference_v: float


@dataclass(frozen=True, slots=True)
class Greeting:
    """What a board says of itself: its revision code, its chips, and the levels of the lines that it drives."""

    revision: str
    chips: tuple[Chip, ...]
    levels: dict[int, int]


def encode(message: object) -> bytes:
    """Return one message as a line."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def hello(role: str, pid: int) -> bytes:
    """Return a client's first line; ``role`` is "lines" or "converter"."""
    return encode({"hello": role, "version": VERSION, "pid": pid})


def parse_greeting(line: bytes) -> Greeting:
    """Read a board's first line.

    Raises:
        ValueError: it is not a greeting of this version.
    """
    said: Any = json.loads(line)
    if not isinstance(said, dict) or said.get("board") != VERSION:
        raise ValueError(f"got {line[:80]!r}, wanted a greeting of a simulated board, version {VERSION}")
    chips = tuple(Chip(**chip) for chip in said["chips"])
    return Greeting(said["revision"], chips, {int(line): level for line, level in said["levels"].items()})


class Lines:
    """Cuts a stream of bytes into lines, however it arrives."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Take ``data`` and return the lines that are now whole, without their ends.

        Raises:
            ValueError: a line grew beyond a mebibyte without an end.
        """
        *whole, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > _LONGEST_LINE:
            raise ValueError(f"got {len(self._rest)} bytes without a line end, wanted lines of JSON")
        return whole


def connect(address: str, role: str, pid: int) -> tuple[socket.socket, Lines, list[bytes], Greeting]:
    """Reach the board at the Unix socket ``address`` and exchange greetings.

    Returns the socket, the line cutter, lines that came right behind the greeting, and the greeting.

    Raises:
        WireError: nobody listens there, or what does is no simulated board.
    """
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    sock.settimeout(_GREETING_DEADLINE_S)
    try:
        sock.connect(address)
        sock.sendall(hello(role, pid))
        lines = Lines()
        whole: list[bytes] = []
        while not whole:
            data = sock.recv(65536)
            if not data:
                raise ValueError("got a closed connection, wanted a greeting")
            whole = lines.feed(data)
        return sock, lines, whole[1:], parse_greeting(whole[0])
    except (OSError, ValueError, KeyError, TypeError) as error:
        sock.close()
        raise _unreachable(address, error) from error


def _unreachable(address: str, error: Exception) -> WireError:
    there = "is not there" if not Path(address).exists() else "did not greet"
    return WireError(
        f"simulated board {address!r} {there} ({error}); start it with "
        f"'python -m quietbench.simulators SCENARIO --folder {Path(address).parent}'"
    )
