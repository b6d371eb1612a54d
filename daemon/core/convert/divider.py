"""A resistance to earth as the lower half of a divider, read by a converter behind a buffer.

::

    excitation E ──[ series Rs ]──┬──[ Rx: the path ]── common point
                                  └── buffer ── converter, counts of full scale at reference

Kirchhoff at the node, with the input current I of buffer and clamps: (E - V)/Rs + I = V/Rx. The uncertainty is
carried in the conductance G = 1/Rx = ((E - V)/Rs + I)/V, where the budget stays symmetrical; near open it
does not in R. Law of propagation: JCGM 100, 5.1.2; rectangular inputs divided by sqrt(3), 4.3.7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from quietbench.daemon.core.convert.base import Sense, Value
from quietbench.drivers.samples import Reason

COVERAGE = 2.0
"""Factor for the bound in "more than": about 95 % for a near-normal budget (JCGM 100, 6.3.3)."""

RESOLVED = 3.0
"""A conductance or a voltage within this many standard uncertainties of nothing is not told from nothing (own
choice: at u(R)/R of a third a number says no more than a bound, and the sum of worst cases stays inside)."""

_SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Divider:
    """The circuit's values; tolerances are relative half-widths, ``*_lsb`` half-widths in counts.

    ``noise_lsb`` is a standard deviation. ``excitation_tolerance`` is that of excitation against the
    converter's reference: 0 where the same voltage serves as both. ``leakage_a`` is the worst case of buffer
    and clamps together, either sign (A).
    """

    kind: ClassVar[str] = "divider"

    series_ohm: float
    series_tolerance: float = 0.01
    excitation_v: float = 3.3
    excitation_tolerance: float = 0.0
    reference_v: float = 3.3
    full_scale: int = 4096
    leakage_a: float = 0.0
    offset_lsb: float = 3.0
    nonlinearity_lsb: float = 1.0
    noise_lsb: float = 0.5

    def convert(self, raw: float) -> Value:
        """Convert counts (0 .. full_scale - 1) to ohm; beyond what resolves, to "more than" or "less than".

        Not a single count is RAILED.
        """
        volt = (raw + 0.5) / self.full_scale * self.reference_v
        u_volt = self._u_volt()
        if volt <= RESOLVED * u_volt:
            # No count at all is what an absent or dead converter says; a path that looks held by it would be a
            # silent failure.
            reason = Reason.RAILED if raw <= 0 else None
            return Value(self._ohm_at(volt + COVERAGE * u_volt), 0.0, Sense.LESS_THAN, reason)
        conductance = (self.excitation_v - volt) / (self.series_ohm * volt)
        u_conductance = self._u_conductance(volt, u_volt)
        if raw >= self.full_scale - 1 or conductance <= RESOLVED * u_conductance:
            bound = max(conductance, 0.0) + COVERAGE * u_conductance
            return Value(1.0 / bound, 0.0, Sense.MORE_THAN)
        ohm = 1.0 / conductance
        return Value(ohm, u_conductance * ohm * ohm)

    def resolves(self) -> tuple[float, float]:
        """Return the ohm below which readings say "less than" and at which, at the latest, they say "more than"."""
        u_volt = self._u_volt()
        lowest = self._ohm_at(RESOLVED * u_volt)
        top = min(self.excitation_v, self.reference_v * (self.full_scale - 1) / self.full_scale)
        conductance = max((self.excitation_v - top) / (self.series_ohm * top), 0.0)
        return (lowest, 1.0 / max(conductance, RESOLVED * self._u_conductance(top, u_volt)))

    def _ohm_at(self, volt: float) -> float:
        return self.series_ohm * volt / max(self.excitation_v - volt, 1e-12)

    def _u_volt(self) -> float:
        lsb = self.reference_v / self.full_scale
        squares = 1 / 12 + (self.offset_lsb**2 + self.nonlinearity_lsb**2) / 3 + self.noise_lsb**2
        return lsb * math.sqrt(squares)

    def _u_conductance(self, volt: float, u_volt: float) -> float:
        """Combine the four inputs of G by their sensitivities."""
        series, excitation = self.series_ohm, self.excitation_v
        by_volt = u_volt * excitation / (series * volt * volt)
        by_excitation = excitation * self.excitation_tolerance / _SQRT3 / (series * volt)
        by_series = (excitation - volt) * self.series_tolerance / _SQRT3 / (series * volt)
        by_leakage = self.leakage_a / _SQRT3 / volt
        return math.sqrt(by_volt**2 + by_excitation**2 + by_series**2 + by_leakage**2)
