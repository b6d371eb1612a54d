"""The transition table, every state with every input."""

from __future__ import annotations

import itertools

import pytest

from quietbench.daemon.core.alarm import HIDDEN, LATCHED, TRANSITIONS, WAITING, AlarmInput, step
from quietbench.daemon.core.records import AlarmState

S, I = AlarmState, AlarmInput  # noqa: E741  a table reads better with short words

# Names and transitions of IEC 62682 / ISA-18.2, from memory; recurrence of a latched alarm makes it unacknowledged.
EXPECTED = {
    (S.NORMAL, I.OCCUR): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, I.ACKNOWLEDGE): S.ACKNOWLEDGED,
    (S.UNACKNOWLEDGED, I.RETURN): S.RETURNED,
    (S.UNACKNOWLEDGED, I.LATCH): S.LATCHED_UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, I.RETURN): S.NORMAL,
    (S.ACKNOWLEDGED, I.LATCH): S.LATCHED_ACKNOWLEDGED,
    (S.ACKNOWLEDGED, I.RESOUND): S.UNACKNOWLEDGED,
    (S.RETURNED, I.OCCUR): S.UNACKNOWLEDGED,
    (S.RETURNED, I.ACKNOWLEDGE): S.NORMAL,
    (S.LATCHED_UNACKNOWLEDGED, I.OCCUR): S.UNACKNOWLEDGED,
    (S.LATCHED_UNACKNOWLEDGED, I.ACKNOWLEDGE): S.LATCHED_ACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, I.OCCUR): S.UNACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, I.RESET): S.NORMAL,
    (S.SHELVED, I.SUPPRESS): S.SUPPRESSED,
    (S.SHELVED, I.REMOVE): S.OUT_OF_SERVICE,
    (S.SUPPRESSED, I.REMOVE): S.OUT_OF_SERVICE,
}
for _shown in set(S) - HIDDEN:
    EXPECTED[_shown, I.SHELVE] = S.SHELVED
    EXPECTED[_shown, I.SUPPRESS] = S.SUPPRESSED
    EXPECTED[_shown, I.REMOVE] = S.OUT_OF_SERVICE
for _hidden in HIDDEN:
    EXPECTED[_hidden, I.BACK_STANDING] = S.UNACKNOWLEDGED
    EXPECTED[_hidden, I.BACK_CLEAR] = S.NORMAL


@pytest.mark.parametrize(("state", "happening"), list(itertools.product(AlarmState, AlarmInput)))
def test_every_state_with_every_input(state: AlarmState, happening: AlarmInput) -> None:
    """What the table does not name does not happen."""
    assert step(state, happening) is EXPECTED.get((state, happening))


def test_every_state_can_be_left_and_reached() -> None:
    """A state that leads nowhere would be a trap, one that nothing leads to a fiction."""
    assert set(TRANSITIONS) == set(AlarmState)
    assert all(TRANSITIONS.values())
    assert {after for row in TRANSITIONS.values() for after in row.values()} == set(AlarmState)


def test_the_sets_of_states_do_not_overlap_where_they_must_not() -> None:
    """Hidden alarms wait for nobody and are not latched."""
    assert not HIDDEN & WAITING
    assert not HIDDEN & LATCHED
