"""Delays and deadbands that would quieten alarms that chatter or are gone at once, to be tried by replay.

What is proposed is a guess from how long violations lasted and how soon they came again; its effect is not guessed
but counted by `comparing`, all delays of a period in one replay, all deadbands in another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from quietbench.daemon.core.plan import Channel, Limit, Plan
from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.upkeep.amending import LONGEST_ON_DELAY_NS, SECOND_NS, amended
from quietbench.daemon.upkeep.comparing import AlarmDifference, Comparison
from quietbench.daemon.upkeep.figures import Figures
from quietbench.daemon.upkeep.occurrences import Occurrence

__all__ = ["Proposal", "Proved", "changing", "proposals_of", "proved", "said"]

_ON_NS = tuple(round(s * SECOND_NS) for s in (0.1, 0.2, 0.3, 0.5, 1, 2, 5, 10, 30, 60))
_OFF_NS = tuple(round(s * SECOND_NS) for s in (1, 2, 5, 10, 30, 60))
_WORTH = 0.5
"""A delay is proposed when it would take away at least this part of an alarm's beginnings (own choice)."""
_ENOUGH = 0.9
"""Of the delays that do about as much as the longest, the shortest is proposed (own choice)."""
_NUISANCE = 3
"""Fewer beginnings in a period are no nuisance (own choice)."""
_DEADBAND_SHARE = 0.02
"""A deadband to begin with, as part of the bound: pressure's in ANSI/ISA-18.2 and EEMUA 191 (from memory, high
confidence), which names none for what is measured here."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Another value of one ``field`` (``on_delay_s``, ``off_delay_s``, ``deadband``; SI) of an alarm's limit."""

    alarm: str
    field: str
    value: float
    before: float
    unit: str
    protects: bool


@dataclass(frozen=True, slots=True)
class Proved:
    """A proposal with what replay says of it."""

    proposal: Proposal
    effect: AlarmDifference


def proposals_of(plan: Plan, occurrences: Sequence[Occurrence], figures: Figures) -> list[Proposal]:
    """Return what may quieten the alarms of a period that chatter or are fleeting; faults have no delays."""
    nuisance = {one.alarm for one in figures.chattering} | {
        one.alarm for one in figures.fleeting if one.count >= _NUISANCE
    }
    begun = [one for one in occurrences if one.alarm in nuisance and figures.period.holds(one.began_ns)]
    found: list[Proposal] = []
    for channel in plan.channels:
        for limit in channel.limits:
            own = [one for one in begun if one.alarm == f"{channel.name}:{limit.name}"]
            if own and not limit.entered:
                found += _proposals(channel, limit, own)
    return found


def _proposals(channel: Channel, limit: Limit, own: Sequence[Occurrence]) -> Iterator[Proposal]:
    alarm = f"{channel.name}:{limit.name}"
    on_ns = _best(_lasted_ns(own, limit), _on_delays(limit))
    off_ns = (
        None if on_ns is not None else _best(_gaps_ns(own), [d for d in _OFF_NS if d > limit.off_delay_ns])
    )
    if on_ns is not None:
        yield Proposal(
            alarm, "on_delay_s", on_ns / SECOND_NS, limit.on_delay_ns / SECOND_NS, "s", limit.protects
        )
    if off_ns is not None:
        yield Proposal(
            alarm, "off_delay_s", off_ns / SECOND_NS, limit.off_delay_ns / SECOND_NS, "s", limit.protects
        )
    wider = max(2 * limit.deadband, _DEADBAND_SHARE * abs(limit.bound))
    if not QUANTITIES[channel.quantity].contact and wider < abs(limit.bound):
        yield Proposal(alarm, "deadband", wider, limit.deadband, channel.unit, limit.protects)


def _on_delays(limit: Limit) -> list[int]:
    longest = LONGEST_ON_DELAY_NS if limit.protects else _ON_NS[-1]
    return [delay for delay in _ON_NS if limit.on_delay_ns < delay <= longest]


def _lasted_ns(own: Sequence[Occurrence], limit: Limit) -> list[int | None]:
    """Return how long each violation lasted beyond what the delays add; None for one that still stands."""
    added = limit.off_delay_ns - limit.on_delay_ns
    return [
        None if one.ended_ns is None or one.hidden else one.ended_ns - one.began_ns - added for one in own
    ]


def _gaps_ns(own: Sequence[Occurrence]) -> list[int | None]:
    """Return how soon after the end of one the next began; None after one that did not end."""
    return [
        None if one.ended_ns is None else following.began_ns - one.ended_ns
        for one, following in pairwise(own)
    ]


def _best(times_ns: Sequence[int | None], delays_ns: Sequence[int]) -> int | None:
    """Return the shortest delay that takes away about as many as the longest, if that is worth it."""
    taken = {delay: sum(time is not None and time < delay for time in times_ns) for delay in delays_ns}
    most = max(taken.values(), default=0)
    if not times_ns or most < max(_WORTH * len(times_ns), 1):
        return None
    return min(delay for delay, count in taken.items() if count >= _ENOUGH * most)


def changing(proposals: Sequence[Proposal]) -> Callable[[Plan], Plan]:
    """Return what puts proposals (at most one for each alarm) into a plan."""
    by_alarm: Mapping[str, Proposal] = {proposal.alarm: proposal for proposal in proposals}

    def change(channel: Channel) -> Iterator[Limit]:
        for limit in channel.limits:
            proposal = by_alarm.get(f"{channel.name}:{limit.name}")
            yield limit if proposal is None else _with(limit, proposal)

    return lambda plan: amended(plan, change)


def _with(limit: Limit, proposal: Proposal) -> Limit:
    if proposal.field == "deadband":
        return replace(limit, deadband=proposal.value)
    delay_ns = round(proposal.value * SECOND_NS)
    if proposal.field == "off_delay_s":
        return replace(limit, off_delay_ns=delay_ns)
    return replace(limit, on_delay_ns=delay_ns)


def proved(
    proposals: Sequence[Proposal], compare: Callable[[Callable[[Plan], Plan]], Comparison]
) -> list[Proved]:
    """Return every proposal with its effect; ``compare`` replays the period under a change."""
    delays = [proposal for proposal in proposals if proposal.field != "deadband"]
    deadbands = [proposal for proposal in proposals if proposal.field == "deadband"]
    found: list[Proved] = []
    for together in (delays, deadbands):
        if together:
            effects = {one.alarm: one for one in compare(changing(together)).alarms}
            found += [Proved(one, effects[one.alarm]) for one in together if one.alarm in effects]
    return found


def said(count: AlarmDifference) -> str:
    """Return a count under other limits in words: "9", "9 to 12", "9 or more"."""
    if count.most is None:
        return f"{count.fewest} or more"
    return str(count.shown) if count.exact else f"{count.fewest} to {count.most}"
