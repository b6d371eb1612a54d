"""The daemon's own errors, under the project's root.

::

    QuietbenchError                 (quietbench.drivers.errors)
    ├── DriverError …               the hardware side
    ├── ConfigurationError          fix the file
    ├── StoreError                  disk, folder or file of the store
    ├── PublishError                a far end can't be reached or refuses
    └── SocketError                 the local socket: nobody listens, or the peer breaks the protocol
"""

from __future__ import annotations

from typing import ClassVar

from quietbench.drivers.errors import QuietbenchError

__all__ = ["ConfigurationError", "PublishError", "QuietbenchError", "SocketError", "StoreError"]


class ConfigurationError(QuietbenchError, ValueError):
    """The configuration can't be used; the text holds every finding, one a line."""


class StoreError(QuietbenchError, OSError):
    """The store can't be opened, migrated, written or read."""

    retryable: ClassVar[bool] = True


class PublishError(QuietbenchError, OSError):
    """A far end can't be reached, or refuses; ``refused`` tells the two apart."""

    retryable: ClassVar[bool] = True

    def __init__(self, text: str, *, refused: bool = False) -> None:
        super().__init__(text)
        self.refused = refused


class SocketError(QuietbenchError, OSError):
    """The watcher's local socket: nobody listens there, or a line breaks the protocol."""
