"""A room's seasons: repeatable, and physical where it can be checked by hand."""

from __future__ import annotations

import pytest

from quietbench.simulators.build import world_of
from quietbench.simulators.model.room import vapour_pressure_hpa
from quietbench.simulators.model.season import SeasonRoom
from quietbench.simulators.model.sensor import Sensor, SensorNature
from quietbench.simulators.model.weather import Weather, WeatherNature
from quietbench.simulators.scenario import load

SEASONS = (
    "heating-season",
    "summer",
    "humidifier-failing",
    "window-left-open",
    "drifting-sensor",
    "sensor-in-the-sun",
)


def room_of(name: str, seed: int = 3) -> SeasonRoom:
    room = world_of(load(name), seed).rooms["room-2"]
    assert isinstance(room, SeasonRoom)
    return room


@pytest.mark.parametrize("name", SEASONS)
def test_a_season_is_the_same_for_the_same_seed(name: str) -> None:
    """In whatever order it is asked; another seed is another season."""
    one, other = room_of(name), room_of(name)
    forwards = [one.humidity_at(hour * 3600.0) for hour in range(0, 48, 5)]
    backwards = [other.humidity_at(hour * 3600.0) for hour in reversed(range(0, 48, 5))]

    assert forwards == backwards[::-1]
    assert forwards != [room_of(name, 4).humidity_at(hour * 3600.0) for hour in range(0, 48, 5)]


def test_heating_holds_the_day_and_sets_back_the_night() -> None:
    """21.5 °C at work on a working day, 17 °C after a night, within a degree."""
    room = room_of("heating-season")

    assert room.temperature_k_at(3 * 86_400.0 + 15 * 3600.0) - 273.15 == pytest.approx(21.5, abs=1.0)
    assert room.temperature_k_at(4 * 86_400.0 + 5 * 3600.0) - 273.15 == pytest.approx(17.0, abs=1.2)


def test_air_is_drier_without_a_humidifier() -> None:
    """The same weather, with one and without."""
    plain, held = room_of("heating-season"), room_of("humidifier-failing")
    hours = range(24, 24 * 8)

    assert sum(held.humidity_at(h * 3600.0) for h in hours) > sum(
        plain.humidity_at(h * 3600.0) for h in hours
    )


def test_the_dew_point_never_passes_the_temperature() -> None:
    """Outdoors."""
    weather = Weather(1, "x", WeatherNature(5.0, 4.5, 4.0, 4.0, 4.0), 0.0)

    assert all(air > dew for air, dew in (weather.at(float(hour)) for hour in range(24 * 30)))


class Steady:
    """Air that stands still."""

    def temperature_k_at(self, at_s: float) -> float:
        return 294.15

    def humidity_at(self, at_s: float) -> float:
        return 0.40


def clear(_hours: float) -> float:
    return 1.0


def test_the_sun_warms_the_element_and_leaves_the_vapour() -> None:
    """Eight kelvin at noon: the display falls by a third, the vapour pressure by nothing."""
    sensor = Sensor(1, "s", SensorNature(sun_k=8.0, sun_from=9.0, sun_until=15.0), Steady(), clear)
    noon = 12 * 3600.0
    said, element = sensor.value_at("relative_humidity", noon), sensor.value_at("air_temperature", noon)

    assert element - 294.15 == pytest.approx(8.0, abs=0.1)
    assert said == pytest.approx(0.40 / 1.62, abs=0.01)
    assert said * vapour_pressure_hpa(element - 273.15) == pytest.approx(
        0.40 * vapour_pressure_hpa(21.0), rel=0.02
    )


def test_drift_and_stuck() -> None:
    """1 %RH a month from the second month on; and a sensor that stops moving says the same for ever."""
    drifting = Sensor(1, "s", SensorNature(drift_per_month=0.01, drifts_from_h=730.5), Steady(), clear)
    stuck = Sensor(1, "s", SensorNature(stuck_from_h=10.0), Steady(), clear)

    assert drifting.value_at("relative_humidity", 730.5 * 3600.0) == pytest.approx(0.40, abs=0.004)
    assert drifting.value_at("relative_humidity", 2 * 730.5 * 3600.0) == pytest.approx(0.41, abs=0.004)
    assert len({stuck.value_at("relative_humidity", hour * 3600.0) for hour in range(10, 20)}) == 1
