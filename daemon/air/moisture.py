"""How much water an hour holds a room at a humidity: the moisture balance of its air, steady state.

m = V n (a_wanted - a_outdoors) - sources, with V the volume, n the air changes and a absolute humidities (ASHRAE
Fundamentals, ventilation: latent load). Plus once V (a_wanted - a_now) to get there.
"""

from __future__ import annotations

from dataclasses import dataclass

from quietbench.daemon.air.psychrometrics import absolute_humidity_kg_m3, vapour_pressure_pa

EVAPORATION_KWH_PER_KG = 0.68
"""Enthalpy of evaporation at room temperature, 2.45 MJ/kg: what any humidifier costs at least, as heat."""

CAUTIONS = (
    "Above the high limit damp harms parts and flux: keep the target well inside the band.",
    "Cold surfaces (windows, ducts, outer walls) must stay above the room's dew point.",
    "Humidifiers need clean water and care, or they spread minerals and germs; no mist over boards.",
    "Humidity never replaces straps, mats and ionisers: it lowers charging, and grounding removes charge.",
)


@dataclass(frozen=True, slots=True)
class Humidifying:
    """Water per hour to hold the target, water once to reach it, and the heat that its evaporation takes."""

    kg_per_h: float
    u_kg_per_h: float
    kg_once: float
    heat_kw: float
    kwh_per_day: float


def humidify(
    *,
    volume_m3: float,
    air_changes_per_h: float,
    target: float,
    humidity: float,
    air_k: float,
    outdoor_vapour_pa: float,
    sources_kg_per_h: float = 0.0,
    u_air_changes: float = 0.2,
) -> Humidifying:
    """Return what humidifying to ``target`` (0 … 1) at ``air_k`` takes; 0 where the room is damp enough by itself.

    ``u_air_changes`` is the relative standard uncertainty of the air change, which rules all the rest.

    Raises:
        ValueError: a volume or air change that is not above 0, or a target outside 0 … 1.
    """
    if volume_m3 <= 0.0 or air_changes_per_h <= 0.0 or not 0.0 < target < 1.0:
        raise ValueError(
            f"got volume {volume_m3} m³, {air_changes_per_h} air changes/h, target {target}; "
            "wanted a volume and air changes above 0 and a target between 0 and 1"
        )
    wanted = absolute_humidity_kg_m3(vapour_pressure_pa(target, air_k), air_k)
    outdoors = absolute_humidity_kg_m3(outdoor_vapour_pa, air_k)  # brought to room temperature: e stays
    now = absolute_humidity_kg_m3(vapour_pressure_pa(humidity, air_k), air_k)
    carried = volume_m3 * air_changes_per_h * (wanted - outdoors)
    needed = max(0.0, float(carried - sources_kg_per_h))
    u = abs(float(carried)) * u_air_changes if needed > 0.0 else 0.0
    heat = needed * EVAPORATION_KWH_PER_KG
    once = max(0.0, float(volume_m3 * (wanted - now)))
    return Humidifying(needed, u, once, heat, heat * 24.0)
