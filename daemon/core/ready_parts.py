"""What the check before work is made of: what it takes in, what it wants done, and what came out of a step."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

from quietbench.daemon.core.records import Lamp, Rhythm

SECOND_NS = 1_000_000_000

ASK_NS = 60 * SECOND_NS
"""A question to a person at a terminal waits so long."""

PRESS_NS = 15 * SECOND_NS
"""A check begun by the bench's button waits so long for the second press, which says "heard and seen"."""

PRESS_NOT_BEFORE_NS = SECOND_NS
"""A press counts as an answer only so long after the buzzer has begun: contacts bounce, and nobody hears so fast."""

COLOUR_NS = 1_500_000_000
"""In a check begun by the button each colour of the lamp is shown so long, in turn."""

STRAP_NS = 30 * SECOND_NS
"""A strap must be lifted, and then connected again, within so long each."""

READINGS_NS = 30 * SECOND_NS
"""Channels may take so long to show what they must; a slow one twice its own patience."""

SETTLE_NS = SECOND_NS
"""A reading counts only so long after a resistor was switched."""

REFERENCE_NS = 20 * SECOND_NS
"""With a resistor in its wire a channel must agree within so long, and be itself again within so long after."""

CLEAN_NS = 500_000_000
"""For so long after a resistor was released what comes from its channel may still be of the resistor."""


class Result(enum.Enum):
    """What a step, or the whole check, came to; only `FAILED` fails the check."""

    PASSED = "passed"
    FAILED = "failed"
    WARNED = "warned"
    NOTED = "noted"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one step came to: ``why`` in plain words for the record, ``numbers`` as JSON values in SI units."""

    step: str
    result: Result
    why: str = ""
    numbers: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reference:
    """A known resistor that output ``line`` (BCM number) switches into a channel's sense wire in place of its path.

    ``u_ohm`` is its own standard uncertainty. With ``over_limit`` the channel must show a violation while it
    stands there, else it must read the resistor.
    """

    line: int
    channel: str
    ohm: float
    u_ohm: float = 0.0
    over_limit: bool = False


@dataclass(frozen=True, slots=True)
class Outfit:
    """What a bench has to be tested with; ``today`` is the date (UTC, ISO 8601), "" while no clock is known."""

    buzzer: bool
    colours: tuple[Lamp, ...] = ()
    references: tuple[Reference, ...] = ()
    today: str = ""


@dataclass(frozen=True, slots=True)
class News:
    """What has happened since the last turn, beside what the core itself knows.

    ``answer`` to a question, ``pressed`` the bench's button, ``failing`` what is wrong with the bench's outputs or
    a resistor's line, in words.
    """

    answer: bool | None = None
    pressed: bool = False
    failing: str = ""


NOTHING = News()


@dataclass(frozen=True, slots=True)
class Say:
    """Tell whoever does the check, by a key of the check's catalogue; ``ask`` waits for yes or no."""

    step: str
    key: str
    args: tuple[tuple[str, str], ...] = ()
    ask: bool = False


@dataclass(frozen=True, slots=True)
class Signal:
    """Put buzzer and lamp to the test until ``until_ns`` at the latest; None leaves one as it is."""

    rhythm: Rhythm | None
    lamp: Lamp | None
    until_ns: int


@dataclass(frozen=True, slots=True)
class Calm:
    """End the test of buzzer and lamp."""


@dataclass(frozen=True, slots=True)
class Switch:
    """Switch a reference resistor into its wire, or release it."""

    reference: Reference
    on: bool


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Acknowledge, in the name of whoever does the check, an alarm that the check itself has called up."""

    alarm: str


Act = Say | Outcome | Signal | Calm | Switch | Acknowledge
"""What the machine wants done; an `Outcome` is to be told."""
