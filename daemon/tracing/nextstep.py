"""What to measure or swap next: the step whose outcome is expected to tell most about where it is.

Another measurement across some stretches says at the next dropout whether the bad one is among them; a swapped part
says, after quiet hours, whether it was the one. What a step is worth is the entropy of its outcome, given what is
believed now, less the noise of a channel that misses some.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.tracing.wiring import Floats, Wiring

_MISSES = 0.05


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. ``kind`` is "measure" or "swap"; ``bits`` what it is expected to tell (1 halves the field)."""

    kind: str
    stretches: tuple[int, ...]
    bits: float


def best_steps(wiring: Wiring, chance: Floats) -> tuple[Step, ...]:
    """Return the best measurement and the best swap for the chance of each stretch to be the bad one."""
    total = float(chance.sum())
    if total <= 0:
        return ()
    share = chance / total
    measured = max(_segments(wiring), key=lambda part: (_bits(float(share[list(part)].sum())), -len(part)))
    swapped = int(share.argmax())
    steps = (
        Step("measure", measured, _bits(float(share[list(measured)].sum()))),
        Step("swap", (swapped,), _bits(float(share[swapped]))),
    )
    return tuple(step for step in steps if step.bits > 0.01)


def _segments(wiring: Wiring) -> list[tuple[int, ...]]:
    """Return every way up from a stretch, cut anywhere: what one more clip-on measurement can span."""
    out = []
    for stretch in range(len(wiring.parents)):
        part: tuple[int, ...] = ()
        at = stretch
        while at >= 0:
            part = (*part, at)
            out.append(part)
            at = wiring.parents[at]
    return out


def _bits(inside: float) -> float:
    """Return the information of one look that misses some: between the place and whether it shows."""
    shows = inside * (1 - _MISSES)
    return _entropy(shows) - inside * _entropy(_MISSES)


def _entropy(p: float) -> float:
    if p <= 0 or p >= 1:
        return 0.0
    return float(-(p * np.log2(p) + (1 - p) * np.log2(1 - p)))
