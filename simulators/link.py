"""The pin factory's end of the wire to a simulated board.

Three ways, each in the thread where a real chip would have it:

* a reader thread follows the board's edges and mirrors levels, and finds the board again when it was away;
* outputs are sent by whoever sets them, without waiting: a board that takes nothing is a board that is gone;
* conversions go over a connection of their own and are waited for by whoever converts, at most a deadline.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from quietbench.drivers.errors import WireError
from quietbench.drivers.samples import Reason
from quietbench.simulators.wire import SILENCE_S, Greeting, Lines, connect, encode

_log = logging.getLogger(__name__)

_MOST_UNSENT_BYTES = 1 << 16
_FLUSH_S = 0.2
_FIRST_RETRY_S = 0.1
_LONGEST_RETRY_S = 1.0
_CONVERSION_DEADLINE_S = 0.25


@dataclass(frozen=True, slots=True)
class Hearers:
    """What the link tells, on its reader thread.

    ``edge`` is a line with its new level and time in ns. When a board came back, ``levels`` is called before
    anybody can read them, and ``outputs`` as soon as something can be sent again.
    """

    edge: Callable[[int, int | None, int], None]
    levels: Callable[[Greeting], None]
    outputs: Callable[[], None]


class Link:
    """One watcher's connection to one board at a Unix socket.

    ``lost`` is None while the board is there, else a sentence that says what happened. Connecting is part of
    making one.

    Raises:
        WireError: nobody listens at ``address``.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self.lost: str | None = None
        self._closed = threading.Event()
        self._send_lock = threading.Lock()
        self._unsent = bytearray()
        self._sock, self._lines, self._early, self.greeting = connect(address, "lines", os.getpid())
        self._sender = self._make_sender()
        self._thread = threading.Thread(target=self._run, name="simulated-board-reader", daemon=True)
        self._hearers: Hearers | None = None

    def start(self, hearers: Hearers) -> None:
        """Begin to follow the board's edges."""
        self._hearers = hearers
        self._thread.start()

    def send(self, data: bytes) -> None:
        """Hand one small message to the board without waiting.

        What the socket does not take at once (it holds some 280 small messages) waits here, goes out with the
        next message or heartbeat, and is too much at 64 KiB.

        Raises:
            WireError: the board is gone; the message is dropped.
        """
        if self.lost is not None:
            raise WireError(self.lost)
        try:
            self._push(data)
        except OSError as error:
            self._lose(f"simulated board {self.address!r} takes no more outputs ({error})")
            raise WireError(f"simulated board {self.address!r} takes no more outputs ({error})") from error

    def _push(self, data: bytes) -> None:
        with self._send_lock:
            self._unsent += data
            if len(self._unsent) > _MOST_UNSENT_BYTES:
                raise BlockingIOError(f"{len(self._unsent)} bytes wait, it reads nothing")
            with contextlib.suppress(BlockingIOError):
                while self._unsent:
                    del self._unsent[: self._sender.send(self._unsent)]

    def close(self) -> None:
        """End the reader and let go of the board; idempotent."""
        if not self._closed.is_set():
            self._closed.set()
            self._flush()
        self._lose(f"simulated board {self.address!r} was let go")
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(timeout=2.0)
        self._sock.close()

    def _flush(self) -> None:
        # What was set before closing has happened on a real chip; so the last messages are worth a short wait.
        with self._send_lock, contextlib.suppress(OSError):
            self._sender.settimeout(_FLUSH_S)
            self._sender.sendall(self._unsent)
            self._unsent.clear()

    def _make_sender(self) -> socket.socket:
        # The reader waits with a time limit; the sender, on the same connection, must never wait.
        sender = self._sock.dup()
        sender.setblocking(False)
        self._sock.settimeout(SILENCE_S)
        return sender

    def _lose(self, why: str) -> None:
        if self.lost is None:
            self.lost = why
            if not self._closed.is_set():
                _log.warning("%s; levels and conversions are unknown until it is back", why)
        self._shut()

    def _shut(self) -> None:
        with contextlib.suppress(OSError):
            self._sock.shutdown(socket.SHUT_RDWR)
        with self._send_lock:  # never while somebody sends: the number of the descriptor may be given away
            self._sender.close()

    def _run(self) -> None:
        while not self._closed.is_set():
            self._follow()
            self._sock.close()
            self._find_again()
        self._sock.close()

    def _follow(self) -> None:
        assert self._hearers is not None
        try:
            self._hear(self._early)
            while data := self._sock.recv(65536):
                self._hear(self._lines.feed(data))
            self._lose(f"simulated board {self.address!r} closed the connection")
        except TimeoutError:
            self._lose(f"simulated board {self.address!r} was silent for {SILENCE_S} s")
        except (OSError, ValueError, TypeError) as error:
            self._lose(f"simulated board {self.address!r} was lost ({error})")

    def _hear(self, lines: list[bytes]) -> None:
        assert self._hearers is not None
        for line in lines:
            edge: Any = json.loads(line)
            if edge:
                self._hearers.edge(*edge)
        if self._unsent:
            self._push(b"")

    def _find_again(self) -> None:
        wait_s = _FIRST_RETRY_S
        while not self._closed.wait(wait_s):
            wait_s = min(2 * wait_s, _LONGEST_RETRY_S)
            with contextlib.suppress(WireError):
                self._sock, self._lines, self._early, greeting = connect(self.address, "lines", os.getpid())
                self._take_up(greeting)
                return

    def _take_up(self, greeting: Greeting) -> None:
        assert self._hearers is not None
        self._sender = self._make_sender()
        self._unsent.clear()
        self.greeting = greeting
        # Levels first: whoever sees that the board is back must not read what stood before it went.
        self._hearers.levels(greeting)
        self.lost = None
        _log.warning("simulated board %r is back", self.address)
        with contextlib.suppress(WireError):  # gone again already: the next round tells it
            self._hearers.outputs()


