"""Weather outdoors: temperature and dew point with fronts that come and go, days and nights, clear and overcast.

Not simulated: rain, wind direction, the turn of the seasons within a scenario.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietbench.simulators.model.chance import stream

_SLOW_H, _QUICK_H = 72.0, 12.0
"""How long air masses and the showers within them last: the times after which their memory has fallen to 1/e."""
_SLOW_PART = 0.92
_SHARED = 0.7
"""How much of what moves the temperature also moves the dew point."""


@dataclass(frozen=True, slots=True)
class WeatherNature:
    """The season: means, the swing between day and night, and the spread (standard deviation) of air masses."""

    mean_c: float
    mean_dew_point_c: float
    swing_c: float
    spread_c: float
    dew_point_spread_c: float


class Weather:
    """Outdoor air as a function of the hours since the start; the same for the same seed and name."""

    def __init__(self, seed: int, name: str, nature: WeatherNature, start_hour: float) -> None:
        self._seed, self._name, self._nature, self._start_hour = seed, name, nature, start_hour
        first = stream(seed, "air mass", name, "first")
        self._masses = [tuple(first.gauss(0.0, 1.0) for _ in range(4))]

    def at(self, hours: float) -> tuple[float, float]:
        """Return (temperature, dew point over water) in °C; the dew point is never above the temperature."""
        warm, moist = self._mass(hours)
        air_c = self._nature.mean_c + self._nature.spread_c * warm + self._day(hours) * self._nature.swing_c
        mixed = _SHARED * warm + math.sqrt(1.0 - _SHARED**2) * moist
        dew_c = self._nature.mean_dew_point_c + self._nature.dew_point_spread_c * mixed
        return air_c, min(dew_c, air_c - 0.3)

    def sun(self, hours: float) -> float:
        """Return how strongly the sun shines, 0 … about 1."""
        clock = (self._start_hour + hours) % 24.0
        return max(0.0, math.cos(math.pi * (clock - 13.0) / 13.0)) * self._clear(hours)

    def _day(self, hours: float) -> float:
        clock = (self._start_hour + hours) % 24.0
        return math.cos(math.pi * (clock - 15.0) / 12.0) * (0.4 + 0.8 * self._clear(hours))

    def _clear(self, hours: float) -> float:
        """Return how clear the sky is; one number a day, joined by straight lines so that nothing jumps."""
        place = (self._start_hour + hours) / 24.0
        day = math.floor(place)
        today, tomorrow = (stream(self._seed, "sky", self._name, day + i).random() for i in (0, 1))
        return today + (place - day) * (tomorrow - today)

    def _mass(self, hours: float) -> tuple[float, float]:
        index = max(0, math.floor(hours))
        while len(self._masses) < index + 2:
            self._masses.append(self._next(len(self._masses)))
        share = max(0.0, hours) - index
        now, then = self._masses[index], self._masses[index + 1]
        slow_t, quick_t, slow_d, quick_d = (a + share * (b - a) for a, b in zip(now, then, strict=True))
        quick_part = math.sqrt(1.0 - _SLOW_PART**2)
        return _SLOW_PART * slow_t + quick_part * quick_t, _SLOW_PART * slow_d + quick_part * quick_d

    def _next(self, hour: int) -> tuple[float, ...]:
        chance = stream(self._seed, "air mass", self._name, hour)
        keeps = [math.exp(-1.0 / lasting) for lasting in (_SLOW_H, _QUICK_H, _SLOW_H, _QUICK_H)]
        return tuple(
            keep * before + math.sqrt(1.0 - keep * keep) * chance.gauss(0.0, 1.0)
            for keep, before in zip(keeps, self._masses[-1], strict=True)
        )
