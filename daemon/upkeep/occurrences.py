"""From alarm events to occurrences: when an alarm began to sound, when its condition went, when somebody answered.

States and causes are read by their words. What this version does not know is counted apart and never guessed at.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

__all__ = ["AlarmChange", "Occurrence", "Occurrences", "change_of", "occurrences_of", "place_of"]

NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED = "normal", "unacknowledged", "acknowledged"
RETURNED = "returned unacknowledged"
SHELVED, SUPPRESSED, OUT_OF_SERVICE = "shelved", "suppressed by design", "out of service"

ACTIVE = frozenset({UNACKNOWLEDGED, ACKNOWLEDGED})
HIDDEN = frozenset({SHELVED, SUPPRESSED, OUT_OF_SERVICE})
LATCHED = frozenset({"latched unacknowledged", "latched acknowledged"})
KNOWN_STATES = ACTIVE | HIDDEN | LATCHED | {NORMAL, RETURNED}

ANSWERED = "acknowledge"
KNOWN_CAUSES = frozenset({"condition", "return", "return, latched", ANSWERED})


class AlarmChange(NamedTuple):
    """One transition of one alarm at a time (ns) of the continuous time line; states and cause in words.

    ``condition`` says whether the alarm's condition stands after it.
    """

    at_ns: int
    alarm: str
    before: str
    after: str
    cause: str
    priority: str
    condition: bool


@dataclass(slots=True)
class Occurrence:
    """One sounding of an alarm.

    ``ended_ns``: its condition went, or it was hidden (``hidden``: shelved, suppressed, out of service); None while
    it stands. ``answered_ns``: somebody acknowledged it, perhaps after its end.
    """

    alarm: str
    priority: str
    began_ns: int
    ended_ns: int | None = None
    answered_ns: int | None = None
    hidden: bool = False

    @property
    def place(self) -> str:
        """Get the bench or room that the alarm belongs to."""
        return place_of(self.alarm)


@dataclass(slots=True)
class Occurrences:
    """All occurrences in order of their beginning.

    ``other_causes`` counts what else happened to alarms (shelved, sounds again, …), ``unknown_states`` words that
    this version does not know.
    """

    all: list[Occurrence] = field(default_factory=list)
    other_causes: Counter[str] = field(default_factory=Counter)
    unknown_states: Counter[str] = field(default_factory=Counter)


def place_of(alarm: str) -> str:
    """Return the bench or room of an alarm or channel: "bench-1" of "bench-1/strap:closed"."""
    return alarm.partition("/")[0]


def change_of(at_ns: int, subject: str, body: Mapping[str, object]) -> AlarmChange:
    """Return the transition that an alarm event tells of."""
    after = str(body.get("to", ""))
    condition = body.get("condition", after in ACTIVE)
    return AlarmChange(
        at_ns,
        subject,
        str(body.get("from", "")),
        after,
        str(body.get("cause", "")),
        str(body.get("priority", "")),
        bool(condition),
    )


def begins(change: AlarmChange) -> bool:
    """Say whether an alarm begins to sound: it had not been standing, or nobody could hear it (a shelf that ends)."""
    return change.after == UNACKNOWLEDGED and change.before not in ACTIVE


def occurrences_of(changes: Iterable[AlarmChange]) -> Occurrences:
    """Put transitions (in their order, all alarms together) into occurrences."""
    found = Occurrences()
    latest: dict[str, Occurrence] = {}
    for change in changes:
        _count_words(found, change)
        if begins(change):
            occurrence = Occurrence(change.alarm, change.priority, change.at_ns)
            found.all.append(occurrence)
            latest[change.alarm] = occurrence
        elif change.alarm in latest:
            _go_on(latest[change.alarm], change)
    return found


def _go_on(occurrence: Occurrence, change: AlarmChange) -> None:
    if change.cause == ANSWERED and occurrence.answered_ns is None:
        occurrence.answered_ns = change.at_ns
    if occurrence.ended_ns is None and (not change.condition or change.after in HIDDEN):
        occurrence.ended_ns = change.at_ns
        occurrence.hidden = change.after in HIDDEN


def _count_words(found: Occurrences, change: AlarmChange) -> None:
    if change.cause not in KNOWN_CAUSES:
        found.other_causes[change.cause] += 1
    for state in (change.before, change.after):
        if state not in KNOWN_STATES:
            found.unknown_states[state] += 1
