"""What samples that thinning dropped may have done to a limit that was not in force when they were dropped.

Between two kept readings every dropped sample had a raw value within the channel's ``thin_raw`` of the last kept one
and the same reason. So the zones that they can have been in are known, not which of them or when. For one limit
this gives three bounds of the number of alarms: what is sure to have happened; what kept readings show plus one for
each gap that could hide a beginning; and the most that any course through the possible zones could count.
"""

from __future__ import annotations

import math

from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Channel, Limit
from quietbench.daemon.core.quantities import QUANTITIES

__all__ = ["Doubt", "may_differ"]

_NONE: frozenset[Zone] = frozenset()
_IMPOSSIBLE = -(1 << 60)


def may_differ(channel: Channel, limit: Limit, recorded: Limit | None) -> bool:
    """Say whether dropped samples can matter: readings are judged, and not as they were when some were dropped."""
    if limit.entered or QUANTITIES[channel.quantity].contact:
        return False  # every change of a contact is kept
    return recorded is None or recorded.entered or _judges(limit) != _judges(recorded)


def _judges(limit: Limit) -> tuple[object, float, float]:
    return limit.requirement, limit.bound, limit.deadband


class _Zones:
    """Which zones samples dropped after a kept raw value can have been in."""

    def __init__(self, channel: Channel, limit: Limit, recorded: Limit | None) -> None:
        self._channel, self._limit = channel, limit
        # With the same bound (another deadband only) it is known whether dropped samples violated.
        same = recorded is not None and not recorded.entered and recorded.requirement is limit.requirement
        self._same_bound = same and recorded is not None and recorded.bound == limit.bound
        self._known: dict[float, frozenset[Zone]] = {}

    def around(self, raw: float, own: Zone) -> frozenset[Zone]:
        """Return the zones; ``own`` is the kept reading's."""
        if self._same_bound and own is Zone.VIOLATING:
            return frozenset({own})
        found = self._known.get(raw)
        if found is None:
            found = self._known[raw] = self._between(raw, own)
        return found

    def _between(self, raw: float, own: Zone) -> frozenset[Zone]:
        thin = self._channel.thin_raw
        ends = (raw - thin, raw + thin)
        if isinstance(raw, int):
            ends = (math.ceil(ends[0]), math.floor(ends[1]))
        values = (self._channel.conversion.convert(end) for end in ends)
        zones = [own, *(zone(self._limit, value.value, value.sense) for value in values)]
        reached = frozenset(Zone(step) for step in range(min(zones), max(zones) + 1))
        return reached - {Zone.VIOLATING} if self._same_bound else reached


class Doubt:
    """Follows one limit through kept readings. Times are ns; ``holds`` is None while it can't be told."""

    def __init__(self, channel: Channel, limit: Limit, recorded: Limit | None, *, active: bool) -> None:
        self._zones = _Zones(channel, limit, recorded)
        self._limit = limit
        self._gated = channel.gated
        self._cycle_ns = limit.on_delay_ns + limit.off_delay_ns
        self.holds: bool | None = active
        self._reachable = _NONE
        self._since_ns: int | None = None
        self._sure = _Sure(limit, active=active)
        # The most beginnings on any course that ends with the condition gone, or standing.
        self._gone, self._standing = (_IMPOSSIBLE, 0) if active else (0, _IMPOSSIBLE)
        self._gaps = 0
        self._extra = 0
        self._endless = False

    def take(self, at_ns: int, raw: float | None, value: float | None, sense: Sense) -> None:
        """Follow a kept reading; without a value (or a bad one: None) it judges nothing until the next."""
        self.split(at_ns)
        if raw is None or value is None:
            self._reachable = _NONE
            return
        own = zone(self._limit, value, sense)
        if own is not Zone.DEADBAND:
            self._become(own is Zone.VIOLATING)
        self._sure.become(at_ns, self.holds)
        self._reachable = self._zones.around(raw, own)
        if self._rises() or self._falls():
            self.holds = None
            self._sure.become(at_ns, None)

    def split(self, at_ns: int) -> None:
        """Close the gap since the last reading, or since somebody came or went."""
        since_ns, self._since_ns = self._since_ns, at_ns
        if since_ns is None or at_ns <= since_ns:
            return
        both = self._reachable >= {Zone.VIOLATING, Zone.CLEAR}
        rises = Zone.VIOLATING in self._reachable and (both or self._gone > _IMPOSSIBLE)
        falls = Zone.CLEAR in self._reachable and (both or self._standing > _IMPOSSIBLE)
        if not rises and not falls:
            return
        cycles = self._cycles(at_ns - since_ns) if rises and falls else 0
        self._gaps += 1
        self._extra += 1 + cycles
        gone, standing = self._gone, self._standing
        if rises:
            self._standing = max(standing + cycles, gone + 1 + cycles)
        if falls:
            self._gone = max(gone, standing) + cycles

    def count_from_here(self) -> None:
        """Forget what was counted so far, not what stands."""
        self._gone = min(self._gone, 0)
        self._standing = min(self._standing, 0)
        self._gaps = self._extra = self._sure.count = 0
        self._endless = False

    def bounds(self, shown: int, at_ns: int) -> tuple[int, int | None]:
        """Return the fewest and the most alarms, with ``shown`` of them in kept readings; None: no upper bound."""
        self.split(at_ns)
        self._sure.become(at_ns, None)
        sure = 0 if self._gated else self._sure.count
        fewest = min(shown, max(sure, 0 if self._endless else shown - self._gaps))
        if self._endless:
            return fewest, None
        most = shown + self._extra
        if not self._gated:  # who is there is not followed here, and each arrival may begin an alarm anew
            most = min(most, max(self._gone, self._standing))
        return fewest, max(shown, most)

    def _become(self, holds: bool) -> None:
        self.holds = holds
        if holds:
            self._standing, self._gone = max(self._standing, self._gone + 1), _IMPOSSIBLE
        else:
            self._gone, self._standing = max(self._standing, self._gone), _IMPOSSIBLE

    def _rises(self) -> bool:
        return Zone.VIOLATING in self._reachable and self.holds is not True

    def _falls(self) -> bool:
        return Zone.CLEAR in self._reachable and self.holds is not False

    def _cycles(self, lasted_ns: int) -> int:
        """Return how often an alarm can have come unseen where both zones could be reached, one begun included.

        Each coming and going takes both delays; without any there is no bound.
        """
        if self._cycle_ns == 0:
            self._endless = True
            return 1
        return lasted_ns // self._cycle_ns + 1


class _Sure:
    """Counts the alarms that must have come, whatever the dropped samples were."""

    def __init__(self, limit: Limit, *, active: bool) -> None:
        self._on_ns, self._off_ns = limit.on_delay_ns, limit.off_delay_ns
        self._quiet = not active
        self._value: bool | None = None
        self._since_ns = 0
        self.count = 0

    def become(self, at_ns: int, value: bool | None) -> None:
        """Say what is certain from a time on; None: nothing."""
        if value is self._value:
            return
        lasted_ns = at_ns - self._since_ns
        if self._value is True and self._quiet and lasted_ns >= self._on_ns:
            self.count += 1
            self._quiet = False
        elif self._value is False and not self._quiet and lasted_ns >= self._off_ns:
            self._quiet = True
        self._value, self._since_ns = value, at_ns
