"""A sensor whose raw value is a straight line of its quantity."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from quietbench.daemon.core.convert.base import Sense, Value
from quietbench.drivers.samples import Reason


@dataclass(frozen=True, slots=True)
class Linear:
    """value = raw * scale + offset, all in the channel's SI unit.

    ``u`` is the sensor's standard uncertainty from its data sheet or certificate; the resolution of one raw
    step adds scale/sqrt(12) (JCGM 100, 4.3.7 and F.2.2.1). Outside ``low``..``high`` the sensor is out of span.
    """

    kind: ClassVar[str] = "linear"

    scale: float
    offset: float = 0.0
    u: float = 0.0
    low: float = -math.inf
    high: float = math.inf

    def convert(self, raw: float) -> Value:
        """Convert one raw value; ``reason`` is OUT_OF_SPAN beyond the sensor's span."""
        value = raw * self.scale + self.offset
        outside = not self.low <= value <= self.high
        return Value(value, self._standard(), Sense.EQUAL, Reason.OUT_OF_SPAN if outside else None)

    def _standard(self) -> float:
        return math.sqrt(self.u * self.u + self.scale * self.scale / 12.0)

    def resolves(self) -> tuple[float, float]:
        """Return the sensor's span."""
        return (self.low, self.high)
