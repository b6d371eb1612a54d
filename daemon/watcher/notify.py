"""Tell the service manager: ready, alive, stopping. One datagram each; without a manager nothing happens."""

from __future__ import annotations

import os
import socket


def notify(state: str) -> None:
    """Send one line of the service manager's protocol ("READY=1"); silent where nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as manager:
        try:
            manager.connect(address)
            manager.sendall(state.encode())
        except OSError:
            return


def watchdog_period_s() -> float | None:
    """Return half of what the manager allows between two signs of life, or None where it asks for none."""
    text = os.environ.get("WATCHDOG_USEC", "")
    return int(text) / 2e6 if text.isdigit() else None
