"""The transition table, every state with every input."""

from __future__ import annotations

import itertools

import pytest

from quietbench.daemon.core.alarm import ACTIVE, TRANSITIONS, AlarmInput, step
from quietbench.daemon.core.records import AlarmState

N, U, A, R = (
    AlarmState.NORMAL,
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
)
OCCUR, RETURN, ACK = AlarmInput.OCCUR, AlarmInput.RETURN, AlarmInput.ACKNOWLEDGE

# Names and transitions A-D of IEC 62682 / ISA-18.2, from memory.
EXPECTED = {
    (N, OCCUR): U,
    (U, ACK): A,
    (U, RETURN): R,
    (A, RETURN): N,
    (R, OCCUR): U,
    (R, ACK): N,
}


@pytest.mark.parametrize(("state", "happening"), list(itertools.product(AlarmState, AlarmInput)))
def test_every_state_with_every_input(state: AlarmState, happening: AlarmInput) -> None:
    """What the table does not name does not happen."""
    assert step(state, happening) is EXPECTED.get((state, happening))


def test_no_sequence_leaves_a_standing_condition_without_an_active_alarm() -> None:
    """Whatever the order, after OCCUR without RETURN the alarm is active, after RETURN it is not."""
    for happenings in itertools.product(AlarmInput, repeat=6):
        state, standing = N, False
        for happening in happenings:
            if (happening is OCCUR and standing) or (happening is RETURN and not standing):
                continue
            standing = {OCCUR: True, RETURN: False}.get(happening, standing)
            state = step(state, happening) or state
            assert (state in ACTIVE) is standing


def test_the_table_names_every_state() -> None:
    """A state that leads nowhere would be a trap."""
    assert set(TRANSITIONS) == set(AlarmState)
