"""What a bench is, from its earth tree, its channels, who is there and what is out.

``open`` beats ``unknown`` beats ``held``. A stretch counts as good while at least one trusted channel whose
measuring current crosses it sees no violation; so of several channels that open together the stretches that no
good one crosses are left as suspects, and one that explains most of them is named as their cause.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.core.channel import SEES_OPEN, WHOLE, ChannelWatch
from quietbench.daemon.core.plan import Bench, Seat
from quietbench.daemon.core.records import BenchState
from quietbench.daemon.core.seats import SeatWatch, is_off

EARTH = "earth"
_STRAPS = ("strap_contact", "strap_resistance")


class StretchState(enum.Enum):
    """What is known of one stretch of the way to earth."""

    GOOD = "good"
    OPEN = "open"
    UNKNOWN = "unknown"
    UNWATCHED = "unwatched"


@dataclass(frozen=True, slots=True)
class Cause:
    """Stretches any of which would explain at once why all these channels see an opening."""

    stretches: tuple[str, ...]
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """A bench's state with its reasons: the suspects where it is open, the stretches that can't be told."""

    state: BenchState
    open: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    unwatched: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()


_EMPTY = Verdict(BenchState.EMPTY)
_REMEMBERED = 1024
"""How many combinations of facts a bench remembers its verdict for."""


def ways_to_earth(bench: Bench) -> tuple[tuple[str, ...], ...]:
    """Return for each required end its stretches in order, from the end to earth.

    Raises:
        ValueError: a stretch hangs on nothing that leads to earth.
    """
    return tuple(_way(bench, end) for end in _ends(bench))


def _ends(bench: Bench) -> tuple[str, ...]:
    own = (*(seat.end for seat in bench.seats), *(tool.end for tool in bench.tools))
    return tuple(dict.fromkeys((*bench.required, *(end for end in own if end))))


def _way(bench: Bench, end: str) -> tuple[str, ...]:
    way: list[str] = []
    stretch = end
    while stretch != EARTH:
        if stretch in way or stretch not in bench.stretches:
            text = f"{bench.name}: the way from {end} does not lead to earth (at {stretch})"
            raise ValueError(text)
        way.append(stretch)
        stretch = bench.stretches[stretch]
    return tuple(way)


class BenchWatch:
    """State of one bench; ``live_until_ns``, ``ready`` and ``silenced`` are declared, the rest is judged."""

    def __init__(self, bench: Bench, channels: tuple[ChannelWatch, ...]) -> None:
        self.bench = bench
        self.ways = ways_to_earth(bench)
        self._way_of = dict(zip(_ends(bench), self.ways, strict=True))
        self.stretches = tuple(dict.fromkeys(stretch for way in self.ways for stretch in way))
        needed = frozenset(self.stretches)
        self.paths = tuple(watch for watch in channels if watch.channel.measures & needed)
        self._crossing = {
            stretch: tuple(watch for watch in self.paths if stretch in watch.channel.measures)
            for stretch in self.stretches
        }
        named = _named(channels)
        self.channels = tuple(w for w in channels if w in self.paths or _place(w) == bench.name)
        self.seats = tuple(self._seat(seat, named) for seat in bench.seats or self._implied_seats())
        self._tools = tuple((tool.end, named[tool.hot]) for tool in bench.tools)
        self._boards = tuple(named[name] for name in bench.board)
        claimed = {seat.seat.end for seat in self.seats} | {tool.end for tool in bench.tools}
        self._surfaces = tuple(end for end in bench.required if end not in claimed)
        self._gated = {watch: tuple(s for s in self.seats if watch in s.straps) for watch in self.paths}
        self.told_by = {
            watch: tuple(seat for seat in self.seats if watch in seat.telling)
            for watch in frozenset().union(*(seat.telling for seat in self.seats))
        }
        self.gated = tuple(watch for watch in self.channels if watch.channel.gated)
        self._remembered: dict[tuple[object, ...], Verdict] = {}
        self._gates: tuple[object, ...] = ()
        self.live_until_ns: int | None = None
        self.ready_result = ""
        self.ready_until_ns: int | None = None
        self.silenced: frozenset[tuple[str, int]] = frozenset()  # alarms with when they began
        self.silenced_until_ns: int | None = None

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over what was declared in the run before: live work with its end, the check before work."""
        self.live_until_ns = state.get("live_until_ns")
        self.ready_result = str(state.get("ready_result") or "")
        self.ready_until_ns = state.get("ready_until_ns")

    # -- situation ---------------------------------------------------------------------------------------

    @property
    def board_bagged(self) -> bool:
        """Say whether it is known that no board is out of its bag."""
        return bool(self._boards) and all(is_off(watch) for watch in self._boards)

    @property
    def in_use(self) -> bool:
        """Say whether somebody is there, a board is out, or a tool is hot, as far as can be told."""
        for seat in self.seats:
            if seat.occupied:
                return True
        hot = any(not is_off(hot) for _, hot in self._tools)
        return hot or (bool(self._boards) and not self.board_bagged)

    def gate_open(self, watch: ChannelWatch) -> bool:
        """Say whether a strap channel's limits count: its seat needs the strap, and a board may be out."""
        if self.board_bagged:
            return False
        seats = self._gated.get(watch, ())
        return not seats or any(seat.started and seat.needs_strap for seat in seats)

    def gates_moved(self) -> bool:
        """Say whether who is there, or what is out, has changed since this was last asked."""
        bagged = bool(self._boards) and self.board_bagged
        gates = (bagged, *[(seat.started, seat.needs_strap) for seat in self.seats])
        moved, self._gates = gates != self._gates, gates
        return moved

    def required(self) -> tuple[str, ...]:
        """Return the stretches that the situation asks for, each once."""
        ends = [seat.seat.end for seat in self.seats if seat.seat.end and seat.needs_strap]
        ends += [end for end, hot in self._tools if not is_off(hot)]
        if not self.board_bagged:
            ends += self._surfaces
        return tuple(dict.fromkeys(stretch for end in ends for stretch in self._way_of[end]))

    # -- judgement ---------------------------------------------------------------------------------------

    def stretch_state(self, stretch: str) -> StretchState:
        """Return what the channels that cross one stretch say of it."""
        crossing = self._crossing[stretch]
        if not crossing:
            return StretchState.UNWATCHED
        state = StretchState.UNKNOWN
        for watch in crossing:
            if watch.standing:
                if watch.standing == WHOLE:
                    return StretchState.GOOD
                if not self._rests(watch):
                    state = StretchState.OPEN
        return state

    def verdict(self) -> Verdict:
        """Judge the bench as it stands.

        The verdict follows from a few yes-or-no facts, and a bench whose contacts chatter is in few states: what
        was judged before is remembered by those facts.
        """
        if not self.in_use:
            return _EMPTY
        facts = (
            *[watch.standing for watch in self.paths],
            *[seat.needs_strap for seat in self.seats],
            *[is_off(hot) for _, hot in self._tools],
            bool(self._boards) and self.board_bagged,
        )
        verdict = self._remembered.get(facts)
        if verdict is None:
            if len(self._remembered) >= _REMEMBERED:
                self._remembered.clear()
            verdict = self._remembered[facts] = self._judge()
        return verdict

    def _judge(self) -> Verdict:
        required = self.required()
        states = {stretch: self.stretch_state(stretch) for stretch in required}
        unknown = _those(states, StretchState.UNKNOWN)
        unwatched = _those(states, StretchState.UNWATCHED)
        violating = [w for w in self.paths if _open_on(w, required) and not self._rests(w)]
        if violating:
            suspects = _those(states, StretchState.OPEN) or _crossed(violating, required)
            return Verdict(BenchState.OPEN, suspects, unknown, unwatched, explain(violating, suspects))
        if unknown or unwatched:
            return Verdict(BenchState.UNKNOWN, (), unknown, unwatched)
        return Verdict(BenchState.HELD)

    def _rests(self, watch: ChannelWatch) -> bool:
        """Say whether this is the strap of a seat that needs none: open because nobody wears it, it tells nothing."""
        seats = self._gated[watch]
        return bool(seats) and not any(seat.needs_strap for seat in seats)

    def ready_state(self) -> str:
        """Return what is known of the check before work: "", "passed", "missing" or "failed"."""
        if not self.bench.ready_every_ns:
            return ""
        if self.ready_result == "failed":
            return "failed"
        return "passed" if self.ready_until_ns is not None else "missing"

    # -- putting together --------------------------------------------------------------------------------

    def _implied_seats(self) -> tuple[Seat, ...]:
        """One seat for every end that a strap channel measures; without any, one that only tells who is there."""
        ends = [
            end
            for end in self.bench.required
            if any(watch.channel.quantity in _STRAPS for watch in self._crossing[end])
        ]
        if len(ends) > 1:
            return tuple(Seat(end, end, self.bench.presence) for end in ends)
        return (Seat(self.bench.name, ends[0] if ends else "", self.bench.presence),)

    def _seat(self, seat: Seat, named: dict[str, ChannelWatch]) -> SeatWatch:
        crossing = self._crossing.get(seat.end, ())
        return SeatWatch(
            seat,
            presence=tuple(named[name] for name in seat.presence or self.bench.presence),
            straps=tuple(watch for watch in crossing if watch.channel.quantity in _STRAPS),
            footwear=named[seat.footwear] if seat.footwear else None,
            hold_ns=self.bench.presence_hold_ns,
        )


