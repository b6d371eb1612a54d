"""One bench: a person, the stretches to earth, and the circuits that watch them.

The earth tree is earth ← common_point ← jack ← cord ← band ← skin and common_point ← mat_lead ← mat; a stretch is
named by its far end. Signals: ``strap`` (the two-conductor loop through jack, cord, band and skin; it does not
cross the common point, so it stays closed when that falls off), ``bond`` (common_point), ``presence``, and the
voltage ``mat``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.changes import Change, ContactChanged, PresenceChanged, StretchChanged
from quietbench.simulators.model.electronics import BOND_COMPARATOR, STRAP_COMPARATOR, Comparator, Divider
from quietbench.simulators.model.person import Person, Skin
from quietbench.simulators.model.stretches import NOTHING_OHM, Cord, Joint, MatLead, Stretch

STRETCHES = ("common_point", "jack", "cord", "band", "skin", "mat_lead", "mat")
CONTACT_SIGNALS = ("strap", "bond", "presence")
VOLTAGE_SIGNALS = ("mat",)

_STRAP_LOOP = frozenset(("jack", "cord", "band", "skin"))
_CORD_RESISTORS_OHM = 2e6  # a megohm in each of the two conductors
_BOND_OHM = 0.2
_SLOW_S = 0.25  # how often what changes slowly (skin) is put anew into the strap's loop
_HUMIDITY_OF_COMMISSIONING = 0.45


@dataclass(frozen=True, slots=True)
class BenchNature:
    """What a bench starts with: the mat's resistance at 45 %RH in ohm, and its cord's wear and ageing."""

    mat_ohm: float
    cord_wear: float = 0.0
    cord_ageing_per_s: float = 0.0


class Bench:
    """One bench as functions of time, and with the memory of its two comparators.

    ``humidity_at`` gives the relative humidity (0 … 1) of its room.
    """

    def __init__(
        self, seed: int, name: str, nature: BenchNature, humidity_at: Callable[[float], float]
    ) -> None:
        self.name = name
        self._seed, self._nature, self._humidity_at = seed, nature, humidity_at
        self.person = Person(seed, name)
        self.cord = Cord(
            seed, name, self.person.moving_at, wear=nature.cord_wear, ageing_per_s=nature.cord_ageing_per_s
        )
        self.mat_lead = MatLead(seed, name)
        self.stretches: dict[str, Stretch] = {
            "common_point": Joint(),
            "jack": Joint(),
            "cord": self.cord,
            "band": Joint(),
            "skin": Skin(self.person),
            "mat_lead": self.mat_lead,
            "mat": Joint(),
        }
        self._divider = Divider.drawn(seed, name, supply_v=3.3, series_ohm=1e7, tolerance=0.01)
        self._now_s = 0.0
        self._open: set[str] = set()
        self._present = False

    def settle(self) -> list[Change]:
        """Take the state at time 0 for granted and return it as changes at 0; before any `advance`."""
        self._open = {name for name, stretch in self.stretches.items() if stretch.open_at(0.0)}
        self._present = self.person.present_at(0.0)
        self._strap = Comparator(STRAP_COMPARATOR, self._strap_ohm(0.0))
        self._bond = Comparator(BOND_COMPARATOR, self._bond_ohm())
        return [
            *(StretchChanged(0.0, self.name, name, True) for name in STRETCHES if name in self._open),
            PresenceChanged(0.0, self.name, self._present),
            ContactChanged(0.0, f"{self.name}/strap", self._strap.closed),
            ContactChanged(0.0, f"{self.name}/bond", self._bond.closed),
            ContactChanged(0.0, f"{self.name}/presence", self._present),
        ]

    def advance(self, to_s: float) -> list[Change]:
        """Move on to ``to_s`` (counted in) and return what happened, in order."""
        physical = sorted(self._physical(self._now_s, to_s), key=lambda change: change.at_s)
        changes: list[Change] = []
        waiting = iter(_with_slow_points(physical, self._now_s, to_s))
        for at_s, change in waiting:
            changes += self._watch(at_s)
            if change is not None:
                changes += self._apply(change)
            self._set_loops(at_s)
        changes += self._watch(to_s)
        self._now_s = to_s
        return changes

    def wake_s(self, horizon_s: float) -> float:
        """Return when something next happens, or ``horizon_s`` from now if nothing does before."""
        end_s = self._now_s + horizon_s
        physical = (change.at_s for change in self._physical(self._now_s, end_s))
        return min((end_s, self._strap.next_crossing_s(), self._bond.next_crossing_s(), *physical))

    def strap_ohm_at(self, at_s: float) -> float:
        """Return the strap loop's resistance in ohm: both cord resistors in series with the skin."""
        if any(self.stretches[name].open_at(at_s) for name in _STRAP_LOOP):
            return NOTHING_OHM
        return self._closed_strap_ohm(at_s)

    def mat_ohm_at(self, at_s: float) -> float:
        """Return the resistance from surface to common point in ohm; doubles from 45 to 12 %RH."""
        if self.stretches["mat"].open_at(at_s):
            return NOTHING_OHM
        drier = (_HUMIDITY_OF_COMMISSIONING - self._humidity_at(at_s)) / 0.33
        return float(self._nature.mat_ohm * 2.0**drier) + self.mat_lead.ohm_at(at_s)

    def mat_volts_at(self, at_s: float) -> float:
        """Return the voltage at the converter's input, noise included."""
        noise = stream(self._seed, "noise", self.name, at_s).gauss(0.0, 1.0)
        return self._divider.volts(self.mat_ohm_at(at_s), noise)

    def _physical(self, start_s: float, end_s: float) -> Iterable[StretchChanged | PresenceChanged]:
        # Closed at both ends: what starts at the very end belongs to it, and what was told already is left out by
        # `_apply`, so a test may force something at the present moment.
        beyond_s = math.nextafter(end_s, math.inf)
        for name, stretch in self.stretches.items():
            open_now, at_s = name in self._open, start_s
            for since, until in stretch.openings(start_s, beyond_s):
                if since > at_s or not open_now:
                    if open_now:
                        yield StretchChanged(at_s, self.name, name, False)
                    yield StretchChanged(since, self.name, name, True)
                open_now, at_s = True, until
            if open_now and at_s < beyond_s:
                yield StretchChanged(at_s, self.name, name, False)
        yield from self._comings(start_s, beyond_s)

    def _comings(self, start_s: float, beyond_s: float) -> Iterable[PresenceChanged]:
        person, present = self.person, self._present
        for since, until, forced in person.present_forced.spans(start_s, beyond_s):
            for at_s, _, there in person.present.spans(since, until):
                now = there if forced is None else forced
                if now != present:
                    yield PresenceChanged(at_s, self.name, now)
                present = now

    def _apply(self, change: StretchChanged | PresenceChanged) -> list[Change]:
        if isinstance(change, PresenceChanged):
            self._present = change.present
            return [change, ContactChanged(change.at_s, f"{self.name}/presence", change.present)]
        if change.open:
            self._open.add(change.stretch)
        else:
            self._open.discard(change.stretch)
        return [change]

    def _watch(self, until_s: float) -> list[Change]:
        strap, bond = f"{self.name}/strap", f"{self.name}/bond"
        edges = [ContactChanged(at_s, strap, closed) for at_s, closed in self._strap.run(until_s)]
        edges += [ContactChanged(at_s, bond, closed) for at_s, closed in self._bond.run(until_s)]
        return sorted(edges, key=lambda edge: edge.at_s)

    def _set_loops(self, at_s: float) -> None:
        ohm = self._strap_ohm(at_s)
        self._strap.set_loop(ohm, 0.0 if ohm == NOTHING_OHM else self.person.capacitance_f)
        self._bond.set_loop(self._bond_ohm())

    def _strap_ohm(self, at_s: float) -> float:
        return NOTHING_OHM if self._open & _STRAP_LOOP else self._closed_strap_ohm(at_s)

    def _closed_strap_ohm(self, at_s: float) -> float:
        return _CORD_RESISTORS_OHM + self.person.skin_ohm_at(at_s, self._humidity_at(at_s))

    def _bond_ohm(self) -> float:
        return NOTHING_OHM if "common_point" in self._open else _BOND_OHM


def _with_slow_points(
    physical: list[StretchChanged | PresenceChanged], start_s: float, end_s: float
) -> list[tuple[float, StretchChanged | PresenceChanged | None]]:
    """Return the changes and, between them, the points of the slow grid after ``start_s`` up to ``end_s``."""
    points: list[tuple[float, StretchChanged | PresenceChanged | None]] = [
        (number * _SLOW_S, None)
        for number in range(math.floor(start_s / _SLOW_S) + 1, math.floor(end_s / _SLOW_S) + 1)
    ]
    points += [(change.at_s, change) for change in physical]
    return sorted(points, key=lambda point: point[0])
