"""From a channel's conversion table to the core's conversion, with all numbers in SI."""

from __future__ import annotations

import math
from typing import NamedTuple

from quietbench.daemon.core.convert import Contact, Conversion, Divider, Linear
from quietbench.daemon.core.quantities import QUANTITIES, Quantity
from quietbench.daemon.settings.channels import BY_HAND, ChannelTable, DividerTable, LinearTable
from quietbench.daemon.settings.findings import nearest_of
from quietbench.daemon.settings.scan import Path
from quietbench.daemon.settings.units import UNITS, Unit, units_of

__all__ = ["Trouble", "conversion_of", "thin_raw_of", "unit_trouble"]

_CONTACT = Contact()
_ENTERED = Linear(1.0)
"""Of a channel that nothing reads: what is entered is in its SI unit already."""


class Trouble(NamedTuple):
    """What is wrong with a channel; ``path`` starts at its table. ``got`` None shows the raw value there."""

    path: Path
    what: str
    wanted: str
    got: str | None = None
    nearest: str | None = None


def conversion_of(channel: ChannelTable) -> Conversion | Trouble:
    """Return the conversion of a channel, or why there can be none."""
    quantity = QUANTITIES[channel.quantity]
    table = channel.conversion
    if channel.source is None and channel.quantity in BY_HAND:
        return _ENTERED
    if table is None and not quantity.contact:
        return Trouble(
            ("conversion",), "missing key", f"a table with kind = {_kinds(quantity)}", got="nothing"
        )
    if table is not None and table.kind not in _kinds_of(quantity):
        return Trouble(("conversion", "kind"), f"wrong conversion for {quantity.name}", _kinds(quantity))
    if isinstance(table, DividerTable):
        return Divider(**table.model_dump(exclude={"kind"}))
    return _linear(table, quantity) if isinstance(table, LinearTable) else _CONTACT


def _kinds_of(quantity: Quantity) -> tuple[str, ...]:
    if quantity.contact:
        return ("contact",)
    return ("divider", "linear") if quantity.unit == "ohm" else ("linear",)


def _kinds(quantity: Quantity) -> str:
    return " or ".join(f'"{kind}"' for kind in _kinds_of(quantity))


def _linear(table: LinearTable, quantity: Quantity) -> Conversion | Trouble:
    wrong = unit_trouble(("conversion", "unit"), table.unit, quantity)
    if wrong is not None:
        return wrong
    if table.low is not None and table.high is not None and table.low >= table.high:
        return Trouble(("conversion", "low"), "an empty span", f"less than high, which is {table.high:g}")
    unit = UNITS[table.unit]
    return Linear(
        scale=table.scale * unit.times,
        offset=unit.point(table.offset),
        u=unit.step(table.u),
        low=_end(unit, table.low, -math.inf),
        high=_end(unit, table.high, math.inf),
        divisor=unit.per,
    )


def _end(unit: Unit, value: float | None, open_end: float) -> float:
    return open_end if value is None else unit.point(value)


def unit_trouble(path: Path, word: str, quantity: Quantity) -> Trouble | None:
    """Return what is wrong with a unit for a quantity, or None."""
    allowed = units_of(quantity.unit)
    if word in allowed:
        return None
    what = f"wrong unit for {quantity.name}" if word in UNITS else "unknown unit"
    wanted = " or ".join(f'"{unit}"' for unit in allowed)
    return Trouble(path, what, wanted, nearest=nearest_of(word, allowed))


def thin_raw_of(channel: ChannelTable) -> float:
    """Return the raw change up to which readings are thinned.

    Without a number of its own a divider thins what is within three standard deviations of its noise, and a
    sensor what is within half of its standard uncertainty; a contact tells every change.
    """
    if channel.thin_raw is not None:
        return channel.thin_raw
    table = channel.conversion
    if isinstance(table, DividerTable):
        return 3.0 * table.noise_lsb
    return 0.5 * table.u / abs(table.scale) if isinstance(table, LinearTable) else 0.0