class ConverterLink:
    """Asks the board for voltages, over a connection of its own; one question at a time, each with a deadline."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._lock = threading.Lock()
        self._sock: socket.socket | None = None
        self._lines = Lines()

    def volts(self, select: int, inputs: tuple[int, ...]) -> list[float]:
        """Return the voltage of each of ``inputs`` of the chip on the line ``select``, all at one instant.

        Raises:
            WireError: the board is gone or did not answer within 0.25 s.
        """
        with self._lock:
            try:
                return self._ask(encode([select, *inputs]))
            except TimeoutError as error:
                self._drop()
                text = f"simulated board {self._address!r} did not convert within {_CONVERSION_DEADLINE_S} s"
                raise WireError(text, reason=Reason.SILENT) from error
            except (ValueError, ConnectionError) as error:
                self._drop()
                raise WireError(f"simulated board {self._address!r} did not convert ({error})") from error

    def close(self) -> None:
        """Let go of the connection; idempotent."""
        with self._lock:
            self._drop()

    def _ask(self, question: bytes) -> list[float]:
        if self._sock is None:
            self._sock, self._lines, _, _ = connect(self._address, "converter", os.getpid())
            self._sock.settimeout(_CONVERSION_DEADLINE_S)
        self._sock.sendall(question)
        while True:
            data = self._sock.recv(4096)
            if not data:
                raise ConnectionError("the connection was closed")
            for line in self._lines.feed(data):
                return _voltages(json.loads(line))

    def _drop(self) -> None:
        # A late answer must never pass for the next one, so what was asked on this connection dies with it.
        if self._sock is not None:
            self._sock.close()
            self._sock = None


def _voltages(answer: Any) -> list[float]:
    if not isinstance(answer, list):
        raise ValueError(f"got {answer!r}, wanted a list of volts")  # one kind for "not an answer"
    return [float(volts) for volts in answer]
