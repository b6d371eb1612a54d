"""Who is off? Two sensors can only disagree; one is named when a third witness sides with the other.

Witnesses are other sensors, salt points, and outdoor air: over nights and weekends a room without sources breathes
outdoor air, so its vapour pressure can't stand far from the outdoor one. That is a weak witness: it only speaks of
nights, and only about differences larger than `U_OUTDOORS` makes plausible.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from quietbench.daemon.air.agreement import COVERAGE, Pairing
from quietbench.daemon.air.local_time import hour_of_day, local_s
from quietbench.daemon.air.psychrometrics import Floats, saturation_pa
from quietbench.daemon.air.series import AirSeries

__all__ = ["Verdict", "Witness", "by_outdoors", "verdict"]

U_OUTDOORS = 0.10
"""Relative standard uncertainty of "indoor vapour at night is outdoor vapour": sources, walls, distance."""

_NIGHT = (1.0, 5.0)
_LEAST_NIGHT_H = 20.0


@dataclass(frozen=True, slots=True)
class Witness:
    """What one witness says of sensors by name: True failed, False passed; who is not in it was not seen."""

    name: str
    failed: Mapping[str, bool]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a set of pairings says: "agree", "disagree" (nobody named), or "named" with ``suspect``."""

    state: str
    suspect: str | None
    because: str


def verdict(sensors: Sequence[str], pairs: Sequence[Pairing], witnesses: Sequence[Witness] = ()) -> Verdict:
    """Say who disagrees; name one only when a witness sides with another, and no witness says otherwise."""
    apart = [pair for pair in pairs if not pair.agree]
    if not apart:
        because = "every pair agrees within its uncertainties" if pairs else "nothing to compare"
        return Verdict("agree", None, because)
    named = [found for one in witnesses if (found := _by_testimony(apart, one)) is not None]
    majority = _by_majority(sensors, pairs, apart)
    named += [majority] if majority is not None else []
    if len({suspect for suspect, _ in named}) == 1:
        return Verdict("named", named[0][0], "; ".join(because for _, because in named))
    because = (
        "the witnesses contradict each other"
        if named
        else "the sensors disagree; which one is off needs a third witness"
    )
    return Verdict("disagree", None, because)


def by_outdoors(
    sensors: Sequence[AirSeries], outdoor_pa: Floats | None, lead: AirSeries, zone: str
) -> Witness:
    """Ask the outdoor vapour pressure (on the stamps of ``lead``) about each sensor's nights."""
    if outdoor_pa is None:
        return Witness("the outdoor vapour pressure", {})
    told = {sensor.name: _far_from(sensor, lead.times_s, outdoor_pa, zone) for sensor in sensors}
    return Witness(
        "the outdoor vapour pressure", {name: far for name, far in told.items() if far is not None}
    )


def _far_from(sensor: AirSeries, at_s: Floats, outdoor_pa: Floats, zone: str) -> bool | None:
    known = np.isfinite(outdoor_pa)
    hour = hour_of_day(local_s(sensor.times_s, zone))
    night = (hour >= _NIGHT[0]) & (hour < _NIGHT[1])
    if not known.any() or sensor.held_s()[night].sum() < _LEAST_NIGHT_H * 3600.0:
        return None
    vapour = sensor.humidity[night] * saturation_pa(sensor.air_k[night])
    outdoors = np.interp(sensor.times_s[night], at_s[known], outdoor_pa[known])
    difference = float(np.median(vapour - outdoors))
    spread = float(np.median(saturation_pa(sensor.air_k[night]))) * sensor.u_humidity
    return abs(difference) > COVERAGE * float(np.hypot(U_OUTDOORS * np.median(outdoors), spread))


def _by_testimony(apart: Sequence[Pairing], one: Witness) -> tuple[str, str] | None:
    for pair in apart:
        for suspect, other in ((pair.first, pair.second), (pair.second, pair.first)):
            if one.failed.get(suspect) is True and one.failed.get(other) is False:
                return suspect, f"{one.name} sides with {other}"
    return None


def _by_majority(
    sensors: Sequence[str], pairs: Sequence[Pairing], apart: Sequence[Pairing]
) -> tuple[str, str] | None:
    for name in sensors:
        mine = [pair for pair in pairs if name in (pair.first, pair.second)]
        rest = [pair for pair in pairs if name not in (pair.first, pair.second)]
        if (
            len(mine) >= 2
            and rest
            and all(pair in apart for pair in mine)
            and all(pair.agree for pair in rest)
        ):
            others = sorted({pair.first for pair in rest} | {pair.second for pair in rest})
            return name, f"{' and '.join(others)} agree with each other and not with it"
    return None
