"""Humidity arithmetic against published tables and independent libraries; each value names its source."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from quietbench.daemon.air import psychrometrics as air

psychrolib.SetUnitSystem(psychrolib.SI)

# t °C: Pa over water by IF97 region 4 (IAPWS R7-97(2012)), by CIPM-2007 (Metrologia 45, 2008), and by WMO-No. 8,
# Annex 4.B. Computed from the formulas by general-purpose libraries.
SATURATION = [
    (5.0, 872.57, 872.53, 871.74),
    (10.0, 1228.18, 1228.11, 1226.03),
    (15.0, 1705.74, 1705.67, 1701.67),
    (18.0, 2064.66, 2064.59, 2059.13),
    (20.0, 2339.21, 2339.16, 2332.60),
    (23.0, 2810.92, 2810.90, 2802.51),
    (25.0, 3169.75, 3169.76, 3160.06),
    (30.0, 4246.69, 4246.80, 4233.72),
    (35.0, 5628.62, 5628.86, 5612.84),
    (40.0, 7384.43, 7384.82, 7367.46),
]

# t °C, RH %: e Pa, dew point over water, the same from a reference formulation (1998 refit on ITS-90), PsychroLib's
# (over ice below 0 °C), frost point or None, g/m³, g/kg (PsychroLib, 101325 Pa). Computed; WMO-No. 8, Annex 4.B.
POINTS = [
    (5.0, 60.0, 523.0, -2.130, -2.113, -1.867, -1.878, 4.075, 3.230),
    (10.0, 50.0, 613.0, 0.041, 0.064, 0.063, None, 4.691, 3.792),
    (18.0, 30.0, 617.7, 0.147, 0.183, 0.181, None, 4.597, 3.825),
    (18.0, 70.0, 1441.4, 12.444, 12.453, 12.453, None, 10.727, 8.998),
    (20.0, 10.0, 233.3, -12.602, -12.540, -11.183, -11.211, 1.724, 1.439),
    (20.0, 30.0, 699.8, 1.882, 1.917, 1.914, None, 5.172, 4.337),
    (20.0, 50.0, 1166.3, 9.255, 9.274, 9.272, None, 8.621, 7.262),
    (23.0, 12.0, 336.3, -7.973, -7.915, -7.032, -7.064, 2.461, 2.077),
    (23.0, 30.0, 840.8, 4.481, 4.512, 4.510, None, 6.152, 5.219),
    (23.0, 50.0, 1401.3, 12.014, 12.030, 12.028, None, 10.253, 8.747),
    (25.0, 1.0, 31.6, -34.990, -34.943, -31.736, -31.766, 0.230, 0.195),
    (25.0, 30.0, 948.0, 6.211, 6.240, 6.238, None, 6.890, 5.891),
    (25.0, 40.0, 1264.0, 10.457, 10.477, 10.476, None, 9.186, 7.880),
    (25.0, 50.0, 1580.0, 13.852, 13.865, 13.864, None, 11.483, 9.881),
    (25.0, 60.0, 1896.0, 16.693, 16.702, 16.701, None, 13.780, 11.895),
    (25.0, 80.0, 2528.0, 21.307, 21.310, 21.309, None, 18.373, 15.962),
    (25.0, 100.0, 3160.1, 25.000, 25.000, 25.000, None, 22.966, 20.081),
    (30.0, 70.0, 2963.6, 23.927, 23.928, 23.928, None, 21.183, 18.795),
    (35.0, 20.0, 1122.6, 8.688, 8.709, 8.707, None, 7.894, 6.986),
    (40.0, 50.0, 3683.7, 27.598, 27.585, 27.585, None, 25.490, 23.517),
]


@pytest.mark.parametrize(("t", "if97", "cipm", "wmo"), SATURATION)
def test_saturation_over_water(t: float, if97: float, cipm: float, wmo: float) -> None:
    """To the table's last digit for its own formula, and within 0.35 % of the reference formulations."""
    saturation = air.saturation_pa(t + 273.15)

    assert saturation == pytest.approx(wmo, abs=0.006)
    assert saturation == pytest.approx(if97, rel=0.0035)
    assert saturation == pytest.approx(cipm, rel=0.0035)


@pytest.mark.parametrize(
    ("t", "pascal"),
    # ASHRAE Fundamentals (2017) chapter 1, table 3; the first and third from its tables in inch-pound units.
    [(-20.0, 103.24), (-10.0, 259.90), (-5.0, 401.74)],
)
def test_saturation_over_ice(t: float, pascal: float) -> None:
    """ASHRAE's ice column, held to the 300 ppm that it is checked to."""
    assert air.saturation_ice_pa(t + 273.15) == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(("t", "pascal"), [(5.0, 872.5), (20.0, 2338.8), (25.0, 3169.7)])
def test_ashrae_table_3(t: float, pascal: float) -> None:
    """ASHRAE Fundamentals (2017) chapter 1, table 3."""
    assert air.saturation_pa(t + 273.15) == pytest.approx(pascal, rel=0.0035)


