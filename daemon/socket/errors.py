"""What can go wrong with the local socket, one leaf per thing a person can do about it.

::

    SocketError                     (quietbench.daemon.errors)
    ├── NobodyListensError          start the watcher, or name another socket
    ├── NotAllowedError             join the socket's group
    ├── ProtocolError (ValueError)  something else listens there, or another version
    ├── LostError                   the watcher went away, or says nothing any more
    └── RefusedError                the watcher answered that it will not: got, wanted
"""

from __future__ import annotations

from typing import ClassVar

from quietbench.daemon.errors import SocketError

__all__ = [
    "LostError",
    "NobodyListensError",
    "NotAllowedError",
    "ProtocolError",
    "RefusedError",
    "SocketError",
]


class NobodyListensError(SocketError):
    """No watcher listens at this path."""

    retryable: ClassVar[bool] = True


class NotAllowedError(SocketError):
    """The socket is there, and this user may not open it."""


class ProtocolError(SocketError, ValueError):
    """A line that breaks the protocol: not JSON, not an object, too long, a key of the wrong kind."""


class LostError(SocketError):
    """The connection ended, or the answer did not come in time."""

    retryable: ClassVar[bool] = True


class RefusedError(SocketError):
    """The watcher understood and refused; ``what``, ``got`` and ``wanted`` are its own words."""

    def __init__(self, what: str, *, got: str = "", wanted: str = "") -> None:
        details = [f"got {got}"] if got else []
        details += [f"wanted {wanted}"] if wanted else []
        super().__init__(what + (f": {', '.join(details)}" if details else ""))
        self.what = what
        self.got = got
        self.wanted = wanted
