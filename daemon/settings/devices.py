"""Devices as the configuration names them: the driver found by entry point, its options, its points."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

from pydantic import BaseModel

from quietbench.daemon.settings.models import DeviceTable
from quietbench.drivers.discovery import driver_names, load_driver
from quietbench.drivers.errors import SetupError

__all__ = ["COMMON_KEYS", "driver_class", "driver_names", "option_values", "points_by_table", "points_of"]

COMMON_KEYS = tuple(DeviceTable.model_fields)
_HANDED_ON = "deadline_s"
_ONLY_POINT = "value"


@cache
def driver_class(name: str) -> Any | str:
    """Return the class of an installed driver, or in words what keeps it from being used."""
    try:
        return load_driver(name)
    except SetupError as error:
        return str(error)


def option_values(raw: dict[str, Any], model: type[BaseModel]) -> dict[str, Any]:
    """Return a device table's own options: without the common keys, but for the deadline where the driver has one."""
    values = {key: value for key, value in raw.items() if key not in COMMON_KEYS}
    if _HANDED_ON in raw and _HANDED_ON in model.model_fields:
        values[_HANDED_ON] = raw[_HANDED_ON]
    return values


def points_of(driver: Any, options: Any) -> tuple[str, ...]:
    """Return the points of a device, as its driver describes them."""
    # A constructor never talks to hardware, and describe() works before open.
    points: Iterable[str] = driver(options, None).describe().points
    return tuple(points)


def points_by_table(raw: dict[str, Any]) -> tuple[str, ...]:
    """Return the points of a device whose options are wrong, as far as its table tells."""
    points = raw.get("points")
    return tuple(points) if isinstance(points, dict) else (_ONLY_POINT,)
