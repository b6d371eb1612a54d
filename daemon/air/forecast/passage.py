"""Leaving the band and coming back: first passages of the paths, with chance and time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.air.forecast.make import Forecast
from quietbench.daemon.air.outside import Band, Flags
from quietbench.daemon.air.psychrometrics import Floats

__all__ = ["Passage", "passages"]


@dataclass(frozen=True, slots=True)
class Passage:
    """One way out of the band (``side`` "dry" or "damp"), or back in when ``returning``.

    ``chance`` that it happens before ``until_s``; if so, ``early_s`` … ``late_s`` holds the first passage with
    80 % and ``middle_s`` is its median; None when too few paths pass.
    """

    side: str
    returning: bool
    until_s: float
    chance: float
    early_s: float | None
    middle_s: float | None
    late_s: float | None


def passages(made: Forecast, band: Band, now: float, until_s: float) -> list[Passage]:
    """Return for each bound the first passage up to ``until_s``; ``now`` is the present humidity, 0 … 1."""
    steps = max(1, int(np.searchsorted(made.ends_s, until_s, side="right")))
    paths = made.humidity[:, :steps]
    found = []
    for side, outside, bound in (("dry", band.too_dry, band.low), ("damp", band.too_damp, band.high)):
        if bound is not None:
            out_now = bool(outside(np.array([now]))[0])
            there = ~outside(paths) if out_now else outside(paths)
            found.append(_passage(side, out_now, there, made.ends_s[:steps]))
    return found


def _passage(side: str, returning: bool, there: Flags, ends: Floats) -> Passage:
    passed = there.any(axis=1)
    chance = float(passed.mean())
    if passed.sum() < 5:
        return Passage(side, returning, float(ends[-1]), chance, None, None, None)
    first = ends[np.argmax(there[passed], axis=1)]
    early, middle, late = (float(time) for time in np.quantile(first, (0.1, 0.5, 0.9)))
    return Passage(side, returning, float(ends[-1]), chance, early, middle, late)