@pytest.mark.parametrize(("t", "ratio"), [(5.0, 5.424e-3), (20.0, 1.4758e-2)])
def test_ashrae_saturated_mixing_ratio(t: float, ratio: float) -> None:
    """ASHRAE Fundamentals (2017) chapter 1, table 2, at 101325 Pa."""
    assert air.mixing_ratio(air.saturation_pa(t + 273.15), 101_325.0) == pytest.approx(ratio, rel=0.0035)


@pytest.mark.parametrize(("metres", "pascal"), [(0.0, 101_325.0), (500.0, 95_461.0), (1000.0, 89_875.0)])
def test_standard_atmosphere(metres: float, pascal: float) -> None:
    """ASHRAE Fundamentals (2017) chapter 1, table 1."""
    assert air.standard_pressure_pa(metres) == pytest.approx(pascal, abs=1.0)


def test_enhancement_at_sea_level() -> None:
    """WMO-No. 8, Annex 4.B: f(1013.25 hPa)."""
    assert air.enhancement(101_325.0) == pytest.approx(1.004719, abs=1e-6)


@pytest.mark.parametrize("point", POINTS, ids=lambda point: f"{point[0]:g}°C {point[1]:g}%")
def test_derived_air(point: tuple[float, ...]) -> None:
    """Every column of the table: dew point over water told from frost point, below 0 °C they part."""
    t, rh, e, dew, dew_reference, dew_library, frost, absolute, grams = point
    kelvin = t + 273.15
    vapour = air.vapour_pressure_pa(rh / 100.0, kelvin)

    assert vapour == pytest.approx(e, abs=0.06)
    assert air.dew_point_k(vapour) - 273.15 == pytest.approx(dew, abs=0.001)
    assert air.dew_point_k(vapour) - 273.15 == pytest.approx(dew_reference, abs=0.07)
    assert air.absolute_humidity_kg_m3(vapour, kelvin) * 1e3 == pytest.approx(absolute, abs=0.002)
    assert air.mixing_ratio(vapour, 101_325.0) * 1e3 == pytest.approx(grams, rel=0.006)
    if frost is None:
        assert np.isnan(air.frost_point_k(vapour)) or dew < 0.25
        assert air.dew_point_k(vapour) - 273.15 == pytest.approx(dew_library, abs=0.05)
    else:
        assert air.frost_point_k(vapour) - 273.15 == pytest.approx(frost, abs=0.001)
        assert air.frost_point_k(vapour) - 273.15 == pytest.approx(dew_library, abs=0.05)


def test_psychrolib_over_the_whole_range() -> None:
    """PsychroLib (ASHRAE formulas), 5 … 40 °C, 10 % and more: e within 0.35 %, dew point within 0.05 K above 0 °C."""
    for t in np.arange(5.0, 40.5, 1.5):
        for rh in (0.1, 0.3, 0.5, 0.7, 0.95):
            vapour = air.vapour_pressure_pa(rh, t + 273.15)
            assert vapour == pytest.approx(psychrolib.GetVapPresFromRelHum(t, rh), rel=0.0035)
            dew = psychrolib.GetTDewPointFromRelHum(t, rh)
            if dew > 0.0:
                assert air.dew_point_k(vapour) - 273.15 == pytest.approx(dew, abs=0.05)


@pytest.mark.slow
def test_coolprop_agrees() -> None:
    """CoolProp's real-gas moist air: dew point within 0.07 K; vapour in a volume higher by its enhancement."""
    from CoolProp.HumidAirProp import HAPropsSI

    for t, rh in ((18.0, 0.3), (23.0, 0.5), (25.0, 0.5), (30.0, 0.7)):
        kelvin = t + 273.15
        vapour = air.vapour_pressure_pa(rh, kelvin)
        state = ("T", kelvin, "P", 101_325.0, "R", rh)
        grams = HAPropsSI("W", *state) / HAPropsSI("Vda", *state) * 1e3

        assert air.dew_point_k(vapour) == pytest.approx(HAPropsSI("D", *state), abs=0.07)
        assert air.absolute_humidity_kg_m3(vapour, kelvin) * 1e3 == pytest.approx(grams, rel=0.0085)


@pytest.mark.parametrize(
    ("t", "rh", "per_percent", "per_kelvin"), [(25.0, 50.0, 0.31, 0.92), (25.0, 30.0, 0.48, None)]
)
def test_dew_point_sensitivity(t: float, rh: float, per_percent: float, per_kelvin: float | None) -> None:
    """Computed: a ± 2 %RH sensor is ± 0.6 … 1.0 K in dew point."""

    def dew(rh_: float, t_: float) -> float:
        return float(air.dew_point_k(air.vapour_pressure_pa(rh_ / 100.0, t_ + 273.15)))

    assert (dew(rh + 0.5, t) - dew(rh - 0.5, t)) == pytest.approx(per_percent, abs=0.01)
    if per_kelvin is not None:
        assert dew(rh, t + 0.5) - dew(rh, t - 0.5) == pytest.approx(per_kelvin, abs=0.01)
