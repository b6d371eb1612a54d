"""Follow a watcher through its absences: connect, read, notice that it is gone or hangs, connect again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import LostError, RefusedError, SocketError
from quietbench.daemon.socket.lines import Greeting, Quiet

T = TypeVar("T")

RETRY_DELAYS_S = (0.5, 1.0, 2.0, 5.0)
QUIET_S = 1.0
HANGS_AFTER_S = 5.0
"""So long without a line, and the watcher is asked on a second connection whether it still lives."""


@dataclass(frozen=True, slots=True)
class Connected:
    """A connection stands; lines follow. ``greeting_line`` is as received."""

    greeting: Greeting
    greeting_line: bytes


@dataclass(frozen=True, slots=True)
class Gone:
    """The watcher can't be heard; ``text`` says why, and the next attempt is in ``retry_s``."""

    text: str
    retry_s: float


@dataclass(frozen=True, slots=True)
class Following:
    """Where to follow, and for how long to try again: ``give_up_s`` without a connection, ``None`` for ever."""

    path: str
    give_up_s: float | None = None
    timeout_s: float = 5.0

    def lines(
        self, read: Callable[[SocketClient], Iterator[T]], stop: threading.Event
    ) -> Iterator[T | Connected | Gone]:
        """Yield what ``read`` yields, with `Connected` and `Gone` in between, until ``stop`` is set.

        Raises:
            SocketError: the first connection failed, or none came again within ``give_up_s``.
            RefusedError: the watcher refuses to be followed.
        """
        yield from self._once(read, stop, first=True)
        lost_at, attempt = time.monotonic(), 0
        while not stop.is_set():
            try:
                for item in self._once(read, stop, first=False):
                    lost_at, attempt = time.monotonic(), 0
                    yield item
            except RefusedError:
                raise
            except SocketError as problem:
                waited_s = time.monotonic() - lost_at
                if self.give_up_s is not None and waited_s >= self.give_up_s:
                    raise LostError(f"{problem} (tried again for {waited_s:.0f} s)") from problem
                delay_s = RETRY_DELAYS_S[min(attempt, len(RETRY_DELAYS_S) - 1)]
                attempt += 1
                yield Gone(str(problem), delay_s)
                stop.wait(delay_s)

    def _once(
        self, read: Callable[[SocketClient], Iterator[T]], stop: threading.Event, *, first: bool
    ) -> Iterator[T | Connected | Gone]:
        """Follow one connection to its end; losing the first one is no error once it stood."""
        client = SocketClient(self.path, timeout_s=self.timeout_s)
        greeting = client.connect()
        try:
            yield Connected(greeting, client.greeting_line)
            yield from self._heard(read(client), stop)
        except RefusedError:
            raise
        except SocketError as problem:
            if not first:
                raise
            yield Gone(str(problem), 0.0)
        finally:
            client.close()

    def _heard(self, lines: Iterator[T], stop: threading.Event) -> Iterator[T]:
        quiet_s = 0.0
        for line in lines:
            if stop.is_set():
                return
            if not isinstance(line, Quiet):
                quiet_s = 0.0
                yield line
                continue
            quiet_s += line.seconds
            if quiet_s >= HANGS_AFTER_S:
                self._ask_whether_alive()
                quiet_s = 0.0

    def _ask_whether_alive(self) -> None:
        """Raise unless the watcher answers; slow sensors may be silent for long, a watcher may not."""
        with SocketClient(self.path, timeout_s=self.timeout_s) as second:
            second.request("status")
