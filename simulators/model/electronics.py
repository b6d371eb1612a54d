"""The small circuits between a bench and the board: comparators and the mat's divider."""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietbench.simulators.model.chance import stream


@dataclass(frozen=True, slots=True)
class ComparatorCircuit:
    """A loop fed through ``series_ohm`` from ``supply_v``, filtered by ``filter_f``, compared with hysteresis.

    The output says "open" above ``opens_above`` and "closed" below ``closes_below``, both as a share of the
    supply. A strap loop of R ohm settles at R / (R + series_ohm).
    """

    supply_v: float
    series_ohm: float
    filter_f: float
    opens_above: float
    closes_below: float


STRAP_COMPARATOR = ComparatorCircuit(3.3, 2e7, 1.5e-10, 0.60, 0.45)
"""Opens for good above 30 megohm; an opening shorter than about 2.5 ms is gone before the filter lets it through."""

BOND_COMPARATOR = ComparatorCircuit(3.3, 1e3, 1e-7, 0.60, 0.45)
"""A metal loop: closed below 0.8 kilohm, and quick (0.1 ms)."""


class Comparator:
    """One comparator with what its filter remembers; moved forward in time only.

    It starts settled at ``loop_ohm``. Between two calls of `set_loop` the loop is constant, so every crossing is
    known in closed form.
    """

    def __init__(self, circuit: ComparatorCircuit, loop_ohm: float, at_s: float = 0.0) -> None:
        self._circuit = circuit
        self._at_s = at_s
        self._target, self._tau_s = 0.0, 1.0
        self.set_loop(loop_ohm)
        self._share = self._target
        self.closed = self._share < circuit.opens_above

    def set_loop(self, loop_ohm: float, extra_f: float = 0.0) -> None:
        """Let the loop be ``loop_ohm`` from now on, with ``extra_f`` beside the filter (a body on its end)."""
        series = self._circuit.series_ohm
        self._target = loop_ohm / (loop_ohm + series)
        self._tau_s = self._target * series * (self._circuit.filter_f + extra_f)

    def run(self, until_s: float) -> list[tuple[float, bool]]:
        """Move on to ``until_s`` and return the output's edges up to it: (time, closed)."""
        edges = []
        while (crossing_s := self.next_crossing_s()) <= until_s:
            self._move(crossing_s)
            self.closed = not self.closed
            edges.append((crossing_s, self.closed))
        self._move(until_s)
        return edges

    def next_crossing_s(self) -> float:
        """Return when the output changes next if the loop stays as it is; infinity if never."""
        bound = self._circuit.opens_above if self.closed else self._circuit.closes_below
        if (self._target > bound) != self.closed or self._target == bound:
            return math.inf
        ratio = (self._target - self._share) / (self._target - bound)
        return self._at_s + self._tau_s * math.log(max(1.0, ratio))

    def _move(self, to_s: float) -> None:
        decay = math.exp(-(to_s - self._at_s) / self._tau_s) if to_s > self._at_s else 1.0
        self._share = self._target + (self._share - self._target) * decay
        self._at_s = max(self._at_s, to_s)


@dataclass(frozen=True, slots=True)
class Divider:
    """Excitation → ``series_ohm`` → node → mat → earth, the node behind a buffer into a converter.

    ``leak_a`` flows from the buffer into the node (either sign); ``offset_v`` and ``noise_v`` are the buffer's and
    converter's, referred to the input. The excitation is the converter's reference, so its drift cancels.
    """

    supply_v: float
    series_ohm: float
    leak_a: float
    offset_v: float
    noise_v: float

    @classmethod
    def drawn(cls, seed: int, name: str, *, supply_v: float, series_ohm: float, tolerance: float) -> Divider:
        """Draw one circuit's own parts: resistor within its tolerance, leakage within 10 pA, offset within 0.5 mV."""
        source = stream(seed, "divider", name)
        return cls(
            supply_v=supply_v,
            series_ohm=series_ohm * (1.0 + source.uniform(-tolerance, tolerance)),
            leak_a=source.uniform(-10e-12, 10e-12),
            offset_v=source.uniform(-0.5e-3, 0.5e-3),
            noise_v=0.3e-3,
        )

    def volts(self, mat_ohm: float, noise: float = 0.0) -> float:
        """Return the node's voltage for a mat of ``mat_ohm``, above 0; ``noise`` has mean 0 and spread 1."""
        share = mat_ohm / (mat_ohm + self.series_ohm)
        clean = self.supply_v * share + self.leak_a * self.series_ohm * share
        return min(self.supply_v, max(0.0, clean + self.offset_v + noise * self.noise_v))
