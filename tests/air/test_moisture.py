"""How much water an hour: the moisture balance."""

from __future__ import annotations

import pytest

from quietbench.daemon.air.moisture import Humidifying, humidify
from quietbench.daemon.air.psychrometrics import saturation_pa


def needed(**changed: float) -> Humidifying:
    values = {
        "volume_m3": 200.0,
        "air_changes_per_h": 1.0,
        "target": 0.45,
        "humidity": 0.25,
        "air_k": 294.15,
        "outdoor_vapour_pa": float(saturation_pa(268.15)),
    }
    return humidify(**{**values, **changed})


def test_the_balance_by_hand() -> None:
    """200 m³, once an hour, from -5 °C dew point (3.11 g/m³ at 21 °C) to 45 %RH (8.22 g/m³): 1.02 kg an hour."""
    told = needed()

    assert told.kg_per_h == pytest.approx(1.02, abs=0.01)
    assert told.kg_once == pytest.approx(0.73, abs=0.01)
    assert told.heat_kw == pytest.approx(0.69, abs=0.01)
    assert told.u_kg_per_h == pytest.approx(0.2 * told.kg_per_h)


def test_twice_the_air_takes_twice_the_water() -> None:
    """And people's own vapour is taken off."""
    assert needed(air_changes_per_h=2.0).kg_per_h == pytest.approx(2.0 * needed().kg_per_h)
    assert needed(sources_kg_per_h=0.3).kg_per_h == pytest.approx(needed().kg_per_h - 0.3)


def test_damp_outdoors_needs_nothing() -> None:
    """No negative water."""
    assert needed(outdoor_vapour_pa=2000.0).kg_per_h == 0.0


@pytest.mark.parametrize("wrong", [{"volume_m3": 0.0}, {"air_changes_per_h": -1.0}, {"target": 1.2}])
def test_what_can_not_be_is_refused(wrong: dict[str, float]) -> None:
    """Saying what was wanted."""
    with pytest.raises(ValueError, match="wanted a volume"):
        needed(**wrong)
