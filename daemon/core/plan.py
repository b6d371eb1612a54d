"""What the core is told to watch: an immutable plan, compiled from the configuration before the first sample.

Everything here is data; `quietbench.daemon.core.codec` turns a plan into canonical JSON and back, so that the
store holds what was in force when a record was made.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from quietbench.daemon.core.convert import Conversion


class Priority(enum.IntEnum):
    """How soon a person must act (IEC 62682 priorities); a higher number goes first."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3


class Requirement(enum.Enum):
    """The relation a value must satisfy towards the bound; a strict one fails at equality."""

    BELOW = "<"
    AT_MOST = "<="
    ABOVE = ">"
    AT_LEAST = ">="


@dataclass(frozen=True, slots=True)
class Source:
    """Where a limit comes from. ``trust`` is said in words beside every number shown to people."""

    document: str
    edition: str
    clause: str
    trust: str
    test_method: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """One bound on one channel.

    ``bound`` and ``deadband`` are in the channel's unit; after a violation the value must be better than the
    bound by the deadband before the condition clears. Delays (ns) act on annunciation alone, never on the
    bench state. ``protects``: a violation opens the paths the channel measures. ``entered``: judged against
    values entered by hand (a periodic check), not against the channel's own readings.
    """

    name: str
    requirement: Requirement
    bound: float
    source: Source
    priority: Priority
    deadband: float = 0.0
    on_delay_ns: int = 0
    off_delay_ns: int = 0
    protects: bool = False
    entered: bool = False


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity at one place.

    ``name`` is "place/word" ("bench-1/strap"); ``measures`` holds the full names of the stretches that the
    measuring current crosses ("bench-1/cord"). ``gated``: limits count only while somebody is at the bench.
    ``fault_after`` bad polls in a row, or ``silent_after_ns`` without any sample, raise the fault alarm.
    Thinning keeps a reading when its raw value moved by more than ``thin_raw`` or ``heartbeat_ns`` has passed.
    """

    name: str
    quantity: str
    unit: str
    conversion: Conversion
    limits: tuple[Limit, ...] = ()
    measures: frozenset[str] = frozenset()
    fault_priority: Priority = Priority.MEDIUM
    gated: bool = False
    fault_after: int = 2
    silent_after_ns: int = 3_000_000_000
    heartbeat_ns: int = 60_000_000_000
    thin_raw: float = 0.0


@dataclass(frozen=True, slots=True)
class Bench:
    """One workstation.

    ``stretches`` maps each stretch (named by its end away from earth) to the one it hangs on, "earth" last.
    ``required`` are the ends (skin, mat, …) whose whole way to earth must be watched and good while the bench
    is in use. ``presence`` and ``strap`` name channels; without a presence channel somebody is always there.
    """

    name: str
    title: str
    stretches: dict[str, str]
    required: tuple[str, ...]
    presence: tuple[str, ...] = ()
    presence_hold_ns: int = 10_000_000_000


@dataclass(frozen=True, slots=True)
class Plan:
    """All that one watcher watches. Channel names are unique; benches refer to channels by ``measures``."""

    site: str
    watcher: str
    benches: tuple[Bench, ...]
    channels: tuple[Channel, ...]
    profile: str
