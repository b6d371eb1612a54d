"""A driver for tests that behaves until a file appears, and then does the harm that the file names."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict

from quietbench.drivers.api import Bus, Description, Sample


class MisbehavingOptions(BaseModel):
    """The file that sets it off."""

    model_config = ConfigDict(extra="forbid")

    trigger: str


class BlockingNumber(int):
    """A raw value that never finishes comparing: whoever looks at it is stuck."""

    def __eq__(self, other: object) -> bool:
        time.sleep(3600)
        return False

    __hash__ = int.__hash__


class MisbehavingDriver:
    """One closed contact, until told otherwise."""

    options: ClassVar[type[Any]] = MisbehavingOptions
    bus_kind: ClassVar[str | None] = None

    def __init__(self, options: MisbehavingOptions, bus: Bus | None) -> None:
        self._trigger = Path(options.trigger)

    def open(self) -> None:
        """Nothing to reach."""

    def close(self) -> None:
        """Nothing to let go."""

    def describe(self) -> Description:
        """Say that it is for tests."""
        return Description("a test's driver", "nowhere", ("value",))

    def read(self) -> Sequence[Sample]:
        """Do what the file says, or read a closed contact."""
        harm = self._trigger.read_text() if self._trigger.exists() else ""
        if harm == "hang":
            time.sleep(3600)
        if harm == "exit":
            raise SystemExit
        raw = BlockingNumber(1) if harm == "block the core" else 1
        return [Sample("value", time.monotonic_ns(), raw)]
