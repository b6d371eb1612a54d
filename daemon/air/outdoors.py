"""The outdoor dew point, as an input: a sensor of the plan that hangs outdoors, or a CSV of a weather station."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from quietbench.daemon.air.csv_source import read_csv
from quietbench.daemon.air.psychrometrics import Floats, dew_point_k, vapour_pressure_pa
from quietbench.daemon.air.series import AirSeries
from quietbench.daemon.air.store_source import Room
from quietbench.daemon.errors import ConfigurationError

__all__ = ["outdoor_csv", "outdoor_sensor"]


def outdoor_sensor(channel: str, rooms: Sequence[Room]) -> tuple[Floats, Floats]:
    """Return (UTC seconds, dew point over water in K) of the sensor whose humidity channel has this name.

    Raises:
        ConfigurationError: no such channel with readings.
    """
    sensors = {sensor.name: sensor for room in rooms for sensor in room.sensors}
    if channel not in sensors or not len(sensors[channel]):
        known = ", ".join(sensors) or "none: there are none"
        raise ConfigurationError(f"outdoors: got {channel!r}, wanted a CSV file or one of {known}")
    return _dew_point(sensors[channel])


def outdoor_csv(path: Path) -> tuple[Floats, Floats]:
    """Return (UTC seconds, dew point over water in K) from a file with the columns of a room's.

    Raises:
        ConfigurationError: it can't be read, or holds nothing.
    """
    series, _ = read_csv(path)
    if not len(series):
        raise ConfigurationError(f"{path}: got no usable line, wanted outdoor humidity and temperature")
    return _dew_point(series)


def _dew_point(series: AirSeries) -> tuple[Floats, Floats]:
    known = series.humidity > 0.0
    vapour = vapour_pressure_pa(series.humidity[known], series.air_k[known])
    return series.times_s[known], dew_point_k(vapour)
