"""What the core gives out. Everything is immutable; times are monotonic nanoseconds of the watcher's boot.

Inputs that decided something are records too (kept readings, due timers, commands), so that a recorded run
can be replayed to the byte.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import NamedTuple

from quietbench.daemon.core.convert import Sense
from quietbench.drivers.samples import Reason


class Quality(enum.Enum):
    """How far a reading can be trusted."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Reading(NamedTuple):
    """A sample converted and judged; a tuple for speed.

    ``channel`` is the index in the plan. ``given`` is the reason the driver gave, ``reason`` the one after
    judgement. ``value``, ``u`` are SI, ``None`` when there is no value. ``keep`` says whether the core wants it
    stored; ``count`` is the record's number within its run (0 when not kept).
    """

    channel: int
    monotonic_ns: int
    raw: int | float | None
    given: Reason | None
    value: float | None
    u: float | None
    sense: Sense
    quality: Quality
    reason: Reason | None
    keep: bool
    count: int  # type: ignore[assignment]  # hides a tuple method that nobody calls on a reading


class AlarmState(enum.Enum):
    """Alarm states of IEC 62682 / ISA-18.2 in words."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class BenchState(enum.Enum):
    """What a bench is: the state of its paths, not of persons."""

    HELD = "held"
    OPEN = "open"
    UNKNOWN = "unknown"
    EMPTY = "empty"


class EventKind(enum.Enum):
    """What an event is; the store and the topics use the word."""

    ALARM = "alarm"
    BENCH = "bench"
    DUE = "due"
    COMMAND = "command"
    CLOCK = "clock"
    RUN = "run"


class Event(NamedTuple):
    """Anything but a reading that is kept; a tuple for speed.

    ``subject`` is what it is about: an alarm ("bench-1/strap:open"), a bench, a channel, the watcher. ``body``
    holds JSON values only (no NaN); written with sorted keys it is the same to the byte on replay. Bodies by
    kind are published as schemas in ``config/schemas``.
    """

    count: int  # type: ignore[assignment]  # hides a tuple method that nobody calls on an event
    monotonic_ns: int
    kind: EventKind
    subject: str
    body: dict[str, object]


class Rhythm(enum.Enum):
    """What the buzzer says; never the evacuation rhythm of ISO 8201 (three half-second pulses, a pause)."""

    SILENT = "silent"
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Lamp(enum.Enum):
    """What the lamp says, with the meanings of IEC 60073: state of the paths, not of persons."""

    GREEN = "green"  # all watched paths held
    RED = "red"  # a path is open
    YELLOW = "yellow"  # can't be told, or something warns
    WHITE = "white"  # nobody here; no meaning assigned


@dataclass(frozen=True, slots=True)
class Sentence:
    """What a face says, as a key of the message catalogue and its arguments; rendered outside the core."""

    key: str
    args: tuple[tuple[str, str], ...] = ()


class Annunciation(NamedTuple):
    """What one bench must show and sound from now on; given at once, before anything is stored. A tuple for speed.

    ``relay`` True lets the fail-safe relay be pulsed. ``leading`` is the alarm that speaks, if any; ``grouped`` are
    those that follow from the same cause, and ``cause`` the stretches that would explain them all. ``live`` says
    that straps are off by declaration, ``ready`` what is known of the check before work ("", "passed", "missing",
    "failed"), ``silenced`` that somebody has quieted the buzzer for a while.
    """

    bench: str
    monotonic_ns: int
    state: BenchState
    rhythm: Rhythm
    lamp: Lamp
    flashing: bool
    relay: bool
    leading: str | None
    sentence: Sentence
    cause: tuple[str, ...] = ()
    grouped: tuple[str, ...] = ()
    live: bool = False
    ready: str = ""
    silenced: bool = False


Record = Reading | Event
Output = Reading | Event | Annunciation
