"""The units that a configuration may use, and what they are in the quantity's SI unit.

A factor is kept as a fraction, so that 35 %RH is 0.35 to the last bit and not 35 times the nearest to 0.01.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietbench.daemon.core.quantities import Quantity

__all__ = ["UNITS", "Unit", "span_of", "units_of"]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: si = value * times / per + plus, in ``si``."""

    word: str
    si: str
    times: float = 1.0
    per: float = 1.0
    plus: float = 0.0

    def point(self, value: float) -> float:
        """Convert a value on the scale (a temperature, a limit)."""
        return value * self.times / self.per + self.plus

    def step(self, value: float) -> float:
        """Convert a difference (a deadband, an uncertainty, a scale)."""
        return value * self.times / self.per


_ALL = (
    Unit("1", "1"),
    Unit("%RH", "1", per=100.0),
    Unit("%", "1", per=100.0),
    Unit("ohm", "ohm"),
    Unit("kohm", "ohm", times=1e3),
    Unit("Mohm", "ohm", times=1e6),
    Unit("Gohm", "ohm", times=1e9),
    Unit("V", "V"),
    Unit("mV", "V", per=1e3),
    Unit("kV", "V", times=1e3),
    Unit("V/m", "V/m"),
    Unit("kV/m", "V/m", times=1e3),
    Unit("s", "s"),
    Unit("ms", "s", per=1e3),
    Unit("K", "K"),
    Unit("°C", "K", plus=273.15),
)

UNITS: dict[str, Unit] = {unit.word: unit for unit in _ALL}
"""By the word that the file uses."""


def units_of(si: str) -> tuple[str, ...]:
    """Return the words of all units of one SI unit, the SI unit itself first."""
    return tuple(word for word, unit in UNITS.items() if unit.si == si)


_SPANS: dict[str, tuple[float, float]] = {
    "ohm": (0.0, math.inf),
    "s": (0.0, math.inf),
    "K": (0.0, math.inf),
}
_FRACTION = (0.0, 1.0)


def span_of(quantity: Quantity) -> tuple[float, float]:
    """Return the smallest and the largest value that a quantity can have at all, in its SI unit."""
    if quantity.contact or quantity.name == "relative_humidity":
        return _FRACTION
    return _SPANS.get(quantity.unit, (-math.inf, math.inf))
