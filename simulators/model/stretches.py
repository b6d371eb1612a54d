"""Stretches of a bench's way to earth: each is closed or open at any time."""

from __future__ import annotations

import abc
import enum
from collections.abc import Callable

from quietbench.simulators.model.bursts import Bursts, BurstShape
from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.steps import Interval, Steps, clip, union

NOTHING_OHM = 1e13
"""What an open stretch measures: air and dirty insulation."""


class Force(enum.Enum):
    """What a test makes of a stretch: FREE leaves it to the physics."""

    FREE = "free"
    OPEN = "open"
    CLOSED = "closed"


class Stretch(abc.ABC):
    """One stretch; ``force`` stands over its physics from the time it is set."""

    def __init__(self) -> None:
        self.force: Steps[Force] = Steps(Force.FREE)

    @abc.abstractmethod
    def own_openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return when the physics leaves it open, between two times."""

    def openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return when it is open between two times, forced or by itself."""
        found: list[Interval] = []
        for since, until, force in self.force.spans(start_s, end_s):
            if force is Force.OPEN:
                found.append((since, until))
            elif force is Force.FREE:
                found += self.own_openings(since, until)
        return union(found)

    def open_at(self, at_s: float) -> bool:
        """Say whether it is open at ``at_s``."""
        return bool(self.openings(at_s, at_s + 1e-9))


class Joint(Stretch):
    """A plug, a stud, a screw: closed unless somebody or something opens it."""

    def __init__(self, *, open_at_start: bool = False) -> None:
        super().__init__()
        self.parted: Steps[bool] = Steps(open_at_start)

    def own_openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return when it is parted."""
        return self.parted.where(True, start_s, end_s)


_FLEX = BurstShape(
    most_per_s=4.0, most_openings=5, open_median_s=0.006, gap_median_s=0.010, spread=0.7, longest_s=1.0
)
_LOOSE = BurstShape(
    most_per_s=3.0, most_openings=4, open_median_s=0.120, gap_median_s=0.150, spread=0.8, longest_s=4.0
)


class Cord(Stretch):
    """A coiled cord whose conductor fatigues.

    ``wear`` goes from 0 (new) to 1 (broken through). Bursts come with the cube of the wear, twenty times as often
    while the wrist moves as while it rests; a cord at 1 stays open. Wear grows by ``ageing_per_s`` from the last
    time it was set.
    """

    def __init__(
        self, seed: int, name: str, moving: Callable[[float], bool], *, wear: float, ageing_per_s: float
    ) -> None:
        super().__init__()
        self.wear: Steps[float] = Steps(wear)
        self.torn: Steps[bool] = Steps(False)
        self._life: Steps[int] = Steps(0)
        self._ageing_per_s = ageing_per_s
        self._moving = moving
        self._bursts = Bursts(seed, name, _FLEX, self._chance, self._life)

    def wear_at(self, at_s: float) -> float:
        """Return the wear, 0 … 1."""
        since = max(0.0, self.wear.since(at_s))
        return min(1.0, self.wear.at(at_s) + self._ageing_per_s * max(0.0, at_s - since))

    def mend(self, at_s: float) -> None:
        """Put a new cord in."""
        self.wear.set(at_s, 0.0)
        self.torn.set(at_s, False)
        self._life.set(at_s, self._life.at(at_s) + 1)

    def own_openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return when the conductor is apart."""
        lasting = self.torn.where(True, start_s, end_s) + self._worn_through(start_s, end_s)
        return union(lasting + self._bursts.openings(start_s, end_s))

    def _chance(self, at_s: float) -> float:
        return float(self.wear_at(at_s) ** 3 * (1.0 if self._moving(at_s) else 0.05))

    def _worn_through(self, start_s: float, end_s: float) -> list[Interval]:
        found = []
        for since, until, wear in self.wear.spans(start_s, end_s):
            begun = max(0.0, self.wear.since(since))
            if self._ageing_per_s > 0:
                broken = begun + max(0.0, 1.0 - wear) / self._ageing_per_s
            else:
                broken = since if wear >= 1.0 else float("inf")
            found += clip([(broken, float("inf"))], since, until)
        return found


class MatLead(Stretch):
    """A mat's lead whose screw works loose.

    ``looseness`` is 0 when tight and 1 when it hangs beside the stud; `loosen` lets it grow in a straight line.
    The contact resistance rises by eight decades on the way, and from a third of it on the contact comes and goes.
    """

    TIGHT_OHM = 0.5

    def __init__(self, seed: int, name: str) -> None:
        super().__init__()
        self._seed, self._name = seed, name
        self._ramp: Steps[tuple[float, float]] = Steps(
            (0.0, 0.0)
        )  # looseness when it was set, and its rate per s
        self._life: Steps[int] = Steps(0)
        self._bursts = Bursts(seed, name, _LOOSE, self._chance, self._life)

    def loosen(self, at_s: float, over_s: float) -> None:
        """Let it work loose within ``over_s`` seconds from ``at_s`` on; 0 pulls it off at once."""
        now = self.looseness_at(at_s)
        self._ramp.set(at_s, (now, (1.0 - now) / over_s) if over_s > 0 else (1.0, 0.0))

    def fasten(self, at_s: float) -> None:
        """Tighten the screw."""
        self._ramp.set(at_s, (0.0, 0.0))
        self._life.set(at_s, self._life.at(at_s) + 1)

    def looseness_at(self, at_s: float) -> float:
        """Return the looseness, 0 … 1."""
        begin, per_s = self._ramp.at(at_s)
        return begin if per_s == 0 else min(1.0, begin + per_s * (at_s - self._ramp.since(at_s)))

    def ohm_at(self, at_s: float) -> float:
        """Return its resistance in ohm, contact included."""
        if self.open_at(at_s):
            return NOTHING_OHM
        loose = self.looseness_at(at_s) if self.force.at(at_s) is Force.FREE else 0.0
        wobble = stream(self._seed, "contact", self._name, int(at_s * 50)).gauss(0.0, 0.3) if loose else 0.0
        return float(self.TIGHT_OHM * 10.0 ** (8.0 * loose + wobble))

    def own_openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return when the screw makes no contact."""
        return union(self._off(start_s, end_s) + self._bursts.openings(start_s, end_s))

    def _chance(self, at_s: float) -> float:
        return max(0.0, self.looseness_at(at_s) - 0.33) ** 2

    def _off(self, start_s: float, end_s: float) -> list[Interval]:
        found = []
        for since, until, (begin, per_s) in self._ramp.spans(start_s, end_s):
            if per_s > 0:
                off = self._ramp.since(since) + (1.0 - begin) / per_s
            else:
                off = since if begin >= 1.0 else float("inf")
            found += clip([(off, float("inf"))], since, until)
        return found
