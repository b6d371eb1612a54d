"""What a bench is, from its earth tree, its channels and whether somebody is there.

``open`` beats ``unknown`` beats ``held``. A stretch counts as good while at least one trusted channel whose
measuring current crosses it sees no violation; so of several channels that open together the stretches that no
good one crosses are left as suspects.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.plan import Bench
from quietbench.daemon.core.records import BenchState

EARTH = "earth"


class StretchState(enum.Enum):
    """What is known of one stretch of the way to earth."""

    GOOD = "good"
    OPEN = "open"
    UNKNOWN = "unknown"
    UNWATCHED = "unwatched"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A bench's state with its reasons: the suspects where it is open, the stretches that can't be told."""

    state: BenchState
    open: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    unwatched: tuple[str, ...] = ()


def ways_to_earth(bench: Bench) -> tuple[tuple[str, ...], ...]:
    """Return for each required end its stretches in order, from the end to earth.

    Raises:
        ValueError: a stretch hangs on nothing that leads to earth.
    """
    return tuple(_way(bench, end) for end in bench.required)


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
    """State of one bench."""

    def __init__(self, bench: Bench, channels: tuple[ChannelWatch, ...]) -> None:
        self.bench = bench
        self.ways = ways_to_earth(bench)
        self.required = tuple(dict.fromkeys(stretch for way in self.ways for stretch in way))
        needed = frozenset(self.required)
        self.paths = tuple(watch for watch in channels if watch.channel.measures & needed)
        self._crossing = {
            stretch: tuple(watch for watch in self.paths if stretch in watch.channel.measures)
            for stretch in self.required
        }
        self.channels = tuple(w for w in channels if w in self.paths or _place(w) == bench.name)
        self._presence = tuple(w for w in channels if w.channel.name in bench.presence)
        self._straps = tuple(w for w in self.paths if w.channel.quantity == "strap_contact")
        self._seen = True  # not knowing fails towards "somebody is there"
        self._arrived = False
        self.absent_since_ns: int | None = None

    def somebody(self) -> bool:
        """Say whether somebody counts as present: seen, not yet gone for the hold time, or can't be told."""
        return self._seen

    def occupied(self) -> bool:
        """Say whether the bench is in use: somebody there, or a strap loop that is not idle."""
        return self._seen or not all(_idle(strap) for strap in self._straps)

    def follow_presence(self, now_ns: int) -> bool:
        """Take note of the presence channels; return whether `somebody` changed at once.

        An arrival does; a departure waits for the hold time, unless nobody has been seen since the start.
        """
        absent = bool(self._presence) and all(_idle(watch) for watch in self._presence)
        before = self._seen
        if not absent:
            self.absent_since_ns = None
            self._seen = True
            self._arrived = self._arrived or any(watch.trusted for watch in self._presence)
        elif not self._arrived:
            self._seen = False
        elif self._seen and self.absent_since_ns is None:
            self.absent_since_ns = now_ns
        return self._seen is not before

    def leaves_at_ns(self) -> int | None:
        """Return when absence will have lasted the hold time, or None."""
        if self.absent_since_ns is None or not self._seen:
            return None
        return self.absent_since_ns + self.bench.presence_hold_ns

    def leave(self) -> None:
        """Let the hold time end: nobody is there."""
        self._seen = False

    def stretch_state(self, stretch: str) -> StretchState:
        """Return what the channels that cross one required stretch say of it."""
        crossing = self._crossing[stretch]
        if not crossing:
            return StretchState.UNWATCHED
        state = StretchState.UNKNOWN
        for watch in crossing:
            if watch.trusted:
                if not _violating(watch):
                    return StretchState.GOOD
                state = StretchState.OPEN
        return state

    def verdict(self) -> Verdict:
        """Judge the bench as it stands."""
        if not self.occupied():
            return Verdict(BenchState.EMPTY)
        states = {stretch: self.stretch_state(stretch) for stretch in self.required}
        unknown = _those(states, StretchState.UNKNOWN)
        unwatched = _those(states, StretchState.UNWATCHED)
        violating = [watch for watch in self.paths if watch.trusted and _violating(watch)]
        if violating:
            suspects = _those(states, StretchState.OPEN) or self._crossed(violating)
            return Verdict(BenchState.OPEN, suspects, unknown, unwatched)
        if unknown or unwatched:
            return Verdict(BenchState.UNKNOWN, (), unknown, unwatched)
        return Verdict(BenchState.HELD)

    def _crossed(self, violating: list[ChannelWatch]) -> tuple[str, ...]:
        """Return every required stretch of channels that violate although others cross it and see nothing."""
        crossed = frozenset().union(*(watch.channel.measures for watch in violating))
        return tuple(stretch for stretch in self.required if stretch in crossed)


def _place(watch: ChannelWatch) -> str:
    return watch.channel.name.partition("/")[0]


def _idle(watch: ChannelWatch) -> bool:
    """Say whether a contact channel is known to be open: nobody seen, or no closed strap loop."""
    return watch.trusted and watch.valid is not None and watch.valid.value == 0


def _violating(watch: ChannelWatch) -> bool:
    return any(condition.holds for condition in watch.protecting)


def _those(states: dict[str, StretchState], wanted: StretchState) -> tuple[str, ...]:
    return tuple(stretch for stretch, state in states.items() if state is wanted)
