"""The watcher's local socket: JSON lines for whoever looks, and commands from whoever may give them.

One thread serves all. A reader that falls 1,000 lines behind loses lines and is told how many; it never costs the
core more than an entry in a queue. Commands run in the core's thread, in their turn.
"""

from __future__ import annotations

import contextlib
import logging
import os
import selectors
import socket
import stat
import struct
import threading
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from quietbench.daemon.errors import SocketError
from quietbench.daemon.socket.protocol import MAX_REQUEST_BYTES, LineSplitter, decode, encode
from quietbench.daemon.watcher.progress import ProgressBoard

log = logging.getLogger(__name__)

BEHIND_LINES = 1000
"""How far a follower may fall behind before lines are dropped for it."""

MOST_CLIENTS = 64

MOST_NEWS = 20_000
"""How many lines may wait for this thread; beyond, all followers lose lines and are told."""
_UCRED = struct.Struct("3i")

Answer = Callable[[Mapping[str, Any]], None]
"""Give a request's answer ("ok" or "error"), from any thread."""


class Client:
    """One connection."""

    def __init__(self, connection: socket.socket, uid: int) -> None:
        self.connection = connection
        self.uid = uid
        self.splitter = LineSplitter(MAX_REQUEST_BYTES)
        self.following = False
        self.lost = 0
        self._lines: deque[bytes] = deque()
        self._sending = b""

    def push(self, line: bytes) -> None:
        """Queue a line of an answer: never dropped, for nothing more is asked of us while many wait."""
        self._lines.append(line)

    def follow(self, line: bytes) -> None:
        """Queue a line of the stream; a reader too far behind loses it, and is told once there is room."""
        if len(self._lines) >= BEHIND_LINES:
            self.lost += 1
            return
        if self.lost:
            self._lines.append(encode({"gap": {"lost": self.lost}}))
            self.lost = 0
        self._lines.append(line)

    @property
    def gone(self) -> bool:
        """Say whether the connection is closed; any thread may ask."""
        return self.connection.fileno() < 0

    @property
    def may_ask(self) -> bool:
        """Say whether requests are taken: not from a client that leaves so many answers unread."""
        return len(self._lines) < BEHIND_LINES

    @property
    def wants_to_write(self) -> bool:
        """Say whether anything waits to be sent."""
        return bool(self._sending or self._lines)

    def flush(self) -> None:
        """Send what the socket takes now.

        Raises:
            OSError: the peer is gone.
        """
        while self.wants_to_write:
            if not self._sending:
                self._sending = b"".join(self._lines.popleft() for _ in range(min(len(self._lines), 64)))
            try:
                sent = self.connection.send(self._sending)
            except BlockingIOError:
                return
            self._sending = self._sending[sent:]


