"""The life of one alarm as a transition table (states of IEC 62682 / ISA-18.2).

The table is the whole rule: code, documentation and tests read it. What it does not name does not happen. A hidden
alarm (shelved, suppressed, out of service) goes on inside: its condition is followed, and when it comes back it is
unacknowledged if the condition stands by then, and normal if not.
"""

from __future__ import annotations

import enum

from quietbench.daemon.core.records import AlarmState


class AlarmInput(enum.Enum):
    """What can happen to an alarm."""

    OCCUR = "condition"
    RETURN = "return"
    LATCH = "return, latched"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    RESOUND = "sounds again"
    SHELVE = "shelve"
    SUPPRESS = "suppress by design"
    REMOVE = "take out of service"
    BACK_STANDING = "back, condition stands"
    BACK_CLEAR = "back, all well"


_N, _U, _A, _R = (
    AlarmState.NORMAL,
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
)
_LU, _LA = AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED
_S, _H, _O = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE

_HIDE = {AlarmInput.SHELVE: _S, AlarmInput.SUPPRESS: _H, AlarmInput.REMOVE: _O}
_BACK = {AlarmInput.BACK_STANDING: _U, AlarmInput.BACK_CLEAR: _N}

TRANSITIONS: dict[AlarmState, dict[AlarmInput, AlarmState]] = {
    _N: {AlarmInput.OCCUR: _U, **_HIDE},
    _U: {AlarmInput.ACKNOWLEDGE: _A, AlarmInput.RETURN: _R, AlarmInput.LATCH: _LU, **_HIDE},
    _A: {AlarmInput.RETURN: _N, AlarmInput.LATCH: _LA, AlarmInput.RESOUND: _U, **_HIDE},
    _R: {AlarmInput.OCCUR: _U, AlarmInput.ACKNOWLEDGE: _N, **_HIDE},
    _LU: {AlarmInput.OCCUR: _U, AlarmInput.ACKNOWLEDGE: _LA, **_HIDE},
    _LA: {AlarmInput.OCCUR: _U, AlarmInput.RESET: _N, **_HIDE},
    # Design and maintenance outrank a shelf; a shelf outranks neither.
    _S: {AlarmInput.SUPPRESS: _H, AlarmInput.REMOVE: _O, **_BACK},
    _H: {AlarmInput.REMOVE: _O, **_BACK},
    _O: {**_BACK},
}

HIDDEN = frozenset({_S, _H, _O})
"""States in which an alarm neither sounds nor speaks."""

LATCHED = frozenset({_LU, _LA})
"""States in which an alarm stays although its condition is over."""

WAITING = frozenset({_U, _R, _LU})
"""States that wait for an acknowledgement."""


def step(state: AlarmState, happening: AlarmInput) -> AlarmState | None:
    """Return the state that follows, or None where the table has no such transition."""
    return TRANSITIONS[state].get(happening)


def diagram() -> str:
    """Return the table as a state diagram (Mermaid text), for the documentation."""
    lines = ["stateDiagram-v2"]
    names = {state: state.value.title().replace(" ", "") for state in TRANSITIONS}
    lines += [f'    state "{state.value}" as {names[state]}' for state in TRANSITIONS]
    lines += [f"    [*] --> {names[AlarmState.NORMAL]}"]
    for state, row in TRANSITIONS.items():
        for happening, after in row.items():
            lines.append(f"    {names[state]} --> {names[after]}: {happening.value}")
    return "\n".join(lines)
