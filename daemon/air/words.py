"""What is said of a room's air in sentences; standard library only, the command line uses it too."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

__all__ = ["CAUTIONS", "clock", "nothing_known", "sentence", "span"]

CAUTIONS = (
    "A forecast is a chance, not a promise; it knows neither the weather service nor what people will do.",
    "Averages of half an hour: a passage shorter than that is not seen.",
    "Solvent and flux vapour can shift every sensor of a room alike; no comparison between them shows it.",
    "Charging voltages are handbook values for people without a strap; humidity never replaces grounding.",
)

_WORTH_SAYING = 0.2
_SIDES = {"dry": ("low", "below", "above"), "damp": ("high", "above", "below")}


def nothing_known(room: str) -> str:
    """Return the sentence of a room without readings."""
    return f"Nothing is known about the air in {room}: no humidity with its temperature in this time."


def sentence(told: Mapping[str, Any], zone: str) -> str:
    """Return the sentence for today of an analysed room."""
    agreement, forecast = told["agreement"], told["forecast"]
    parts = [_now(told)]
    if forecast is None:
        parts.append(f"{str(told['no_forecast']).capitalize()}.")
    elif forecast["method"] == "persistence":
        parts.append(
            f"{forecast['history_days']:.1f} days of history are less than three: no forecast but that "
            "it stays as it is."
        )
    else:
        parts += _heading(told, zone)
    if agreement["state"] == "named":
        parts.append(f"Sensors disagree: {agreement['because']}; check {agreement['suspect']}.")
    elif agreement["state"] == "disagree":
        parts.append("Sensors disagree; which one is off needs a third witness.")
    stuck = [state["name"] for state in agreement["sensors"] if state["stuck"]]
    if stuck:
        parts.append(f"{' and '.join(stuck)} has not moved for hours while another did.")
    return " ".join(parts)


def clock(text: str, zone: str) -> str:
    """Return a time as the site's clock shows it: "Tue 02:00"."""
    at = dt.datetime.fromisoformat(text).astimezone(ZoneInfo(zone))
    return f"{at:%a %H:%M}"


def span(column: Mapping[str, Any]) -> str:
    """Return the humidity of a printed column: "10-20 %RH", "40 %RH"."""
    low, high = column["low"], column["high"]
    return f"{low:g} %RH" if low == high else f"{low:g}-{high:g} %RH"


def _now(told: Mapping[str, Any]) -> str:
    now = told["now"]["relative_humidity"]
    text = f"{now['value']:.1f} ± {now['u']:.1f} %RH"
    for bound, beyond, _ in _SIDES.values():
        limit = told["band"][bound]
        if limit is not None and (now["value"] <= limit if bound == "low" else now["value"] >= limit):
            return f"{text} now, {beyond} the {limit:g} %RH limit."
    return f"{text} now, within limits." if _has_band(told) else f"{text} now; no limits are set."


def _has_band(told: Mapping[str, Any]) -> bool:
    return any(told["band"][bound] is not None for bound in ("low", "high"))


def _heading(told: Mapping[str, Any], zone: str) -> list[str]:
    soon = [one for one in told["forecast"]["passages"] if one["within_h"] == 24.0]
    worth = [one for one in soon if one["returning"] or one["chance"] >= _WORTH_SAYING]
    if not worth and soon:
        stays = max(0.0, 1.0 - sum(one["chance"] for one in soon))
        return [f"{stays:.0%}: stays within the limits for the next 24 h."]
    return [_passage(one, told["band"], zone) for one in worth]


def _passage(one: Mapping[str, Any], band: Mapping[str, Any], zone: str) -> str:
    bound, beyond, back = _SIDES[one["side"]]
    way = f"comes back {back}" if one["returning"] else f"leaves {beyond}"
    text = f"{one['chance']:.0%}: {way} {band[bound]:g} %RH within 24 h"
    if one["early"] is None:
        return f"{text}."
    return f"{text}; if so between {clock(one['early'], zone)} and {clock(one['late'], zone)} (80 %)."
