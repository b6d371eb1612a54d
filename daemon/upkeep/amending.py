"""Other limits for a plan that was in force: what a person asks for, checked, and put into the plan.

Delays act on annunciation alone, and one that holds back an alarm of a protecting path is at most 0.5 s (own choice).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from quietbench.daemon.core.convert import Divider
from quietbench.daemon.core.plan import Channel, Limit, Plan, Requirement
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.units import UNITS

__all__ = [
    "FIELDS",
    "LONGEST_ON_DELAY_NS",
    "Setting",
    "amended",
    "parse_setting",
    "resolved",
    "with_settings",
]

SECOND_NS = 1_000_000_000
LONGEST_ON_DELAY_NS = SECOND_NS // 2
"""The longest delay before an alarm of a protecting path sounds (own choice)."""

FIELDS = ("bound", "deadband", "on_delay_s", "off_delay_s")
_UPPER = (Requirement.BELOW, Requirement.AT_MOST)
_SETTING = re.compile(r"\s*([^\s.:=]+/[^\s.:=]+)[.:]([^\s.:=]+)(?:\.([a-z_]+))?\s*=\s*(.+?)\s*")
_FIGURE = re.compile(r"([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*(\S*)")
_WANTED = "channel.limit=value or channel.limit.field=value, such as bench-1/mat.upper=10Mohm"


@dataclass(frozen=True, slots=True)
class Setting:
    """One asked-for change: ``field`` (one of `FIELDS`) of the limits that the patterns name, to ``text``."""

    channels: str
    limits: str
    field: str
    text: str

    def names(self, channel: Channel, limit: Limit) -> bool:
        """Say whether it is about this limit."""
        return fnmatchcase(channel.name, self.channels) and fnmatchcase(limit.name, self.limits)


def parse_setting(text: str) -> Setting:
    """Return a change as typed: "bench-1/mat.upper=10Mohm", "*/strap.closed.on_delay_s=0.2".

    Raises:
        ConfigurationError: it is none.
    """
    match = _SETTING.fullmatch(text)
    if match is None:
        raise ConfigurationError(f"--set: got {text!r}, wanted {_WANTED}")
    field = match[3] or "bound"
    if field not in FIELDS:
        raise ConfigurationError(f"--set {text}: got {field!r}, wanted one of {', '.join(FIELDS)}")
    return Setting(match[1], match[2], field, match[4])


def amended(plan: Plan, change: Callable[[Channel], Iterable[Limit]]) -> Plan:
    """Return the plan with the limits that ``change`` gives for each channel."""
    channels = tuple(replace(channel, limits=tuple(change(channel))) for channel in plan.channels)
    return replace(plan, channels=channels)


def with_settings(plan: Plan, settings: Sequence[Setting]) -> Plan:
    """Return the plan with every setting applied, in order.

    Raises:
        ConfigurationError: a setting names no limit of the plan, or what it asks for can't be.
    """
    for setting in settings:
        named = [
            limit for channel in plan.channels for limit in channel.limits if setting.names(channel, limit)
        ]
        if not named:
            raise ConfigurationError(
                f"no such limit: got {setting.channels}.{setting.limits}, wanted one of {_known(plan)}"
            )
        plan = amended(plan, _applying(setting))
    return plan


def _applying(setting: Setting) -> Callable[[Channel], Iterable[Limit]]:
    def change(channel: Channel) -> Iterable[Limit]:
        for limit in channel.limits:
            yield _changed(channel, limit, setting) if setting.names(channel, limit) else limit

    return change


def _changed(channel: Channel, limit: Limit, setting: Setting) -> Limit:
    if setting.field == "bound":
        return _with_bound(channel, limit, _figure(setting, channel.unit))
    if setting.field == "deadband":
        return replace(limit, deadband=_not_negative(setting, _figure(setting, channel.unit, step=True)))
    delay_ns = round(_not_negative(setting, _figure(setting, "s", bare=True)) * SECOND_NS)
    if setting.field == "off_delay_s":
        return replace(limit, off_delay_ns=delay_ns)
    if limit.protects and delay_ns > LONGEST_ON_DELAY_NS:
        raise ConfigurationError(
            f"{_said(setting)}: got {delay_ns / SECOND_NS:g} s, wanted at most "
            f"{LONGEST_ON_DELAY_NS / SECOND_NS:g} s: {channel.name} watches a way to earth"
        )
    return replace(limit, on_delay_ns=delay_ns)


def _with_bound(channel: Channel, limit: Limit, bound: float) -> Limit:
    """Return the limit with another bound; its deadband shrinks along, for else it might never clear."""
    share = min(abs(bound / limit.bound), 1.0) if limit.bound else 1.0
    return resolved(channel, replace(limit, bound=bound, deadband=limit.deadband * share))


def resolved(channel: Channel, limit: Limit) -> Limit:
    """Return the limit judged by readings where the channel's divider resolves its bound, else by entered values."""
    if not isinstance(channel.conversion, Divider) or limit.requirement not in _UPPER:
        return limit
    return replace(limit, entered=limit.bound > channel.conversion.resolves()[1])


def _figure(setting: Setting, si: str, *, step: bool = False, bare: bool = False) -> float:
    match = _FIGURE.fullmatch(setting.text)
    unit = UNITS.get((match[2] or (si if bare or si == "1" else "")).replace("Ω", "ohm")) if match else None
    if match is None or unit is None or unit.si != si:
        words = ", ".join(word for word, known in UNITS.items() if known.si == si)
        raise ConfigurationError(
            f"{_said(setting)}: got {setting.text!r}, wanted a number with its unit ({words})"
        )
    number = float(match[1].replace(",", "."))
    return unit.step(number) if step else unit.point(number)


def _not_negative(setting: Setting, number: float) -> float:
    if number < 0:
        raise ConfigurationError(f"{_said(setting)}: got {setting.text}, wanted 0 or more")
    return number


def _said(setting: Setting) -> str:
    return f"{setting.channels}.{setting.limits}.{setting.field}"


def _known(plan: Plan) -> str:
    return ", ".join(f"{channel.name}.{limit.name}" for channel in plan.channels for limit in channel.limits)


def limits_by_alarm(plan: Plan) -> Mapping[str, Limit]:
    """Return every limit of a plan by the id of its alarm."""
    return {f"{channel.name}:{limit.name}": limit for channel in plan.channels for limit in channel.limits}