class SocketServer:
    """Listens at ``path`` (mode 0660, ``group`` if given) and serves every client in one thread.

    ``handle`` gets each request with the peer's uid and a function for the answer; it must not block.

    Raises:
        SocketError: the path can't be bound, or another watcher listens there.
    """

    def __init__(
        self,
        path: Path,
        *,
        group: str | None,
        greeting: Callable[[], Mapping[str, Any]],
        handle: Callable[[Client, Mapping[str, Any], Answer], None],
        board: ProgressBoard,
        monotonic_ns: Callable[[], int],
    ) -> None:
        self.path = path
        self._greeting = greeting
        self._handle = handle
        self._monotonic_ns = monotonic_ns
        self._mark = board.mark("socket", period_s=1.0, protecting=False)
        self._selector = selectors.DefaultSelector()
        self._clients: dict[socket.socket, Client] = {}
        self._news: deque[tuple[Client | None, Mapping[str, Any]]] = deque()
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._woken = False
        self._missed = 0
        self._closed = False
        self._stopping = False
        self.followers = 0
        self._listener = _listen(path, group)
        self._selector.register(self._listener, selectors.EVENT_READ, self._accept)
        self._selector.register(self._wake_fd, selectors.EVENT_READ, self._drain)
        self._thread = threading.Thread(target=self._run, name="socket", daemon=True)

    def start(self) -> None:
        """Start to serve."""
        self._thread.start()

    def tell(self, line: Mapping[str, Any]) -> None:
        """Send a line to every follower; never blocks."""
        if len(self._news) >= MOST_NEWS:
            self._missed += 1
            return
        self._put(None, line)

    def answer(self, client: Client, line: Mapping[str, Any]) -> None:
        """Send a line to one client, after whatever was told before; never blocks."""
        self._put(client, line)

    def follow(self, client: Client, snapshot: Mapping[str, Any]) -> None:
        """Answer with the snapshot and let the client see every line told after it."""
        self.followers += 1
        self._put(client, {**snapshot, "": "follow"})

    def stop(self) -> None:
        """Close every connection and remove the socket."""
        self._stopping = True
        self._wake()
        if self._thread.is_alive():
            self._thread.join(1.0)
        if not self._closed:
            self._closed = True  # whoever still has something to tell finds nobody to wake
            os.close(self._wake_fd)

    def _put(self, client: Client | None, line: Mapping[str, Any]) -> None:
        self._news.append((client, line))
        self._wake()

    def _wake(self) -> None:
        if not self._woken and not self._closed:
            self._woken = True
            os.eventfd_write(self._wake_fd, 1)

    def _run(self) -> None:
        while not self._stopping:
            self._mark.moved_ns = self._monotonic_ns()
            for key, events in self._selector.select(0.5):
                try:
                    key.data(key.fileobj, events)
                except Exception:  # one client's trouble must not end the service of the others
                    log.exception("a client could not be served")
        for client in list(self._clients.values()):
            self._drop(client)
        self._listener.close()
        self._selector.close()
        self.path.unlink(missing_ok=True)

    def _accept(self, listener: socket.socket, _events: int) -> None:
        connection, _ = listener.accept()
        connection.setblocking(False)
        if len(self._clients) >= MOST_CLIENTS:
            connection.close()
            return
        client = Client(connection, peer_uid(connection))
        self._clients[connection] = client
        client.push(encode(self._greeting()))
        self._selector.register(connection, selectors.EVENT_READ | selectors.EVENT_WRITE, self._serve)

    def _serve(self, connection: socket.socket, events: int) -> None:
        client = self._clients.get(connection)
        if client is None:
            return
        try:
            if events & selectors.EVENT_READ:
                self._read(client)
            client.flush()
        except (OSError, SocketError):
            self._drop(client)
            return
        self._watch(client)

    def _read(self, client: Client) -> None:
        data = client.connection.recv(65536)
        if not data:
            raise ConnectionResetError
        for line in client.splitter.feed(data):
            request = decode(line)
            _must_be_text(request)
            self._handle(client, request, self._answer_to(client, request))

    def _answer_to(self, client: Client, request: Mapping[str, Any]) -> Answer:
        return lambda body: self.answer(client, {"id": request.get("id"), **body})

    def _drain(self, _fd: int, _events: int) -> None:
        os.eventfd_read(self._wake_fd)
        self._woken = False
        for _ in range(200):  # in slices: the interpreter is wanted elsewhere
            if not self._news:
                break
            client, line = self._news.popleft()
            if client is None:
                self._spread(encode(line))
            else:
                self._to_one(client, dict(line))
        else:
            self._wake()
        if self._missed and not self._news:
            missed, self._missed = self._missed, 0
            self._spread(encode({"gap": {"lost": missed}}))
        for client in list(self._clients.values()):
            self._serve(client.connection, 0)

    def _to_one(self, client: Client, line: dict[str, Any]) -> None:
        if line.pop("", None) == "follow":
            client.following = True
        client.push(encode(line))

    def _spread(self, data: bytes) -> None:
        for client in self._clients.values():
            if client.following:
                client.follow(data)

    def _watch(self, client: Client) -> None:
        writing = selectors.EVENT_WRITE if client.wants_to_write else 0
        events = writing | (selectors.EVENT_READ if client.may_ask else 0)
        self._selector.modify(client.connection, events, self._serve)

    def _drop(self, client: Client) -> None:
        if self._clients.pop(client.connection, None) is None:
            return
        if client.following:
            self.followers -= 1
        with contextlib.suppress(KeyError, ValueError, OSError):
            self._selector.unregister(client.connection)
        client.connection.close()


def _must_be_text(request: Mapping[str, Any]) -> None:
    """Refuse half a surrogate pair: it could be neither answered nor stored."""
    try:
        encode(request)
    except ValueError as error:
        text = f"a request that is no text in UTF-8: {error}"
        raise SocketError(text) from error


def peer_uid(connection: socket.socket) -> int:
    """Return the user id of the process at the other end (SO_PEERCRED)."""
    data = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _UCRED.size)
    return int(_UCRED.unpack(data)[1])


def _listen(path: Path, group: str | None) -> socket.socket:
    _clear(path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    mask = os.umask(0o117)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        listener.bind(os.fspath(path))
    except OSError as error:
        listener.close()
        text = f"the socket {path} can't be made: {error.strerror or error}; check [watcher] socket and its folder"
        raise SocketError(text) from error
    finally:
        os.umask(mask)
    if group is not None:
        _give_to(path, group)
    listener.listen(16)
    listener.setblocking(False)
    return listener


def _give_to(path: Path, group: str) -> None:
    import grp

    try:
        os.chown(path, -1, grp.getgrnam(group).gr_gid)
    except (KeyError, OSError) as error:
        text = f"the socket {path} can't be given to the group {group!r} ([watcher] socket_group): {error}"
        raise SocketError(text) from error


def _clear(path: Path) -> None:
    """Remove a socket that a killed watcher left behind; refuse where somebody still listens."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        text = f"{path} is in the way and no socket; check [watcher] socket"
        raise SocketError(text)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(os.fspath(path))
        except OSError:
            path.unlink(missing_ok=True)
            return
    text = f"another watcher listens at {path}; stop it, or give this one its own [watcher] socket"
    raise SocketError(text)
