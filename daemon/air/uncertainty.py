"""Uncertainty of derived air, by the law of propagation with covariance (JCGM 100, 5.2).

A sensor reports humidity and temperature of its own element. Where the element is not at the room's temperature by
an unknown gap, the room's temperature is missed by the gap and the room's humidity by the gap times the slope of the
saturation curve, with the other sign: the two errors are one error. So the pair is carried with its covariance, and
the gap drops out of vapour pressure and dew point, as it must: vapour does not know where the sensor sits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietbench.daemon.air.psychrometrics import (
    U_FORMULA,
    ZERO_C_K,
    Floats,
    absolute_humidity_kg_m3,
    dew_point_k,
    enhancement,
    frost_point_k,
    humidity_slope_per_k,
    mixing_ratio,
    saturation_pa,
    vapour_pressure_pa,
)

__all__ = ["Derived", "Pair", "derive", "room_pair"]


@dataclass(frozen=True, slots=True)
class Pair:
    """Humidity (0 … 1) and temperature (K) with standard uncertainties and the correlation of their errors."""

    humidity: Floats
    air_k: Floats
    u_humidity: Floats
    u_air_k: Floats
    correlation: Floats


@dataclass(frozen=True, slots=True)
class Derived:
    """Derived quantities with standard uncertainties, SI; ``frost_k`` is NaN above 0 °C."""

    vapour_pa: Floats
    u_vapour_pa: Floats
    dew_k: Floats
    u_dew_k: Floats
    frost_k: Floats
    u_frost_k: Floats
    absolute_kg_m3: Floats
    u_absolute_kg_m3: Floats
    mixing: Floats
    u_mixing: Floats


def room_pair(humidity: Floats, air_k: Floats, u_humidity: float, u_air_k: float, u_gap_k: float) -> Pair:
    """Return what a sensor says of the room; ``u_gap_k`` is the uncertainty of element against room temperature."""
    thermal = humidity * humidity_slope_per_k(air_k) * u_gap_k
    u_room, u_air = np.hypot(u_humidity, thermal), np.full_like(air_k, np.hypot(u_air_k, u_gap_k))
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.where(u_room * u_air > 0.0, -thermal * u_gap_k / (u_room * u_air), 0.0)
    return Pair(humidity, air_k, u_room, u_air, correlation)


def derive(pair: Pair, pressure_pa: float) -> Derived:
    """Return derived air at a pressure, each with its standard uncertainty, that of the formula included."""
    saturation, slope = saturation_pa(pair.air_k), humidity_slope_per_k(pair.air_k)
    vapour = vapour_pressure_pa(pair.humidity, pair.air_k)
    sensor = _propagated(pair, saturation, vapour * slope)
    # In the dew point the formula goes both ways and all but cancels; in the vapour pressure it does not.
    u_vapour = np.hypot(sensor, U_FORMULA * vapour)
    dew, frost = dew_point_k(vapour), frost_point_k(vapour)
    absolute = absolute_humidity_kg_m3(vapour, pair.air_k)
    by_humidity = absolute_humidity_kg_m3(saturation, pair.air_k)
    u_absolute = _propagated(pair, by_humidity, absolute * (slope - 1.0 / pair.air_k))
    mixing = mixing_ratio(vapour, pressure_pa)
    by_vapour = mixing / vapour * pressure_pa / (pressure_pa - enhancement(pressure_pa) * vapour)
    return Derived(
        vapour,
        u_vapour,
        dew,
        sensor / (vapour * humidity_slope_per_k(dew)),
        frost,
        sensor / (vapour * _ice_slope_per_k(frost)),
        absolute,
        np.hypot(u_absolute, U_FORMULA * absolute),
        mixing,
        by_vapour * u_vapour,
    )


def _propagated(pair: Pair, by_humidity: Floats, by_air: Floats) -> Floats:
    first, second = by_humidity * pair.u_humidity, by_air * pair.u_air_k
    variance = first**2 + second**2 + 2.0 * first * second * pair.correlation
    return np.sqrt(np.maximum(variance, 0.0))


def _ice_slope_per_k(frost_k: Floats) -> Floats:
    return 22.46 * 272.62 / (272.62 + frost_k - ZERO_C_K) ** 2
