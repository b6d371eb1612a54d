"""Uncertainty of derived air: against drawing from the inputs (JCGM 101), and what must cancel."""

from __future__ import annotations

import numpy as np
import pytest

from quietbench.daemon.air import psychrometrics as air
from quietbench.daemon.air.uncertainty import derive, room_pair


def one(value: float) -> air.Floats:
    return np.array([value])


@pytest.mark.parametrize(("humidity", "celsius"), [(0.10, 20.0), (0.30, 18.0), (0.50, 25.0), (0.75, 30.0)])
@pytest.mark.parametrize("u_gap_k", [0.0, 0.5])
def test_propagation_agrees_with_drawing(humidity: float, celsius: float, u_gap_k: float) -> None:
    """A sensor's errors drawn 100,000 times give the same spread, within 5 % of it."""
    chance = np.random.default_rng(7)
    size = 100_000
    element_k = celsius + 273.15 + chance.normal(0.0, 0.2, size)
    said = humidity + chance.normal(0.0, 0.01, size)
    gap = chance.normal(0.0, u_gap_k, size)
    vapour = said * air.saturation_pa(element_k)

    pair = room_pair(one(humidity), one(celsius + 273.15), 0.01, 0.2, u_gap_k)
    told = derive(pair, 101_325.0)

    formula = air.U_FORMULA * told.vapour_pa
    assert np.sqrt(told.u_vapour_pa**2 - formula**2) == pytest.approx(vapour.std(), rel=0.05)
    assert told.u_dew_k == pytest.approx(air.dew_point_k(vapour).std(), rel=0.05)
    room_k = element_k + gap
    absolute = air.absolute_humidity_kg_m3(vapour, room_k)
    assert told.u_absolute_kg_m3 == pytest.approx(absolute.std(), rel=0.15)


def test_the_gap_between_element_and_room_leaves_the_vapour_alone() -> None:
    """The errors of humidity and temperature that it makes are one error, and cancel."""
    near = derive(room_pair(one(0.4), one(294.15), 0.01, 0.2, 0.0), 101_325.0)
    far = derive(room_pair(one(0.4), one(294.15), 0.01, 0.2, 2.0), 101_325.0)
    pair = room_pair(one(0.4), one(294.15), 0.01, 0.2, 2.0)

    assert far.u_vapour_pa == pytest.approx(near.u_vapour_pa)
    assert far.u_dew_k == pytest.approx(near.u_dew_k)
    assert pair.u_humidity[0] > 0.04
    assert pair.correlation[0] < -0.9


def test_frost_point_only_below_freezing() -> None:
    """Above 0 °C nothing freezes: no number is told."""
    warm = derive(room_pair(one(0.5), one(298.15), 0.01, 0.2, 0.2), 101_325.0)
    cold = derive(room_pair(one(0.1), one(293.15), 0.01, 0.2, 0.2), 101_325.0)

    assert np.isnan(warm.frost_k[0])
    assert cold.dew_k[0] < cold.frost_k[0] < 273.15


def test_altitude_raises_the_mixing_ratio() -> None:
    """The same vapour has less dry air beside it: by the ratio of the pressures, nearly."""
    pair = room_pair(one(0.4), one(294.15), 0.01, 0.2, 0.2)
    sea = derive(pair, air.standard_pressure_pa(0.0))
    high = derive(pair, air.standard_pressure_pa(2000.0))

    assert high.mixing[0] / sea.mixing[0] == pytest.approx(101_325.0 / 79_495.0, rel=0.01)
