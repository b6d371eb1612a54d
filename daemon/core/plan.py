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
    values entered by hand (a periodic check), not against the channel's own readings. ``latching``: the alarm
    stays until it is reset, also when the value is well again. ``resound_ns``: an acknowledged alarm whose
    condition still stands after so long sounds again; 0 never. ``danger``: it speaks of danger to people and
    leads every other sentence on all benches of that earth.
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
    latching: bool = False
    resound_ns: int = 0
    danger: bool = False


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity at one place.

    ``name`` is "place/word" ("bench-1/strap"); ``measures`` holds the full names of the stretches that the
    measuring current crosses ("bench-1/cord"). ``gated``: limits count only while somebody is at the bench.
    ``fault_after`` bad polls in a row, or ``silent_after_ns`` without any sample, raise the fault alarm; 0 is for
    a channel that no device feeds, whose values are only entered by hand.
    Thinning keeps a reading when its raw value moved by more than ``thin_raw`` or ``heartbeat_ns`` has passed.
    ``fault_resound_ns`` is the re-sound time of its fault alarm. ``stuck_after_ns`` without any movement of the raw
    value is a fault, 0 never: a quiet good contact or mat does not move either, so only what must move has it.
    ``calibration_due`` is the last day (ISO 8601) on which its calibration holds, "" where none was entered.
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
    fault_resound_ns: int = 0
    stuck_after_ns: int = 0
    calibration_due: str = ""


class Posture(enum.Enum):
    """How a person works at a seat: what may ground the skin depends on it."""

    SEATED = "seated"
    STANDING = "standing"


@dataclass(frozen=True, slots=True)
class Seat:
    """One place for one person at a bench; ``name`` is "bench/word".

    ``end`` is the stretch at which the person hangs (skin). ``presence`` names channels; without any, somebody
    always counts as there. ``footwear`` names the channel whose entered test of today may stand in for the
    strap of a standing person, for ``footwear_valid_ns`` after it was entered; "" for none. A ``visitor`` seat
    is watched like any other and left out of readiness.
    """

    name: str
    end: str
    presence: tuple[str, ...] = ()
    posture: Posture = Posture.SEATED
    footwear: str = ""
    footwear_valid_ns: int = 43_200_000_000_000
    visitor: bool = False


@dataclass(frozen=True, slots=True)
class Tool:
    """A soldering iron or the like: the way from ``end`` to earth is required while channel ``hot`` is closed."""

    name: str
    end: str
    hot: str


@dataclass(frozen=True, slots=True)
class Bench:
    """One workstation.

    ``stretches`` maps each stretch (named by its end away from earth) to the one it hangs on, "earth" last.
    ``required`` are the ends (skin, mat, …) whose whole way to earth must be watched and good when the situation
    asks for it. Ends of ``seats`` and ``tools`` are asked for by them; the others (worksurfaces) while a board
    is out. ``board`` names channels that say so; without any, a board counts as out whenever the bench is in
    use. Without ``seats`` the bench has one, with ``presence``, for every end that a strap channel measures.

    ``silence``, ``ready`` and ``live`` name button channels; live work declared by a button lasts ``live_ns``.
    ``ready_every_ns``: a passed ready check counts so long; 0 asks for none. ``strap_off_above_v`` is the site's
    own rule for live work, None where it has none: then live work can't be declared.
    """

    name: str
    title: str
    stretches: dict[str, str]
    required: tuple[str, ...]
    presence: tuple[str, ...] = ()
    presence_hold_ns: int = 10_000_000_000
    seats: tuple[Seat, ...] = ()
    tools: tuple[Tool, ...] = ()
    board: tuple[str, ...] = ()
    silence: tuple[str, ...] = ()
    silence_ns: int = 120_000_000_000
    ready: tuple[str, ...] = ()
    ready_every_ns: int = 0
    live: tuple[str, ...] = ()
    live_ns: int = 1_800_000_000_000
    strap_off_above_v: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """All that one watcher watches. Channel names are unique; benches refer to channels by ``measures``."""

    site: str
    watcher: str
    benches: tuple[Bench, ...]
    channels: tuple[Channel, ...]
    profile: str
