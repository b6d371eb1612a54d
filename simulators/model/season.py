"""A room through a season: walls, heating, people, a humidifier that may fail, windows that may be left open.

First-order balances of heat and of vapour, stepped every five minutes and joined by straight lines. Furniture and
walls take up vapour and give it back. Not simulated: condensation, stratification, doors between rooms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.room import ZERO_C_K, vapour_pressure_hpa
from quietbench.simulators.model.steps import Steps
from quietbench.simulators.model.weather import Weather, WeatherNature

_STEP_H = 1.0 / 12.0
_CONTROL_PER_H = 4.0
_WALL_PER_H = 0.25
_WALL_LASTING_H = 40.0


@dataclass(frozen=True, slots=True)
class SeasonNature:
    """What a room in a season is like; start is given as hour of day and day of week (0 is Monday).

    ``day_c`` holds on working days from 6 to 18, ``night_c`` otherwise; ``cooled_c`` (None: no cooling) is the
    most that cooling allows on working days. ``leaking_per_h`` and ``ventilated_per_h`` are air changes, the
    second only at work. ``people_hpa_per_h`` is what the people give off. ``humidified_to`` (0: no humidifier)
    is held with at most ``humidifier_hpa_per_h``; it fails every ``fails_every_h`` hours on average (0: never)
    for ``failed_h`` hours. ``window_chance`` is the chance for each night that a window stays open and lets
    ``window_per_h`` air changes in.
    """

    start_hour: float
    start_weekday: int
    weather: WeatherNature
    day_c: float
    night_c: float
    cooled_c: float | None
    leaking_per_h: float
    ventilated_per_h: float
    people_hpa_per_h: float
    sun_k_per_h: float
    humidified_to: float
    humidifier_hpa_per_h: float
    fails_every_h: float
    failed_h: float
    window_chance: float
    window_per_h: float


class SeasonRoom:
    """One room's air as a function of time; asked like `quietbench.simulators.model.room.Room`.

    No two rooms are alike: leakage, ventilation, people and heat capacity are drawn within about a quarter of
    what the nature says, by seed and name.
    """

    def __init__(self, seed: int, name: str, nature: SeasonNature) -> None:
        self._seed, self._name, self._nature = seed, name, nature
        self.weather = Weather(seed, name, nature.weather, nature.start_hour)
        draw = stream(seed, "room", name)
        factors = [math.exp(draw.gauss(0.0, 0.2)) for _ in range(4)]
        self._leaking, self._ventilated = (
            nature.leaking_per_h * factors[0],
            nature.ventilated_per_h * factors[1],
        )
        self._people, self._envelope_h = nature.people_hpa_per_h * factors[2], 30.0 * factors[3]
        dew_c = self.weather.at(0.0)[1]
        wall = min(0.9, vapour_pressure_hpa(dew_c) / vapour_pressure_hpa(nature.night_c) + 0.02)
        self._states = [(nature.night_c, wall * vapour_pressure_hpa(nature.night_c), wall)]
        self.forced_humidity: Steps[float | None] = Steps(None)
        self._failed_until_h = -1.0

    def temperature_k_at(self, at_s: float) -> float:
        """Return the air temperature, K."""
        return self._state(at_s)[0] + ZERO_C_K

    def vapour_pressure_hpa_at(self, at_s: float) -> float:
        """Return the vapour pressure, hPa."""
        return self._state(at_s)[1]

    def humidity_at(self, at_s: float) -> float:
        """Return the relative humidity over water, 0 … 1."""
        forced = self.forced_humidity.at(at_s)
        if forced is not None:
            return forced
        air_c, vapour = self._state(at_s)[:2]
        return min(1.0, vapour / vapour_pressure_hpa(air_c))

    def _state(self, at_s: float) -> tuple[float, float, float]:
        place = max(0.0, at_s) / 3600.0 / _STEP_H
        index = int(place)
        while len(self._states) < index + 2:
            self._states.append(self._next(len(self._states) - 1))
        now, then, share = self._states[index], self._states[index + 1], place - index
        air, vapour, wall = (a + share * (b - a) for a, b in zip(now, then, strict=True))
        return air, vapour, wall

    def _next(self, number: int) -> tuple[float, float, float]:
        hours = number * _STEP_H
        air_c, vapour, wall = self._states[-1]
        changes = self._changes_per_h(hours)
        out_c, out_dew_c = self.weather.at(hours)
        heat = (out_c - air_c) * (1.0 / self._envelope_h + 0.06 * changes) + self._heat(hours, air_c)
        gain = self._people_there(hours) * self._people + self._humidified(hours, air_c, vapour)
        settled = vapour_pressure_hpa(air_c)
        rate = changes + _WALL_PER_H
        target = (changes * vapour_pressure_hpa(out_dew_c) + _WALL_PER_H * wall * settled + gain) / rate
        vapour_then = target + (vapour - target) * math.exp(-rate * _STEP_H)
        wall_then = wall + (vapour / settled - wall) * _STEP_H / _WALL_LASTING_H
        return air_c + heat * _STEP_H, min(vapour_then, settled), wall_then

    def _clock(self, hours: float) -> tuple[int, float]:
        total = self._nature.start_hour + hours
        return int(total // 24.0), total % 24.0

    def _working_day(self, day: int) -> bool:
        weekday = (self._nature.start_weekday + day) % 7
        # A Saturday in eight is worked; a working day in forty is not.
        odd = stream(self._seed, "odd day", self._name, day).random()
        return odd > 1 / 40 if weekday < 5 else weekday == 5 and odd < 1 / 8

    def _at_work(self, hours: float) -> bool:
        day, clock = self._clock(hours)
        return self._working_day(day) and 6.0 <= clock < 18.0

    def _people_there(self, hours: float) -> float:
        day, clock = self._clock(hours)
        if not self._working_day(day):
            return 0.0
        chance = stream(self._seed, "people", self._name, day)
        come, go = chance.gauss(7.2, 0.3), chance.gauss(16.4, 0.5)
        how_many = chance.uniform(0.6, 1.2)
        lunch = 0.4 if 12.0 <= clock < 12.75 else 1.0
        return how_many * lunch if come <= clock < go else 0.0

    def _changes_per_h(self, hours: float) -> float:
        wind = math.exp(0.25 * stream(self._seed, "wind", self._name, int(hours // 6.0)).gauss(0.0, 1.0))
        ventilated = self._ventilated if self._at_work(hours) else 0.0
        return self._leaking * wind + ventilated + self._window(hours)

    def _window(self, hours: float) -> float:
        day, clock = self._clock(hours)
        evening = day if clock >= 12.0 else day - 1
        chance = stream(self._seed, "window", self._name, evening)
        if chance.random() >= self._nature.window_chance:
            return 0.0
        opened, closed = chance.uniform(15.0, 19.0), chance.uniform(30.5, 33.0)
        return self._nature.window_per_h if opened <= clock + 24.0 * (day - evening) < closed else 0.0

    def _heat(self, hours: float, air_c: float) -> float:
        at_work = self._at_work(hours)
        wanted_c = self._nature.day_c if at_work else self._nature.night_c
        gained = self._nature.sun_k_per_h * self.weather.sun(hours) + 0.25 * self._people_there(hours)
        heated = min(6.0, max(0.0, _CONTROL_PER_H * (wanted_c - air_c)))
        cooled_c = self._nature.cooled_c
        cooled = (
            0.0
            if cooled_c is None or not at_work
            else min(2.5, max(0.0, _CONTROL_PER_H * (air_c - cooled_c)))
        )
        return gained + heated - cooled

    def _humidified(self, hours: float, air_c: float, vapour: float) -> float:
        if self._nature.humidified_to <= 0.0 or self._failed(hours):
            return 0.0
        missing = self._nature.humidified_to * vapour_pressure_hpa(air_c) - vapour
        return min(self._nature.humidifier_hpa_per_h, max(0.0, 8.0 * missing))

    def _failed(self, hours: float) -> bool:
        every_h = self._nature.fails_every_h
        if every_h > 0.0 and hours >= self._failed_until_h:
            chance = stream(self._seed, "humidifier", self._name, round(hours / _STEP_H))
            if chance.random() < _STEP_H / every_h:
                self._failed_until_h = hours + self._nature.failed_h * chance.uniform(0.4, 1.8)
        return hours < self._failed_until_h
