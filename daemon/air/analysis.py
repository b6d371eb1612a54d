"""The whole analysis of a site's rooms, as plain data that config/schemas/air.json describes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from quietbench.daemon.air import words
from quietbench.daemon.air.agreement import Pairing, pairings, sensor_state
from quietbench.daemon.air.forecast.make import HISTORY_DAYS, STEP_S, Forecast, forecast
from quietbench.daemon.air.forecast.passage import passages
from quietbench.daemon.air.local_time import DAY_S, HOUR_S
from quietbench.daemon.air.moisture import CAUTIONS, humidify
from quietbench.daemon.air.outside import Band, time_outside
from quietbench.daemon.air.psychrometrics import ZERO_C_K, Floats, saturation_pa, standard_pressure_pa
from quietbench.daemon.air.series import AirSeries, gridded
from quietbench.daemon.air.store_source import Room
from quietbench.daemon.air.tables import charging_at, charging_remark
from quietbench.daemon.air.uncertainty import derive, room_pair
from quietbench.daemon.air.witnesses import Verdict, Witness, by_outdoors, verdict

__all__ = ["Surroundings", "analysed"]

VERSION = 1
_MOST_GAPS = 20
_U_GAP_K = 0.2
_PLOT_DAYS = 7


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is told beside the readings. ``outdoors`` has dew points over water; None: not known."""

    zone: str = "UTC"
    altitude_m: float = 0.0
    outdoors: tuple[Floats, Floats] | None = None  # UTC seconds, dew point in K
    volume_m3: float | None = None
    air_changes_per_h: float | None = None
    target: float | None = None

    def outdoor_vapour_pa(self, times_s: Floats) -> Floats | None:
        """Return the outdoor vapour pressure at some times; NaN where nothing within three hours is known."""
        if self.outdoors is None or not len(self.outdoors[0]):
            return None
        at, dew_k = self.outdoors
        vapour = np.interp(times_s, at, saturation_pa(dew_k))
        place = np.clip(np.searchsorted(at, times_s), 1, max(1, len(at) - 1))
        near = np.minimum(
            np.abs(at[place - 1] - times_s), np.abs(at[np.minimum(place, len(at) - 1)] - times_s)
        )
        return np.where(near <= 3.0 * HOUR_S, vapour, np.nan)


