"""A second humidity sensor in another corner of a room, with what can be wrong with it.

It reports the humidity at its own element: where that is warmer than the room, by the sun or a computer's exhaust,
the relative humidity falls while the vapour pressure stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.room import ZERO_C_K, vapour_pressure_hpa

_MONTH_H = 730.5

# Gauss-Laguerre nodes and weights: the mean of a smooth past, weighted as a first-order lag weighs it.
_PAST = ((0.3225477, 0.6031541), (1.7457611, 0.3574187), (4.5366203, 0.0388879), (9.3950709, 0.0005393))


class Air(Protocol):
    """What a room's air tells at a time in seconds since the start."""

    def temperature_k_at(self, at_s: float) -> float:
        """Return the air temperature, K."""

    def humidity_at(self, at_s: float) -> float:
        """Return the relative humidity over water, 0 … 1."""


@dataclass(frozen=True, slots=True)
class SensorNature:
    """What a sensor and its place are like.

    ``warmer_k`` is the corner's own warmth; the sun adds up to ``sun_k`` between the hours ``sun_from`` and
    ``sun_until``. ``drift_per_month`` (humidity as a fraction) begins at ``drifts_from_h``; from ``stuck_from_h``
    on nothing moves. ``lag_s`` is the time constant of its filter.
    """

    start_hour: float = 0.0
    warmer_k: float = 0.0
    offset: float = 0.0
    offset_k: float = 0.0
    drift_per_month: float = 0.0
    drifts_from_h: float = 0.0
    sun_k: float = 0.0
    sun_from: float = 9.0
    sun_until: float = 14.0
    stuck_from_h: float = math.inf
    lag_s: float = 0.0


class Sensor:
    """One sensor; its noise is drawn by seed, name and time."""

    def __init__(
        self, seed: int, name: str, nature: SensorNature, air: Air, sun: Callable[[float], float]
    ) -> None:
        self._seed, self._name, self._nature, self._air, self._sun = seed, name, nature, air, sun

    def value_at(self, signal: str, at_s: float) -> float:
        """Return what the sensor says of ``signal``, in SI units, at ``at_s``."""
        at_s = min(at_s, self._nature.stuck_from_h * 3600.0)
        element_k = self._lagged(self._element_k, at_s)
        if signal == "air_temperature":
            return element_k + self._nature.offset_k + self._noise(signal, at_s, 0.02)
        vapour = self._lagged(self._vapour_hpa, at_s)
        said = vapour / vapour_pressure_hpa(element_k - ZERO_C_K) + self._nature.offset + self._drift(at_s)
        return min(1.0, max(0.0, said + self._noise(signal, at_s, 1e-3)))

    def _element_k(self, at_s: float) -> float:
        return self._air.temperature_k_at(at_s) + self._nature.warmer_k + self._sunshine_k(at_s)

    def _vapour_hpa(self, at_s: float) -> float:
        return self._air.humidity_at(at_s) * vapour_pressure_hpa(self._air.temperature_k_at(at_s) - ZERO_C_K)

    def _lagged(self, value: Callable[[float], float], at_s: float) -> float:
        lag_s = self._nature.lag_s
        if lag_s <= 0.0:
            return value(at_s)
        return sum(weight * value(at_s - lag_s * past) for past, weight in _PAST)

    def _drift(self, at_s: float) -> float:
        hours = at_s / 3600.0 - self._nature.drifts_from_h
        return self._nature.drift_per_month * max(0.0, hours) / _MONTH_H

    def _sunshine_k(self, at_s: float) -> float:
        nature = self._nature
        clock = (nature.start_hour + at_s / 3600.0) % 24.0
        if nature.sun_k <= 0.0 or not nature.sun_from <= clock < nature.sun_until:
            return 0.0
        share = (clock - nature.sun_from) / (nature.sun_until - nature.sun_from)
        return nature.sun_k * math.sin(math.pi * share) * self._sun(at_s / 3600.0)

    def _noise(self, signal: str, at_s: float, spread: float) -> float:
        return stream(self._seed, "sensor", self._name, signal, at_s).gauss(0.0, spread)