def explain(violating: Iterable[ChannelWatch], suspects: tuple[str, ...]) -> tuple[Cause, ...]:
    """Return the fewest causes that explain all openings, the widest first, by topology alone.

    The order in which the openings were seen plays no part. Stretches that the same channels cross can't be told
    apart and stand together.
    """
    left = {watch.channel.name: watch.channel.measures for watch in violating}
    causes: list[Cause] = []
    while left:
        crossing = {s: frozenset(name for name, measures in left.items() if s in measures) for s in suspects}
        widest = max(crossing.values(), key=lambda names: (len(names), sorted(names)), default=frozenset())
        if not widest:
            break
        together = tuple(stretch for stretch, names in crossing.items() if names == widest)
        causes.append(Cause(together, tuple(sorted(widest))))
        left = {name: measures for name, measures in left.items() if name not in widest}
    return tuple(causes)


def _named(channels: tuple[ChannelWatch, ...]) -> dict[str, ChannelWatch]:
    return {watch.channel.name: watch for watch in channels}


def _place(watch: ChannelWatch) -> str:
    return watch.channel.name.partition("/")[0]


def _open_on(watch: ChannelWatch, required: tuple[str, ...]) -> bool:
    return watch.standing == SEES_OPEN and not watch.channel.measures.isdisjoint(required)


def _crossed(violating: list[ChannelWatch], required: tuple[str, ...]) -> tuple[str, ...]:
    """Return every required stretch of channels that violate although others cross it and see nothing."""
    crossed = frozenset().union(*(watch.channel.measures for watch in violating))
    return tuple(stretch for stretch in required if stretch in crossed)


def _those(states: dict[str, StretchState], wanted: StretchState) -> tuple[str, ...]:
    return tuple(stretch for stretch, state in states.items() if state is wanted)
