"""The limit profiles of a site put together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.limits import ProfileLimit
from quietbench.daemon.settings.profiles import Profile

__all__ = ["Clash", "Rules", "clashes", "put_together"]

_Key = tuple[str, str, int | None]


@dataclass(frozen=True, slots=True)
class Rules:
    """All limits that apply at a site, in the order of their profiles."""

    profiles: tuple[str, ...]
    limits: tuple[ProfileLimit, ...]

    @property
    def name(self) -> str:
        """Get the names of the profiles as one text."""
        return ", ".join(self.profiles)

    def of(self, channel: ChannelTable) -> tuple[ProfileLimit, ...]:
        """Return the limits for one channel, the optional ones included."""
        return tuple(
            limit
            for limit in self.limits
            if limit.quantity == channel.quantity and limit.conductors in (None, channel.conductors)
        )


class Clash(NamedTuple):
    """Two profiles that give one limit of a quantity differently."""

    first: str
    second: str
    limit: ProfileLimit


def put_together(profiles: Iterable[Profile]) -> Rules:
    """Return the limits of all profiles, each once; of limits with the same name the first is taken."""
    profiles = tuple(profiles)
    limits: dict[_Key, ProfileLimit] = {}
    for profile in profiles:
        for limit in profile.limits:
            limits.setdefault(_key(limit), limit)
    return Rules(tuple(profile.name for profile in profiles), tuple(limits.values()))


def clashes(profiles: Iterable[Profile]) -> Iterator[Clash]:
    """Yield the limits that two profiles of one site give differently."""
    given: dict[_Key, tuple[str, ProfileLimit]] = {}
    for profile in profiles:
        for limit in profile.limits:
            first, same = given.setdefault(_key(limit), (profile.name, limit))
            if same != limit:
                yield Clash(first, profile.name, limit)


def _key(limit: ProfileLimit) -> _Key:
    return limit.quantity, limit.name, limit.conductors
