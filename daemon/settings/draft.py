"""The limits of one channel in the making."""

from __future__ import annotations

from quietbench.daemon.core.convert import Conversion
from quietbench.daemon.core.plan import Limit
from quietbench.daemon.core.quantities import QUANTITIES, Quantity
from quietbench.daemon.settings.channels import BY_HAND, ChannelTable
from quietbench.daemon.settings.limits import ProfileLimit
from quietbench.daemon.settings.rules import Rules

__all__ = ["Draft"]


class Draft:
    """Limits in the making."""

    def __init__(self, channel: ChannelTable, conversion: Conversion, rules: Rules) -> None:
        self.channel = channel
        self.conversion = conversion
        self.quantity: Quantity = QUANTITIES[channel.quantity]
        self.profile = {limit.name: limit for limit in rules.of(channel)}
        self.limits: dict[str, Limit] = {}
        self.unresolved: list[tuple[Limit, float]] = []

    def is_shock(self, name: str) -> bool:
        """Say whether a limit is one of the profile's that protect persons from shock."""
        return name in self.profile and self.profile[name].shock

    def wanted_by_channel(self, limit: ProfileLimit) -> bool:
        """Say whether a limit of the profile applies: always, or where it is optional, if the channel asks."""
        table = self.channel.limits.get(limit.name)
        return not limit.optional or (table is not None and table.use is True)

    @property
    def by_hand(self) -> bool:
        """Say whether nothing is read on this channel, so that every value is entered."""
        return self.channel.source is None and self.quantity.name in BY_HAND

    @property
    def on_the_tree(self) -> bool:
        """Say whether the channel measures stretches of the way to earth: footwear and floor are none of them."""
        return self.quantity.path and self.quantity.name not in BY_HAND
