"""The protocol's constants and its line codec: JSON objects, one a line, UTF-8, over a Unix stream socket.

Pure: bytes in, objects out. Both ends use it; the schema is ``config/schemas/socket.json``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NoReturn

from quietbench.daemon.socket.errors import ProtocolError

VERSION = 1
"""The number in the greeting; another one is another protocol."""

DEFAULT_SOCKET = "/run/quietbench/watcher.sock"

MAX_LINE_BYTES = 1 << 20
"""The longest line a client takes: a snapshot of a hundred benches is about half of it."""

MAX_REQUEST_BYTES = 1 << 16
"""The longest line a watcher takes."""

MAX_PATH_BYTES = 107
"""The longest path of a Unix socket on Linux (sun_path without its final zero)."""

Line = dict[str, Any]


def encode(line: Mapping[str, Any]) -> bytes:
    """Return one object as a line.

    Raises:
        ValueError: a number that JSON has no word for (NaN, infinity).
    """
    return json.dumps(line, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def encode_request(line: Mapping[str, Any]) -> bytes:
    """Return one request as a line.

    Raises:
        ProtocolError: the request is longer than a watcher takes.
    """
    data = encode(line)
    if len(data) > MAX_REQUEST_BYTES:
        raise ProtocolError(f"request too long: got {len(data)} bytes, wanted at most {MAX_REQUEST_BYTES}")
    return data


def decode(line: bytes) -> Line:
    """Return the object of one line (with or without its end).

    Raises:
        ProtocolError: not UTF-8, not JSON, NaN or infinity, or no object.
    """
    try:
        value = json.loads(line.decode(), parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as problem:
        raise ProtocolError(f"got {_excerpt(line)}, wanted a line of JSON ({problem})") from problem
    if not isinstance(value, dict):
        raise ProtocolError(f"got {_excerpt(line)}, wanted a JSON object")
    return value


class LineSplitter:
    """Cut a stream of bytes into lines, however it arrives, and refuse a line that never ends."""

    def __init__(self, max_line_bytes: int = MAX_LINE_BYTES) -> None:
        self._max_line_bytes = max_line_bytes
        self._rest = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that are whole now, without their ends; empty ones are left out.

        Raises:
            ProtocolError: a line is longer than allowed; the stream can't be used any further.
        """
        self._rest += data
        whole: list[bytes] = []
        if b"\n" in data:
            *whole, rest = bytes(self._rest).split(b"\n")
            self._rest = bytearray(rest)
        self._check_length(whole)
        return [line for line in whole if line.strip()]

    def pending(self) -> bytes:
        """Return the beginning of a line whose end has not come yet."""
        return bytes(self._rest)

    def _check_length(self, whole: list[bytes]) -> None:
        longest = max((len(line) for line in [*whole, self._rest]), default=0)
        if longest > self._max_line_bytes:
            raise ProtocolError(
                f"a line without end: got {longest} bytes, wanted at most {self._max_line_bytes}"
            )


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no JSON number")


def _excerpt(line: bytes) -> str:
    return repr(line[:60]) + ("…" if len(line) > 60 else "")
