"""Another limit profile for a plan that was in force.

A stored plan holds limits, not where each came from. A limit counts as the old profile's when that profile has one of
the same quantity and name with the same source; what a site changed on it (delays, priority) is carried over. The
site's own limits, those of contacts and the one on change against commissioning stay.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from quietbench.daemon.core.plan import Channel, Limit, Plan
from quietbench.daemon.settings.limit_making import from_profile
from quietbench.daemon.settings.limits import ProfileLimit
from quietbench.daemon.settings.profiles import Profile, built_in_names, load_profile
from quietbench.daemon.upkeep.amending import amended, resolved

__all__ = ["with_profile"]

_CARRIED = ("priority", "on_delay_ns", "off_delay_ns", "latching", "resound_ns")


def with_profile(plan: Plan, reference: str) -> Plan:
    """Return the plan under another profile, a built-in name or the path of a file.

    Raises:
        ConfigurationError: there is no such profile, or its file is wrong.
    """
    new = load_profile(reference, Path.cwd())
    old = [load_profile(name) for name in plan.profile.split(", ") if name in built_in_names()]
    return replace(amended(plan, lambda channel: _limits(channel, old, new)), profile=new.name)


def _limits(channel: Channel, old: Iterable[Profile], new: Profile) -> Iterator[Limit]:
    offered = {limit.name: limit for limit in _of(new, channel)}
    for limit in channel.limits:
        from_old = _origin(limit, channel, old)
        if from_old is None or from_old.shock:
            offered.pop(limit.name, None)
            yield limit
        elif limit.name in offered:
            yield _successor(channel, limit, from_old, offered.pop(limit.name))
    for added in offered.values():
        if not added.optional and not added.shock:
            yield resolved(channel, from_profile(added))


def _of(profile: Profile, channel: Channel) -> Iterator[ProfileLimit]:
    return (limit for limit in profile.limits if limit.quantity == channel.quantity)


def _origin(limit: Limit, channel: Channel, old: Iterable[Profile]) -> ProfileLimit | None:
    for profile in old:
        for offered in _of(profile, channel):
            if offered.name == limit.name and from_profile(offered).source == limit.source:
                return offered
    return None


def _successor(channel: Channel, limit: Limit, old: ProfileLimit, new: ProfileLimit) -> Limit:
    before, after = from_profile(old), from_profile(new)
    own = {
        name: getattr(limit, name)
        for name in _CARRIED
        if hasattr(limit, name) and getattr(limit, name) != getattr(before, name)
    }
    return resolved(channel, replace(after, **own))
