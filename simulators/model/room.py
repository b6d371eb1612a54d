"""A room's air: outdoor dew point, air change, heating and the working day."""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.steps import Steps

_STEP_S = 60.0
ZERO_C_K = 273.15


def vapour_pressure_hpa(dew_point_c: float) -> float:
    """Return the vapour pressure over water in hPa: 6.112 exp(17.62 t / (243.12 + t)), WMO-No. 8, Annex 4.B."""
    return 6.112 * math.exp(17.62 * dew_point_c / (243.12 + dew_point_c))


@dataclass(frozen=True, slots=True)
class RoomNature:
    """What a room is like.

    ``outdoor_dew_point`` is a list of (hours since the start, °C), joined by straight lines. Heating holds
    ``day_c`` from 7 to 18 o'clock and ``night_c`` otherwise, and needs ``warming_h`` to get there. Outdoor air
    replaces the room's ``air_changes_per_h`` times an hour. From the start until ``speed_up_until_s`` room time
    runs ``speed_up`` times as fast as everything else.
    """

    start_hour: float
    outdoor_dew_point: tuple[tuple[float, float], ...]
    indoor_dew_point_c: float
    day_c: float
    night_c: float
    air_changes_per_h: float
    warming_h: float
    speed_up: float
    speed_up_until_s: float


class Room:
    """One room's temperature and humidity as functions of time.

    Both follow first-order equations, stepped once a room-minute from the start and joined by straight lines.
    """

    def __init__(self, seed: int, name: str, nature: RoomNature) -> None:
        self._seed, self._name, self._nature = seed, name, nature
        self._states = [(nature.indoor_dew_point_c, self._set_point_c(0.0))]
        self.forced_humidity: Steps[float | None] = Steps(None)

    def dew_point_c_at(self, at_s: float) -> float:
        """Return the indoor dew point over water, °C."""
        return self._state(at_s)[0]

    def temperature_k_at(self, at_s: float) -> float:
        """Return the air temperature, K."""
        return self._state(at_s)[1] + ZERO_C_K

    def humidity_at(self, at_s: float) -> float:
        """Return the relative humidity over water, 0 … 1."""
        forced = self.forced_humidity.at(at_s)
        if forced is not None:
            return forced
        dew_point_c, air_c = self._state(at_s)
        return min(1.0, vapour_pressure_hpa(dew_point_c) / vapour_pressure_hpa(air_c))

    def _room_time_s(self, at_s: float) -> float:
        fast = min(at_s, self._nature.speed_up_until_s)
        return fast * self._nature.speed_up + (at_s - fast)

    def _state(self, at_s: float) -> tuple[float, float]:
        place = max(0.0, self._room_time_s(at_s)) / _STEP_S
        index = int(place)
        while len(self._states) < index + 2:
            self._states.append(self._next(len(self._states)))
        (dew_a, air_a), (dew_b, air_b) = self._states[index], self._states[index + 1]
        share = place - index
        return dew_a + share * (dew_b - dew_a), air_a + share * (air_b - air_a)

    def _next(self, number: int) -> tuple[float, float]:
        hours = number * _STEP_S / 3600.0
        dew_c, air_c = self._states[-1]
        exchanged = 1.0 - math.exp(-self._nature.air_changes_per_h * _STEP_S / 3600.0)
        warmed = 1.0 - math.exp(-_STEP_S / 3600.0 / self._nature.warming_h)
        return (
            dew_c + exchanged * (self._outdoor_dew_point_c(hours) - dew_c),
            air_c + warmed * (self._set_point_c(hours) - air_c),
        )

    def _set_point_c(self, hours: float) -> float:
        at_work = 7.0 <= (self._nature.start_hour + hours) % 24.0 < 18.0
        return self._nature.day_c if at_work else self._nature.night_c

    def _outdoor_dew_point_c(self, hours: float) -> float:
        gust = stream(self._seed, "weather", self._name, int(hours * 4)).gauss(0.0, 0.5)
        return _on_straight_lines(self._nature.outdoor_dew_point, hours) + gust


def _on_straight_lines(points: tuple[tuple[float, float], ...], at: float) -> float:
    before = points[0]
    for point in points:
        if at < point[0]:
            share = (at - before[0]) / (point[0] - before[0]) if point[0] > before[0] else 1.0
            return before[1] + max(0.0, share) * (point[1] - before[1])
        before = point
    return before[1]
