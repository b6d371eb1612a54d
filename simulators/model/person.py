"""The person at a bench: there or not, wearing the band or not, moving, and with a skin of some resistance."""

from __future__ import annotations

import math

from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.steps import Interval, Steps
from quietbench.simulators.model.stretches import Stretch

_MOVES_EVERY_S = 2.0
_SHARE_MOVING = 0.7


class Person:
    """One person, known only by the bench.

    ``capacitance_f`` is 100 … 200 pF (100 pF is the human-body model of JS-001, 150 pF that of IEC 61000-4-2).
    Under the band skin moistens: its contact resistance falls from ``dry_ohm`` to ``moist_ohm`` with a time
    constant of a minute. Below 40 %RH it dries, both rise, and at 10 %RH they are two and a half times as much.
    """

    def __init__(self, seed: int, name: str) -> None:
        source = stream(seed, "person", name)
        self._seed, self._name = seed, name
        self.present: Steps[bool] = Steps(False)
        self.present_forced: Steps[bool | None] = Steps(None)
        self.worn: Steps[bool] = Steps(False)
        self.working: Steps[bool] = Steps(False)
        self.dryness: Steps[float] = Steps(1.0)
        self.capacitance_f = source.uniform(100e-12, 200e-12)
        self.moist_ohm = source.uniform(2e5, 5e5)
        self.dry_ohm = source.uniform(2e6, 4e6)

    def arrive(self, at_s: float) -> None:
        """Come to the bench."""
        self.present.set(at_s, True)

    def leave(self, at_s: float) -> None:
        """Go away; the band comes off before."""
        self.present.set(at_s, False)
        self.worn.set(at_s, False)
        self.working.set(at_s, False)

    def present_at(self, at_s: float) -> bool:
        """Say whether somebody is there, forced or by the scenario."""
        forced = self.present_forced.at(at_s)
        return self.present.at(at_s) if forced is None else forced

    def moving_at(self, at_s: float) -> bool:
        """Say whether the wrist moves: at work, most of the time, in pieces of two seconds."""
        piece = math.floor(at_s / _MOVES_EVERY_S)
        return (
            self.working.at(at_s) and stream(self._seed, "moves", self._name, piece).random() < _SHARE_MOVING
        )

    def skin_ohm_at(self, at_s: float, humidity: float) -> float:
        """Return the resistance between band and body in ohm, at a relative humidity of 0 … 1."""
        worn_s = max(0.0, at_s - self.worn.since(at_s)) if self.worn.at(at_s) else 0.0
        settled = self.moist_ohm + (self.dry_ohm - self.moist_ohm) * math.exp(-worn_s / 60.0)
        return settled * self.dryness.at(at_s) * (1.0 + max(0.0, 0.40 - humidity) / 0.20)


class Skin(Stretch):
    """The stretch from band to skin: closed while the band is worn."""

    def __init__(self, person: Person) -> None:
        super().__init__()
        self._person = person

    def own_openings(self, start_s: float, end_s: float) -> list[Interval]:
        """Return when the band is off."""
        return self._person.worn.where(False, start_s, end_s)
