"""Limits as the core has them, from the tables of profiles and channels."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from quietbench.daemon.core.plan import Limit, Priority, Requirement, Source
from quietbench.daemon.core.quantities import Quantity
from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.limits import LONGEST_ON_DELAY_S, LimitTable, ProfileLimit
from quietbench.daemon.settings.units import UNITS

__all__ = [
    "CHANGE",
    "CLOSED",
    "OWN_RULE",
    "UPPER",
    "change_limit",
    "clears_at",
    "closed",
    "from_profile",
    "held_back_too_long",
    "own_source",
    "path_resound_ns",
    "priority_of",
    "resound_ns",
    "with_table",
]

OWN_RULE = "own rule"
SITE_RULE = "site's own rule"
CLOSED = "closed"
CHANGE = "change"
UPPER = (Requirement.BELOW, Requirement.AT_MOST)
"""The requirements that bound from above."""

_SECOND_NS = 1_000_000_000
_PATH_RESOUND_NS = 300 * _SECOND_NS
_DANGER_RESOUND_NS = 120 * _SECOND_NS


def path_resound_ns(*, protects: bool) -> int:
    """Return when an acknowledged alarm of a path sounds again: after five minutes (own choice); others never."""
    return _PATH_RESOUND_NS if protects else 0


def resound_ns(*, protects: bool, danger: bool) -> int:
    """Return when an acknowledged alarm sounds again unless a table says so; of danger after two minutes."""
    return _DANGER_RESOUND_NS if danger else path_resound_ns(protects=protects)


def held_back_too_long(limit: Limit, *, shock: bool) -> bool:
    """Say whether an alarm of a path, of danger or (``shock``) of shock is delayed beyond what is allowed."""
    urgent = shock or limit.protects or limit.danger
    return urgent and limit.on_delay_ns > LONGEST_ON_DELAY_S * _SECOND_NS


def priority_of(word: str) -> Priority:
    """Return a priority by its word."""
    return Priority[word.upper()]


def clears_at(limit: Limit) -> float:
    """Return the value from which on a violation is over: better than the bound by the deadband."""
    return limit.bound - limit.deadband if limit.requirement in UPPER else limit.bound + limit.deadband


def from_profile(limit: ProfileLimit) -> Limit:
    """Return a limit of a profile in SI units."""
    unit = UNITS[limit.unit]
    source = Source(limit.document, limit.edition, limit.clause, limit.trust, limit.test_method, limit.remark)
    return Limit(
        name=limit.name,
        requirement=Requirement(limit.requirement),
        bound=unit.point(limit.bound),
        source=source,
        priority=priority_of(limit.priority),
        deadband=unit.step(limit.deadband),
        on_delay_ns=round(limit.on_delay_s * _SECOND_NS),
        off_delay_ns=round(limit.off_delay_s * _SECOND_NS),
        protects=limit.protects,
        entered=limit.entered,
        latching=limit.latching,
        resound_ns=_resound_ns(limit),
        danger=limit.danger,
    )


def _resound_ns(limit: ProfileLimit) -> int:
    if limit.resound_s is not None:
        return round(limit.resound_s * _SECOND_NS)
    return resound_ns(protects=limit.protects, danger=limit.danger)


def closed() -> Limit:
    """Return the limit that every contact on the way to earth has."""
    remark = "A contact on the way to earth that is open holds nothing."
    source = Source(OWN_RULE, "", "", "own choice", "", remark)
    return Limit(
        CLOSED,
        Requirement.AT_LEAST,
        1.0,
        source,
        Priority.HIGH,
        off_delay_ns=_SECOND_NS,
        protects=True,
        resound_ns=_PATH_RESOUND_NS,
    )


def change_limit(channel: ChannelTable, *, path: bool) -> Limit | None:
    """Return the limit on change against the value at commissioning, if the channel has one."""
    if channel.commissioned_ohm is None or channel.commissioned_on is None:
        return None
    bound = channel.commissioned_ohm * channel.change_factor
    return Limit(
        CHANGE,
        Requirement.BELOW,
        bound,
        _change_source(channel.commissioned_ohm, channel.commissioned_on, channel.change_factor),
        Priority.HIGH,
        deadband=0.1 * bound,
        off_delay_ns=_SECOND_NS,
        protects=path,
        resound_ns=path_resound_ns(protects=path),
    )


def _change_source(ohm: float, on: dt.date, factor: float) -> Source:
    remark = f"{factor:g} times the {ohm:g} ohm found at commissioning on {on.isoformat()}"
    return Source(SITE_RULE, on.isoformat(), "", "own choice", "", remark)


def own_source(table: LimitTable) -> Source:
    """Return the source that a site gives for its limit."""
    source = table.source
    assert source is not None
    return Source(
        source.document, source.edition, source.clause, source.trust, source.test_method, source.remark
    )


def with_table(limit: Limit, table: LimitTable, quantity: Quantity) -> Limit:
    """Return the limit with what the table gives; a bound or deadband without a unit is in SI."""
    unit = UNITS[table.unit or quantity.unit]
    given: dict[str, object] = {
        "requirement": None if table.requirement is None else Requirement(table.requirement),
        "bound": None if table.bound is None else unit.point(table.bound),
        "deadband": None if table.deadband is None else unit.step(table.deadband),
        "priority": None if table.priority is None else priority_of(table.priority),
        "on_delay_ns": None if table.on_delay_s is None else round(table.on_delay_s * _SECOND_NS),
        "off_delay_ns": None if table.off_delay_s is None else round(table.off_delay_s * _SECOND_NS),
        "protects": table.protects,
        "entered": table.entered,
        "latching": table.latching,
        "resound_ns": None if table.resound_s is None else round(table.resound_s * _SECOND_NS),
        "danger": table.danger,
    }
    return replace(limit, **{key: value for key, value in given.items() if value is not None})  # type: ignore[arg-type]
