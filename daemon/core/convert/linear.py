"""A sensor whose raw value is a straight line of its quantity."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from quietbench.daemon.core.convert.base import Sense, Value
from quietbench.drivers.samples import Reason


@dataclass(frozen=True, slots=True)
class Linear:
    """value = raw * scale / divisor + offset, all in the channel's SI unit.

    The divisor keeps decimal steps exact: a register of 0.1 %RH is raw * 0.1 / 100, and 700 is 0.7 to the last bit
    and not a hair above, where a limit would fail.

    ``u`` is the sensor's standard uncertainty from its data sheet or certificate; the resolution of one raw
    step adds scale/sqrt(12) (JCGM 100, 4.3.7 and F.2.2.1). Outside ``low``..``high`` the sensor is out of span.
    """

    kind: ClassVar[str] = "linear"

    scale: float
    offset: float = 0.0
    u: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    divisor: float = 1.0

    def convert(self, raw: float) -> Value:
        """Convert one raw value; ``reason`` is OUT_OF_SPAN beyond the sensor's span."""
        value = raw * self.scale / self.divisor + self.offset
        outside = not self.low <= value <= self.high
        return Value(value, self._standard(), Sense.EQUAL, Reason.OUT_OF_SPAN if outside else None)

    def _standard(self) -> float:
        step = self.scale / self.divisor
        return math.sqrt(self.u * self.u + step * step / 12.0)

    def resolves(self) -> tuple[float, float]:
        """Return the sensor's span."""
        return (self.low, self.high)