def analysed(
    site: str,
    rooms: Sequence[Room],
    around: Surroundings,
    salt_checks: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Return everything that is told of a site's air. Times are ISO 8601 in UTC, days and hours the site's own."""
    return {
        "version": VERSION,
        "site": site,
        "time_zone": around.zone,
        "altitude_m": around.altitude_m,
        "rooms": [_room(room, around, salt_checks) for room in rooms],
        "cautions": list(words.CAUTIONS),
    }


def _room(room: Room, around: Surroundings, salt_checks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    sensors = [sensor for sensor in room.sensors if len(sensor)]
    told: dict[str, Any] = {
        "room": room.name,
        "sensors": [_sensor(sensor) for sensor in room.sensors],
        "without_temperature": room.unpaired,
        "limits": room.limits,
        "band": {"low": _percent(room.band.low), "high": _percent(room.band.high)},
    }
    if not sensors:
        return {**told, **dict.fromkeys(_PARTS), "sentence": words.nothing_known(room.name)}
    pairs = pairings(sensors)
    outdoor_pa = around.outdoor_vapour_pa(sensors[0].times_s) if len(sensors) > 1 else None
    witnesses = (_salt_points(salt_checks), by_outdoors(sensors, outdoor_pa, sensors[0], around.zone))
    judged = verdict([sensor.name for sensor in sensors], pairs, witnesses)
    lead = next((sensor for sensor in sensors if sensor.name != judged.suspect), sensors[0])
    made, why_none = _forecast(lead, around)
    now = float(lead.humidity[-1])
    told |= {
        "told_by": lead.name,
        "now": _now(lead, around),
        "agreement": _agreement(sensors, pairs, judged, salt_checks),
        "outside": _outside(lead, room.band, around.zone),
        "forecast": None if made is None else _told_forecast(made, room.band, now),
        "no_forecast": why_none,
        "charging": _charging(now),
        "humidify": _humidify(lead, around),
        "past": _past(lead),
    }
    return {**told, "sentence": words.sentence(told, around.zone)}


_PARTS = (
    "told_by",
    "now",
    "agreement",
    "outside",
    "forecast",
    "no_forecast",
    "charging",
    "humidify",
    "past",
)


def _sensor(sensor: AirSeries) -> dict[str, Any]:
    known = len(sensor) > 0
    gaps = sensor.gaps() if known else []
    return {
        "name": sensor.name,
        "readings": len(sensor),
        "from": _time(sensor.times_s[0]) if known else None,
        "until": _time(sensor.times_s[-1]) if known else None,
        "typical_step_s": float(np.median(np.diff(sensor.times_s))) if len(sensor) > 1 else None,
        "u_humidity_percent": sensor.u_humidity * 100.0,
        "u_temperature_k": sensor.u_air_k,
        "u_assumed": not sensor.u_stated,
        "gaps": len(gaps),
        "gap_h": sum(until - since for since, until in gaps) / HOUR_S,
        "longest_gaps": [
            {"from": _time(since), "until": _time(until)}
            for since, until in sorted(gaps, key=lambda gap: gap[0] - gap[1])[:_MOST_GAPS]
        ],
        "tidying": asdict(sensor.tidying),
    }


def _now(lead: AirSeries, around: Surroundings) -> dict[str, Any]:
    pair = room_pair(lead.humidity[-1:], lead.air_k[-1:], lead.u_humidity, lead.u_air_k, _U_GAP_K)
    air = derive(pair, standard_pressure_pa(around.altitude_m))
    rows = {
        "relative_humidity": (pair.humidity * 100.0, pair.u_humidity * 100.0, "%RH"),
        "temperature": (pair.air_k - ZERO_C_K, pair.u_air_k, "°C"),
        "dew_point_over_water": (air.dew_k - ZERO_C_K, air.u_dew_k, "°C"),
        "frost_point": (air.frost_k - ZERO_C_K, air.u_frost_k, "°C"),
        "vapour_pressure": (air.vapour_pa, air.u_vapour_pa, "Pa"),
        "absolute_humidity": (air.absolute_kg_m3 * 1e3, air.u_absolute_kg_m3 * 1e3, "g/m³"),
        "mixing_ratio": (air.mixing * 1e3, air.u_mixing * 1e3, "g/kg"),
    }
    told = {name: _quantity(float(value[0]), float(u[0]), unit) for name, (value, u, unit) in rows.items()}
    correlation = float(pair.correlation[0])
    return {"time": _time(lead.times_s[-1]), "correlation": correlation, **told}


def _quantity(value: float, u: float, unit: str) -> dict[str, Any] | None:
    return {"value": value, "u": u, "unit": unit} if np.isfinite(value) and np.isfinite(u) else None


def _agreement(
    sensors: list[AirSeries], pairs: list[Pairing], judged: Verdict, salt_checks: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    moving = {sensor.name: _moves(sensor) for sensor in sensors}
    states = [
        sensor_state(sensor, any(moved for name, moved in moving.items() if name != sensor.name))
        for sensor in sensors
    ]
    return {
        "state": judged.state,
        "suspect": judged.suspect,
        "because": judged.because,
        "pairs": [{**asdict(pair), "agree": pair.agree} for pair in pairs],
        "sensors": [asdict(state) for state in states],
        "salt_checks": [dict(check) for check in salt_checks],
    }


def _moves(sensor: AirSeries) -> bool:
    recent = sensor.times_s >= sensor.times_s[-1] - 6.0 * HOUR_S
    return float(np.ptp(sensor.humidity[recent])) > 0.005


def _salt_points(checks: Sequence[Mapping[str, Any]]) -> Witness:
    """Return for each channel whether its newest salt point differs by more than its expanded uncertainty."""
    failed: dict[str, bool] = {}
    for check in checks:
        detail = check.get("detail")
        if isinstance(detail, Mapping) and {"difference", "u"} <= detail.keys():
            failed[str(check.get("subject"))] = abs(float(detail["difference"])) > 2.0 * float(detail["u"])
    return Witness("a salt point", failed)


def _outside(lead: AirSeries, band: Band, zone: str) -> dict[str, Any] | None:
    if band.low is None and band.high is None:
        return None
    found = time_outside(lead, band, zone)
    told = asdict(found)
    told["dryness_percent_h"] = told.pop("dryness")
    spell = told.pop("spell")
    told["longest_spell"] = None if spell is None else {
        "from": _time(spell[0]), "until": _time(spell[1]), "hours": (spell[1] - spell[0]) / HOUR_S}  # fmt: skip
    worst = told.pop("worst_quarter")
    told["worst_quarter"] = None if worst is None else {"at_hour": worst[0], "share": worst[1]}
    for table in ("per_day", "per_week", "per_month", "per_season"):
        told[table] = [
            {"name": name, "dry_h": row[0], "damp_h": row[1], "known_h": row[2]}
            for name, row in told[table].items()
        ]
    return told


def _forecast(lead: AirSeries, around: Surroundings) -> tuple[Forecast | None, str | None]:
    end = float(lead.times_s[-1] + min(lead.hold_s, STEP_S))
    end -= end % STEP_S  # the step under way is not whole yet
    grid = gridded(lead, STEP_S, max(float(lead.times_s[0]), end - HISTORY_DAYS * DAY_S), end)
    made = forecast(grid, around.zone, around.outdoor_vapour_pa(grid.ends_s))
    if made is None:
        return None, "no forecast: the last two hours are not known"
    return made, None


def _told_forecast(made: Forecast, band: Band, now: float) -> dict[str, Any]:
    humidity = made.quantiles(made.humidity) * 100.0
    dew = made.quantiles(made.dew_k) - ZERO_C_K
    return {
        "made": _time(made.made_s),
        "method": made.method,
        "history_days": made.days,
        "with_outdoors": made.outdoors,
        "interval": 0.8,
        "step_s": STEP_S,
        "times": [_time(end) for end in made.ends_s],
        "relative_humidity_percent": _fan(humidity),
        "dew_point_c": _fan(dew),
        "temperature_c": [round(float(t), 2) for t in np.median(made.air_k, axis=0) - ZERO_C_K],
        "passages": [
            _passage(passage, hours)
            for hours in (24.0, 48.0)
            for passage in passages(made, band, now, made.made_s + hours * HOUR_S)
        ],
    }


def _passage(passage: Any, hours: float) -> dict[str, Any]:
    told = asdict(passage)
    del told["until_s"]
    for key in ("early", "middle", "late"):
        at = told.pop(f"{key}_s")
        told[key] = None if at is None else _time(at)
    return {**told, "within_h": hours}


def _fan(rows: Floats) -> dict[str, list[float]]:
    return {
        name: [round(float(value), 2) for value in row]
        for name, row in zip(("low", "middle", "high"), rows, strict=True)
    }


def _charging(now: float) -> dict[str, Any]:
    return {
        "remark": charging_remark(),
        "humidity_percent": now * 100.0,
        "sources": [asdict(beside) for beside in charging_at(now)],
    }


def _humidify(lead: AirSeries, around: Surroundings) -> dict[str, Any]:
    outdoors = around.outdoor_vapour_pa(lead.times_s[-1:])
    missing = [
        name
        for name, value in (
            ("volume", around.volume_m3),
            ("air changes", around.air_changes_per_h),
            ("target", around.target),
            ("outdoor dew point", None if outdoors is None or np.isnan(outdoors[0]) else outdoors),
        )
        if value is None
    ]
    if missing:
        return {"missing": missing, "cautions": list(CAUTIONS)}
    assert around.volume_m3 is not None
    assert around.air_changes_per_h is not None
    assert around.target is not None
    assert outdoors is not None
    needed = humidify(
        volume_m3=around.volume_m3,
        air_changes_per_h=around.air_changes_per_h,
        target=around.target,
        humidity=float(lead.humidity[-1]),
        air_k=float(lead.air_k[-1]),
        outdoor_vapour_pa=float(outdoors[0]),
    )
    return {
        "missing": [],
        "target_percent": around.target * 100.0,
        **asdict(needed),
        "cautions": list(CAUTIONS),
    }


def _past(lead: AirSeries) -> dict[str, Any]:
    end = float(lead.times_s[-1])
    grid = gridded(lead, HOUR_S, max(float(lead.times_s[0]), end - _PLOT_DAYS * DAY_S), end)
    return {
        "times": [_time(at) for at in grid.ends_s],
        "relative_humidity_percent": [_rounded(value * 100.0) for value in grid.humidity],
        "temperature_c": [_rounded(value - ZERO_C_K) for value in grid.air_k],
    }


def _rounded(value: float) -> float | None:
    return round(float(value), 2) if np.isfinite(value) else None


def _percent(value: float | None) -> float | None:
    return None if value is None else value * 100.0


def _time(at_s: float) -> str:
    return dt.datetime.fromtimestamp(float(at_s), dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
