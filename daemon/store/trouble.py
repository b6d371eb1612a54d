"""What keeps the store from working, said once when it begins and once when it is over."""

from __future__ import annotations

import logging
from collections.abc import Callable

__all__ = ["RETRY_S", "Trouble"]

RETRY_S = (0.2, 0.5, 1.0, 2.0, 5.0)
"""Waits between attempts to write; the last one repeats. No jitter: nobody else tries."""

_log = logging.getLogger(__name__)


class Trouble:
    """The open troubles by what they hinder ("writing", "checkpoint", "check"); tells about every change."""

    def __init__(self, tell: Callable[[str | None], None]) -> None:
        self._tell = tell
        self._open: dict[str, str] = {}
        self._told: str | None = None

    def begin(self, what: str, text: str) -> None:
        """Take note of a trouble; the same text again changes nothing."""
        if self._open.get(what) != text:
            _log.error("%s", text)
            self._open[what] = text
            self._tell_changes()

    def end(self, what: str) -> None:
        """Take note that it is over; idempotent."""
        if self._open.pop(what, None) is not None:
            _log.info("store: %s works again", what)
            self._tell_changes()

    def _tell_changes(self) -> None:
        text = "; ".join(self._open.values()) or None
        if text != self._told:
            self._told = text
            self._tell(text)
