"""The truth file: what really happened, as JSON lines, written as it happens, to score detection against.

Each line has ``what`` and CLOCK_MONOTONIC times in nanoseconds of this machine, the same clock a watcher reads:

========== =========================================================================================
started    ``scenario``, ``seed``, ``speed``, ``start_ns`` (model time 0)
opened     ``bench``, ``stretch``, ``start_ns``: it really opened, whether or not a circuit can see it
closed     ``bench``, ``stretch``, ``start_ns``, ``end_ns``: that opening ended
presence   ``bench``, ``present``, ``monotonic_ns``
output     ``line``, ``name``, ``function``, ``level``, ``why`` ("set", "released"), ``monotonic_ns``
relay      ``line``, ``name``, ``energised``, ``monotonic_ns`` (its line's pulses are not written one by one)
watcher    ``pid``, ``connected``, ``monotonic_ns``
device     ``port``, ``address`` (null: the adapter), ``mode``, ``monotonic_ns``
line       ``line``, ``level``, ``why`` ("forced", "free"), ``monotonic_ns``: a test set an input
forced     ``part``, ``state``, ``monotonic_ns``: a test forced the model
stopped    ``monotonic_ns``
========== =========================================================================================
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

WriteTruth = Callable[..., None]
"""Takes ``what`` and the line's other keys."""


class TruthFile:
    """Writes truth lines to a file, each flushed as it is written."""

    def __init__(self, path: Path) -> None:
        self.path: Final = path
        self._file = path.open("w", encoding="utf-8", buffering=1)

    def __call__(self, what: str, **fields: Any) -> None:
        """Write one line."""
        self._file.write(json.dumps({"what": what, **fields}, allow_nan=False) + "\n")

    def lines(self) -> list[dict[str, Any]]:
        """Return everything written so far."""
        return [json.loads(line) for line in self.path.read_text(encoding="utf-8").splitlines()]

    def close(self) -> None:
        """Close the file; idempotent."""
        self._file.close()
