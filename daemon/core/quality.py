"""What a reason does to the trust in a reading."""

from __future__ import annotations

from quietbench.daemon.core.records import Quality
from quietbench.drivers.samples import Reason

_UNCERTAIN = frozenset({Reason.OVERDUE_CALIBRATION, Reason.WARMING_UP, Reason.SELF_TEST})


def quality_of(reason: Reason | None) -> Quality:
    """Return the quality that goes with a reason; without one a reading is good.

    A late answer is bad: on a bus without transaction numbers it may belong to the question before.
    """
    if reason is None:
        return Quality.GOOD
    return Quality.UNCERTAIN if reason in _UNCERTAIN else Quality.BAD
