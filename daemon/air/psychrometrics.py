"""Humidity arithmetic: vapour pressure, dew and frost point, absolute humidity, mixing ratio.

Formulas of WMO-No. 8, Guide to Instruments and Methods of Observation, Annex 4.B (water -45 … 60 °C, ice -65 … 0 °C).
Over 5 … 40 °C its vapour pressure over water lies up to 0.32 % below the reference formulations (IAPWS R7-97,
CIPM-2007): `U_FORMULA` carries that. Relative humidity is over water at every temperature, as sensors report it.

Arrays and plain numbers alike; pressures in Pa, temperatures in K, relative humidity 0 … 1.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Number = TypeVar("Number", float, Floats)

ZERO_C_K = 273.15
U_FORMULA = 0.0032 / np.sqrt(3.0)
"""Relative standard uncertainty of the formula: its worst deviation as a rectangle (JCGM 100, 4.3.7)."""

_E0_PA = 611.2
_WATER = (17.62, 243.12)
_ICE = (22.46, 272.62)
_GAS_CONSTANT = 461.5  # J/(kg K), water vapour
_MASS_RATIO = 0.62198


def saturation_pa(air_k: Number) -> Number:
    """Return the saturation vapour pressure over water: 611.2 exp(17.62 t / (243.12 + t)) Pa."""
    return _saturation(air_k, _WATER)


def saturation_ice_pa(air_k: Number) -> Number:
    """Return the saturation vapour pressure over ice: 611.2 exp(22.46 t / (272.62 + t)) Pa; below 0 °C only."""
    return _saturation(air_k, _ICE)


def vapour_pressure_pa(humidity: Number, air_k: Number) -> Number:
    """Return the vapour pressure of air whose relative humidity over water is ``humidity``."""
    return humidity * saturation_pa(air_k)


def relative_humidity(vapour_pa: Number, air_k: Number) -> Number:
    """Return the relative humidity over water, 0 … 1 (above 1: supersaturated)."""
    return vapour_pa / saturation_pa(air_k)


def dew_point_k(vapour_pa: Number) -> Number:
    """Return the dew point over water, also below 0 °C: the inverse of `saturation_pa`. NaN without vapour."""
    return _inverse(vapour_pa, _WATER)


def frost_point_k(vapour_pa: Number) -> Number:
    """Return the frost point, over ice; NaN where the vapour would condense as water (above 0 °C)."""
    frost = _inverse(vapour_pa, _ICE)
    return np.where(frost < ZERO_C_K, frost, np.nan)[()]  # type: ignore[return-value,unused-ignore]


def absolute_humidity_kg_m3(vapour_pa: Number, air_k: Number) -> Number:
    """Return the mass of vapour in a volume: e / (461.5 T), ideal gas."""
    return vapour_pa / (_GAS_CONSTANT * air_k)


def enhancement(pressure_pa: float) -> float:
    """Return how much more vapour moist air holds than the pure phase: 1.0016 + 3.15e-6 p - 0.074 / p, p in hPa."""
    hpa = pressure_pa / 100.0
    return 1.0016 + 3.15e-6 * hpa - 0.074 / hpa


def mixing_ratio(vapour_pa: Number, pressure_pa: float) -> Number:
    """Return the mass of vapour for each mass of dry air (kg/kg): 0.62198 f e / (p - f e)."""
    vapour = enhancement(pressure_pa) * vapour_pa
    return _MASS_RATIO * vapour / (pressure_pa - vapour)


def standard_pressure_pa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere: 101325 (1 - 2.25577e-5 h)^5.2559 (ASHRAE Fundamentals ch. 1).

    Raises:
        ValueError: outside -500 … 11000 m.
    """
    if not -500.0 <= altitude_m <= 11_000.0:
        raise ValueError(f"altitude: got {altitude_m} m, wanted -500 … 11000 m")
    return float(101_325.0 * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)


def humidity_slope_per_k(air_k: Number) -> Number:
    """Return d(ln e_s)/dT over water, 1/K: how much of a reading 1 K is worth (about 0.06 at room temperature)."""
    a, b = _WATER
    return a * b / (b + air_k - ZERO_C_K) ** 2


def _saturation(air_k: Number, constants: tuple[float, float]) -> Number:
    a, b = constants
    t = air_k - ZERO_C_K
    return _E0_PA * np.exp(a * t / (b + t))  # type: ignore[no-any-return]


def _inverse(vapour_pa: Number, constants: tuple[float, float]) -> Number:
    a, b = constants
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log(np.where(np.asarray(vapour_pa) > 0.0, vapour_pa, np.nan) / _E0_PA)
        inverse: Number = (ZERO_C_K + b * x / (a - x))[()]  # type: ignore[assignment,unused-ignore]
        return inverse
