"""A client of the watcher's local socket: small, typed, standard library only, one connection, no thread.

::

    with SocketClient("/run/quietbench/watcher.sock") as client:
        client.request("acknowledge", alarm="bench-1/strap:closed", person="…", role="…", why="…")
        for line in client.follow():
            …
"""

from __future__ import annotations

import errno
import os
import socket
import stat
import time
from collections import deque
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, Self, TypeVar

from quietbench.daemon.socket import protocol
from quietbench.daemon.socket.errors import (
    LostError,
    NobodyListensError,
    NotAllowedError,
    ProtocolError,
    RefusedError,
    SocketError,
)
from quietbench.daemon.socket.lines import FollowedLine, Greeting, Quiet, Snapshot, parse_followed

__all__ = ["SocketClient"]

_CHUNK_BYTES = 1 << 16

T = TypeVar("T")


class SocketClient:
    """One connection to one watcher.

    ``timeout_s`` bounds connecting, the greeting and every answer; following waits for as long as it takes.
    ``greeting`` and ``greeting_line`` (as received) are set once connected.
    """

    def __init__(self, path: str | os.PathLike[str], *, timeout_s: float = 5.0) -> None:
        self.path = os.fspath(path)
        self.timeout_s = timeout_s
        self.greeting: Greeting | None = None
        self.greeting_line = b""
        self._socket: socket.socket | None = None
        self._splitter = protocol.LineSplitter()
        self._lines: deque[bytes] = deque()
        self._last_id = 0

    def __enter__(self) -> Self:
        self.connect()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def connect(self) -> Greeting:
        """Connect and read the greeting.

        Raises:
            NobodyListensError: no watcher there.
            NotAllowedError: this user may not open the socket.
            ProtocolError: something else answers there, or a watcher of another protocol version.
            LostError: it accepted, and then said nothing in time.
        """
        self.close()
        self._socket = _connected(self.path, self.timeout_s)
        try:
            self.greeting = self._read_greeting()
        except SocketError:
            self.close()
            raise
        return self.greeting

    def close(self) -> None:
        """Close the connection; idempotent."""
        if self._socket is not None:
            self._socket.close()
        self._socket = None
        self._splitter = protocol.LineSplitter()
        self._lines.clear()

    def request(self, do: str, **fields: Any) -> Any:
        """Ask for one thing and return what stands under "ok".

        Lines of a stream that come in between are dropped: follow on one connection, ask on another.

        Raises:
            RefusedError: the watcher will not.
            LostError, ProtocolError: as for `connect`.
        """
        return protocol.decode(self._answer(self._send(do, fields)))["ok"]

    def follow(self, *, quiet_s: float | None = None) -> Iterator[FollowedLine]:
        """Yield the snapshot, then what changes, for as long as the watcher lives.

        With ``quiet_s`` a `Quiet` is yielded each time nothing came for so long. Lines of a kind this version
        does not know are passed over.

        Raises:
            RefusedError, LostError, ProtocolError: see `request`; the connection is of no use afterwards.
        """
        lines = self.follow_raw(quiet_s=quiet_s)
        yield Snapshot.parse(protocol.decode(_not_quiet(next(lines)))["ok"])
        for line in lines:
            parsed = line if isinstance(line, Quiet) else parse_followed(protocol.decode(line))
            if parsed is not None:
                yield parsed

    def follow_raw(self, *, quiet_s: float | None = None) -> Iterator[bytes | Quiet]:
        """Yield the lines of a stream as received, without ends: the answer first. Raises as `follow`."""
        yield self._answer(self._send("follow", {}))
        while True:
            line = self._next_line(quiet_s)
            yield Quiet(quiet_s or 0.0) if line is None else line

    def converse(self, do: str, *, quiet_s: float | None = None, **fields: Any) -> Iterator[Any]:
        """Ask for something that goes on; yield every line that comes after the answer, decoded.

        With ``quiet_s`` None is yielded each time nothing came for so long. Answers to what is said meanwhile
        (`say`) are among the lines.

        Raises:
            RefusedError, LostError, ProtocolError: see `request`.
        """
        self._answer(self._send(do, fields))
        while True:
            line = self._next_line(quiet_s)
            yield None if line is None else protocol.decode(line)

    def say(self, do: str, **fields: Any) -> None:
        """Send a request without waiting for its answer; raises `LostError`."""
        self._send(do, fields)

    def _read_greeting(self) -> Greeting:
        self.greeting_line = self._wait_line("a greeting")
        try:
            greeting = Greeting.parse(protocol.decode(self.greeting_line))
        except ProtocolError as problem:
            raise ProtocolError(
                f"{self.path} is no watcher's socket: {problem}. Name the right one with --socket."
            ) from problem
        if greeting.version != protocol.VERSION:
            raise ProtocolError(
                f"the watcher at {self.path} speaks version {greeting.version} of the protocol, "
                f"this program version {protocol.VERSION}: install the same release for both."
            )
        return greeting

    def _send(self, do: str, fields: dict[str, Any]) -> int:
        self._last_id += 1
        data = protocol.encode_request({"id": self._last_id, "do": do, **fields})
        self._guarded(lambda connection: connection.sendall(data))
        return self._last_id

    def _answer(self, wanted_id: int) -> bytes:
        deadline = time.monotonic() + self.timeout_s
        while time.monotonic() < deadline:
            line = self._wait_line("an answer", deadline)
            answer = protocol.decode(line)
            if "error" in answer and answer.get("id", wanted_id) in (wanted_id, None):
                raise _refusal(answer["error"])
            if answer.get("id") == wanted_id and "ok" in answer:
                return line
        raise self._too_late("an answer")

    def _wait_line(self, what: str, deadline: float | None = None) -> bytes:
        wait_s = self.timeout_s if deadline is None else max(0.0, deadline - time.monotonic())
        line = self._next_line(wait_s)
        if line is None:
            raise self._too_late(what)
        return line

    def _next_line(self, wait_s: float | None) -> bytes | None:
        """Return the next line, or ``None`` when none was whole after ``wait_s`` (``None``: wait on)."""
        deadline = None if wait_s is None else time.monotonic() + wait_s
        while not self._lines:
            left_s = None if deadline is None else deadline - time.monotonic()
            if left_s is not None and left_s <= 0:
                return None
            data = self._receive(left_s)
            if data is None:
                return None
            self._lines.extend(self._splitter.feed(data))
        return self._lines.popleft()

    def _receive(self, wait_s: float | None) -> bytes | None:
        def receive(connection: socket.socket) -> bytes | None:
            connection.settimeout(wait_s)
            try:
                return connection.recv(_CHUNK_BYTES)
            except TimeoutError:
                return None
            finally:
                connection.settimeout(self.timeout_s)

        data = self._guarded(receive)
        if data == b"":
            raise LostError(self._end_text())
        return data

    def _guarded(self, act: Callable[[socket.socket], T]) -> T:
        """Do something with the connection, with errors of the system turned into ours."""
        if self._socket is None:
            raise LostError(f"not connected to {self.path}: call connect() first")
        try:
            return act(self._socket)
        except TimeoutError as problem:
            raise self._too_late("room for a request") from problem
        except OSError as problem:
            raise LostError(f"lost the watcher at {self.path}: {problem.strerror or problem}") from problem

    def _end_text(self) -> str:
        half = self._splitter.pending()
        where = " in the middle of a line" if half else ""
        return f"the watcher at {self.path} closed the connection{where}"

    def _too_late(self, what: str) -> LostError:
        return LostError(f"the watcher at {self.path} hangs: waited {self.timeout_s:g} s for {what}")


