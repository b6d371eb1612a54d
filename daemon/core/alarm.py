"""The life of one alarm as a transition table (states of IEC 62682 / ISA-18.2).

The table is the whole rule: code, documentation and tests read it. What it does not name does not happen.
"""

from __future__ import annotations

import enum

from quietbench.daemon.core.records import AlarmState


class AlarmInput(enum.Enum):
    """What can happen to an alarm."""

    OCCUR = "condition"
    RETURN = "return"
    ACKNOWLEDGE = "acknowledge"


TRANSITIONS: dict[AlarmState, dict[AlarmInput, AlarmState]] = {
    AlarmState.NORMAL: {AlarmInput.OCCUR: AlarmState.UNACKNOWLEDGED},
    AlarmState.UNACKNOWLEDGED: {
        AlarmInput.ACKNOWLEDGE: AlarmState.ACKNOWLEDGED,
        AlarmInput.RETURN: AlarmState.RETURNED,
    },
    AlarmState.ACKNOWLEDGED: {AlarmInput.RETURN: AlarmState.NORMAL},
    AlarmState.RETURNED: {
        AlarmInput.OCCUR: AlarmState.UNACKNOWLEDGED,
        AlarmInput.ACKNOWLEDGE: AlarmState.NORMAL,
    },
}

ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
"""States in which the condition stands."""


def step(state: AlarmState, happening: AlarmInput) -> AlarmState | None:
    """Return the state that follows, or None where the table has no such transition."""
    return TRANSITIONS[state].get(happening)
