"""What every conversion offers."""

from __future__ import annotations

import enum
from typing import ClassVar, NamedTuple, Protocol

from quietbench.drivers.samples import Reason


class Sense(enum.Enum):
    """How a value is to be read; a number beyond what the circuit resolves is only a bound."""

    EQUAL = "="
    MORE_THAN = ">"
    LESS_THAN = "<"


class Value(NamedTuple):
    """A converted raw value.

    ``value`` and standard uncertainty ``u`` (JCGM 100) in the channel's SI unit. With ``sense`` other than
    EQUAL, ``value`` is a bound and ``u`` is 0. ``reason`` is set where the raw value itself can't be right; then
    quality is bad and ``value`` is only a hint.
    """

    value: float
    u: float
    sense: Sense = Sense.EQUAL
    reason: Reason | None = None


class Conversion(Protocol):
    """A frozen dataclass of plain numbers; `convert` is pure and total over finite raw values."""

    kind: ClassVar[str]

    def convert(self, raw: float) -> Value:
        """Convert one raw value to the channel's SI unit with its standard uncertainty."""

    def resolves(self) -> tuple[float, float]:
        """Return the smallest and largest value that the circuit can tell from "less" and "more"."""
