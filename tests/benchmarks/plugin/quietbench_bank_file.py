"""A contact whose level stands in a file, "1" or "0": polled alone, since a file has no edges."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict

from quietbench.drivers.api import Bus, Description, Sample, WireError


class FileContactOptions(BaseModel):
    """Where the level stands."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    path: str


class FileContactDriver:
    """One contact."""

    options: ClassVar[type[Any]] = FileContactOptions
    bus_kind: ClassVar[str | None] = None

    def __init__(self, options: FileContactOptions, bus: Bus | None) -> None:
        self._path = options.path
        self._file = -1

    def open(self) -> None:
        """Open the file."""
        try:
            self._file = os.open(self._path, os.O_RDONLY)
        except OSError as error:
            raise WireError(f"{self._path}: {error.strerror}") from error

    def close(self) -> None:
        """Close it; idempotent."""
        if self._file >= 0:
            os.close(self._file)
        self._file = -1

    def describe(self) -> Description:
        """Say where."""
        return Description("a contact in a file", self._path, ("value",))

    def read(self) -> Sequence[Sample]:
        """Read the level."""
        now_ns = time.monotonic_ns()
        return [Sample("value", now_ns, int(os.pread(self._file, 1, 0) == b"1"))]
