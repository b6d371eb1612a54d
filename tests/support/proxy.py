"""A wire between a client and a server on loopback that a test can cut, close and open again."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from typing import Self

from tests.support.brokers import wait_until


class Wire:
    """Forwards a port of its own to ``target``; whoever is at the ends sees connections break, nothing else."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self.passes = True
        self.carried = 0
        self._ends: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []

    def __enter__(self) -> Self:
        self._spawn(self._accept)
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.cut()
        for thread in self._threads:
            thread.join(5.0)

    def cut(self) -> None:
        """Break every connection; new ones are let through."""
        for end in list(self._ends):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def wait_for_more(self, bytes_: int) -> None:
        """Wait until so much more was carried than until now."""
        least = self.carried + bytes_
        wait_until(lambda: self.carried > least, f"{bytes_} bytes carried")

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            if not self.passes:
                client.close()
                continue
            self._spawn(lambda client=client: self._forward(client))

    def _forward(self, client: socket.socket) -> None:
        with (
            client,
            contextlib.suppress(OSError),
            socket.create_connection(("127.0.0.1", self._target)) as server,
        ):
            ends = {client: server, server: client}
            self._ends |= set(ends)
            while True:
                for readable in select.select(list(ends), [], [])[0]:
                    data = readable.recv(65536)
                    if not data:
                        return
                    self.carried += len(data)
                    ends[readable].sendall(data)

    def _spawn(self, work: object) -> None:
        thread = threading.Thread(target=work, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()
