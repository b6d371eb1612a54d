"""How a value stands towards a bound: strict bounds are strict, and a bare bound never clears a limit."""

from __future__ import annotations

import enum

from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.plan import Limit, Requirement


class Zone(enum.IntEnum):
    """Where a value lies: the condition follows CLEAR and VIOLATING and keeps its state in the DEADBAND."""

    CLEAR = 0
    DEADBAND = 1
    VIOLATING = 2


def zone(limit: Limit, value: float, sense: Sense = Sense.EQUAL) -> Zone:
    """Return where ``value`` (channel's unit) stands.

    A value known only as "more than" can't show that it is below a bound, nor "less than" that it is above
    one: both count as violating, since not knowing is not safe.
    """
    requirement = limit.requirement
    bound = limit.bound
    if requirement is Requirement.BELOW or requirement is Requirement.AT_MOST:
        if sense is Sense.MORE_THAN:
            return Zone.VIOLATING
        if value > bound or (value == bound and requirement is Requirement.BELOW):
            return Zone.VIOLATING
        return Zone.CLEAR if value <= bound - limit.deadband else Zone.DEADBAND
    if sense is Sense.LESS_THAN:
        return Zone.VIOLATING
    if value < bound or (value == bound and requirement is Requirement.ABOVE):
        return Zone.VIOLATING
    return Zone.CLEAR if value >= bound + limit.deadband else Zone.DEADBAND
