"""The quantities a channel can measure, with their SI unit and the way people say them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable thing.

    ``contact`` marks a quantity whose value is 1 (closed, or somebody there) or 0. ``path`` marks one whose
    channel watches a stretch of the way to earth, so that it protects.
    """

    name: str
    unit: str
    label: str
    contact: bool = False
    path: bool = False


_ALL = (
    Quantity("strap_contact", "1", "strap contact", contact=True, path=True),
    Quantity("strap_resistance", "ohm", "strap resistance", path=True),
    Quantity("mat_resistance", "ohm", "mat resistance", path=True),
    Quantity("earth_bond", "1", "earth bond", contact=True, path=True),
    Quantity("tip_resistance", "ohm", "tip resistance", path=True),
    Quantity("tip_voltage", "V", "tip voltage"),
    Quantity("earth_offset", "V", "earth offset"),
    Quantity("outlet_wiring", "1", "outlet wiring", contact=True),
    Quantity("supply_voltage", "V", "supply voltage"),
    Quantity("supply_transients", "1", "supply transients"),
    Quantity("static_field", "V/m", "static field"),
    Quantity("body_voltage", "V", "body voltage"),
    Quantity("ioniser_offset", "V", "ioniser offset"),
    Quantity("ioniser_decay", "s", "ioniser decay"),
    Quantity("relative_humidity", "1", "relative humidity"),
    Quantity("air_temperature", "K", "air temperature"),
    Quantity("presence", "1", "presence", contact=True),
    Quantity("board_out", "1", "board out of its bag", contact=True),
    Quantity("tool_hot", "1", "tool hot", contact=True),
    Quantity("footwear_resistance", "ohm", "footwear and floor", path=True),
    Quantity("button", "1", "button", contact=True),
    Quantity("watcher_health", "1", "watcher health", contact=True),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}
"""By name; the names are the words of configuration, topics and store."""
