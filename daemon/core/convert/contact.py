"""A contact: closed or open, with nothing in between."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from quietbench.daemon.core.convert.base import Sense, Value
from quietbench.drivers.samples import Reason


@dataclass(frozen=True, slots=True)
class Contact:
    """Raw 1 is closed (or somebody there), raw 0 is open; anything else can't be."""

    kind: ClassVar[str] = "contact"

    def convert(self, raw: float) -> Value:
        """Return 1 for closed and 0 for open, dimensionless, without uncertainty."""
        if raw in (0, 1):
            return _STATES[int(raw)]
        return Value(float(raw), 0.0, Sense.EQUAL, Reason.OUT_OF_SPAN)

    def resolves(self) -> tuple[float, float]:
        """Return the two states."""
        return (0.0, 1.0)


_STATES = (Value(0.0, 0.0), Value(1.0, 0.0))
