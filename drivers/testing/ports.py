"""A serial port that is a pseudo-terminal: it can answer late, badly or byte by byte, and it can be unplugged.

A symbolic link stands for the port, as /dev/serial/by-id does, and points at another device after each replug.
Not simulated: baud rate, parity and the time of bytes on the wire; modem lines.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

__all__ = ["PtyPort", "Turn"]


class Turn(NamedTuple):
    """Bytes to send, so many seconds after the request."""

    after_s: float
    data: bytes


Answer = Callable[[bytes], Iterable[Turn]]
"""Called with each piece of what was received; gives what to send."""


class PtyPort:
    """A port at ``link`` whose far end is ``answer``; plugged in when made."""

    def __init__(self, link: Path, answer: Answer) -> None:
        self.link = link
        self._answer = answer
        self._far: int | None = None
        self._near: int | None = None
        self._thread: threading.Thread | None = None
        self.plug()

    def plug(self) -> None:
        """Bring the port up, as a device of another number; nothing if it is."""
        if self._far is not None:
            return
        self._far, self._near = os.openpty()
        os.set_blocking(self._far, False)  # bytes that nobody reads are lost, as on a wire
        # Raw on both ends, and one near end kept open: without it the far end fails as soon as nobody listens.
        tty.setraw(self._far)
        tty.setraw(self._near)
        self._wake, self._stop = os.pipe()
        self.link.symlink_to(os.ttyname(self._near))
        self._thread = threading.Thread(
            target=self._run, args=(self._far, self._wake), name="pty-port", daemon=True
        )
        self._thread.start()

    def unplug(self) -> None:
        """Hang up: whoever has the port open gets errors, and the link is gone; nothing if it is."""
        if self._far is None or self._near is None or self._thread is None:
            return
        # A thread waiting in a read would keep the terminal alive, so it ends first.
        os.write(self._stop, b"x")
        self._thread.join()
        for descriptor in (self._far, self._near, self._wake, self._stop):
            os.close(descriptor)
        self._far = self._near = self._thread = None
        self.link.unlink(missing_ok=True)

    def close(self) -> None:
        """Unplug for good; idempotent."""
        self.unplug()

    def _run(self, far: int, wake: int) -> None:
        due: list[tuple[float, int, bytes]] = []
        order = 0
        while True:
            wait_s = max(0.0, due[0][0] - time.monotonic()) if due else None
            ready, _, _ = select.select([far, wake], [], [], wait_s)
            if wake in ready:
                return
            if far in ready:
                now = time.monotonic()
                for turn in self._answer(os.read(far, 4096)):
                    order += 1
                    heapq.heappush(due, (now + turn.after_s, order, turn.data))
            while due and due[0][0] <= time.monotonic():
                with contextlib.suppress(BlockingIOError):
                    os.write(far, heapq.heappop(due)[2])