def _not_quiet(line: bytes | Quiet) -> bytes:
    assert isinstance(line, bytes)  # the first one is the answer
    return line


def _refusal(error: Any) -> RefusedError:
    if not isinstance(error, dict):
        return RefusedError(str(error))
    return RefusedError(
        str(error.get("what", "refused")),
        got=str(error.get("got") or ""),
        wanted=str(error.get("wanted") or ""),
    )


def _connected(path: str, timeout_s: float) -> socket.socket:
    if len(os.fsencode(path)) > protocol.MAX_PATH_BYTES:
        raise SocketError(
            f"{path}: a socket's path has at most {protocol.MAX_PATH_BYTES} bytes, "
            f"this one {len(os.fsencode(path))}: use a shorter folder"
        )
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    connection.settimeout(timeout_s)
    try:
        connection.connect(path)
    except OSError as problem:
        connection.close()
        raise _no_connection(path, problem) from problem
    return connection


def _no_connection(path: str, problem: OSError) -> SocketError:
    if isinstance(problem, PermissionError):
        return NotAllowedError(
            f"no permission for {path}: join the socket's group{_group(path)}, then sign in again"
        )
    if problem.errno == errno.ENOTSOCK or _is_no_socket(path):
        return ProtocolError(f"{path} is no socket: name the watcher's with --socket")
    if isinstance(problem, TimeoutError | BlockingIOError):
        return LostError(f"the watcher at {path} hangs: it accepts no connection")
    if problem.errno in (errno.ENOENT, errno.ECONNREFUSED, errno.ENOTDIR):
        return NobodyListensError(
            f"nobody listens at {path}: is the watcher running? Start it with 'quietbench run FILE', "
            "or name its socket with --socket"
        )
    return SocketError(f"can't connect to {path}: {problem.strerror or problem}")


def _is_no_socket(path: str) -> bool:
    try:
        return not stat.S_ISSOCK(os.stat(path).st_mode)  # noqa: PTH116  pathlib would be this module's only use
    except OSError:
        return False


def _group(path: str) -> str:
    import grp

    try:
        return f" ({grp.getgrgid(os.stat(path).st_gid).gr_name})"  # noqa: PTH116
    except (OSError, KeyError):
        return ""
