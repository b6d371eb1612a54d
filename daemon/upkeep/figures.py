"""The figures of alarm performance over a period, for a set of places: ANSI/ISA-18.2, EEMUA 191.

Rates are per watched time, so that a night without a watcher makes no alarm system look quiet.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from quietbench.daemon.upkeep.occurrences import Occurrence
from quietbench.daemon.upkeep.windows import SECOND_NS, Bout, bouts, floods, most_within

__all__ = [
    "DAY_NS",
    "FLEETING_NS",
    "STALE_NS",
    "Chattering",
    "Counted",
    "Figures",
    "Period",
    "Response",
    "Stale",
    "daily_counts",
    "figures_of",
]

TEN_MINUTES_NS = 600 * SECOND_NS
HOUR_NS = 3600 * SECOND_NS
DAY_NS = 24 * HOUR_NS
FLEETING_NS = 10 * SECOND_NS
"""An alarm gone so soon was gone before anybody could act (own choice: the standard has no number)."""
ALONE_NS = 60 * SECOND_NS
"""A fleeting alarm does not come again within this time; one that does is on its way to chatter."""
STALE_NS = DAY_NS
MANY_IN_10_MIN = 10
TOP = 10


@dataclass(frozen=True, slots=True)
class Period:
    """A time (ns of the time line, left open, right closed) and how much of it a watcher ran (ns)."""

    since_ns: int
    until_ns: int
    watched_ns: int

    @property
    def length_ns(self) -> int:
        """Get its length (ns)."""
        return self.until_ns - self.since_ns

    @property
    def watched_share(self) -> float:
        """Get the part of it in which a watcher ran."""
        return self.watched_ns / self.length_ns if self.length_ns > 0 else 0.0

    def holds(self, at_ns: int) -> bool:
        """Say whether a time lies in it."""
        return self.since_ns < at_ns <= self.until_ns


@dataclass(frozen=True, slots=True)
class Counted:
    """An alarm and how often."""

    alarm: str
    count: int


@dataclass(frozen=True, slots=True)
class Chattering:
    """An alarm that came `CHATTER_COUNT` times or more within `CHATTER_NS`, and its bouts."""

    alarm: str
    bouts: tuple[Bout, ...]

    @property
    def count(self) -> int:
        """Get how many beginnings lie in bouts."""
        return sum(bout.count for bout in self.bouts)


@dataclass(frozen=True, slots=True)
class Stale:
    """An alarm that stood for more than 24 h without a break, and for how long (ns) within the period."""

    alarm: str
    lasted_ns: int


@dataclass(frozen=True, slots=True)
class Response:
    """From beginning to acknowledgement (ns): ``answered`` of them, ``waiting`` were never acknowledged."""

    answered: int
    waiting: int
    median_ns: int | None
    p90_ns: int | None
    longest_ns: int | None


@dataclass(frozen=True, slots=True)
class Figures:
    """Everything that is counted for one bench, or for all that one person answers for."""

    period: Period
    alarms: int
    average_in_10_min: float
    per_day: float
    most_in_10_min: int
    busy_share: float
    most_in_hour: int
    most_in_minute: int
    floods: tuple[Bout, ...]
    flood_share: float
    chattering: tuple[Chattering, ...]
    fleeting: tuple[Counted, ...]
    stale: tuple[Stale, ...]
    most_stale_in_a_day: int
    frequent: tuple[Counted, ...]
    kinds: int
    top_share: float
    response: Response
    priorities: dict[str, int]

    @property
    def judged_top_share(self) -> float | None:
        """Get the share (%) of the ten most frequent, None where there are no more than ten."""
        return 100 * self.top_share if self.kinds > TOP else None


def figures_of(occurrences: Iterable[Occurrence], period: Period) -> Figures:
    """Count; ``occurrences`` may reach beyond the period at both ends, in order of their beginning."""
    everything = list(occurrences)
    begun = [one for one in everything if period.holds(one.began_ns)]
    times = [one.began_ns for one in begun]
    watched_tens = period.watched_ns / TEN_MINUTES_NS
    by_alarm = _by_alarm(begun)
    frequent = Counter(one.alarm for one in begun).most_common(TOP)
    found_floods = tuple(floods(times, period.until_ns))
    stale = _stale(everything, period)
    tens = Counter((at - period.since_ns - 1) // TEN_MINUTES_NS for at in times)
    return Figures(
        period=period,
        alarms=len(begun),
        average_in_10_min=_part(len(begun), watched_tens),
        per_day=_part(len(begun), period.watched_ns / DAY_NS),
        most_in_10_min=max(tens.values(), default=0),
        busy_share=_part(sum(count > MANY_IN_10_MIN for count in tens.values()), watched_tens),
        most_in_hour=most_within(times, HOUR_NS),
        most_in_minute=most_within(times, 60 * SECOND_NS),
        floods=found_floods,
        flood_share=_part(sum(flood.lasted_ns for flood in found_floods), period.watched_ns),
        chattering=_chattering(by_alarm),
        fleeting=_fleeting(by_alarm),
        stale=tuple(Stale(one.alarm, end - start) for one, start, end in stale),
        most_stale_in_a_day=_most_stale_in_a_day(stale, period),
        frequent=tuple(Counted(*one) for one in frequent),
        kinds=len(by_alarm),
        top_share=_part(sum(count for _, count in frequent), len(begun)),
        response=_response(begun),
        priorities=dict(Counter(one.priority for one in begun)),
    )


def daily_counts(occurrences: Iterable[Occurrence], period: Period) -> list[int]:
    """Return how many began on each whole day (of 24 h, back from the period's end)."""
    days = period.length_ns // DAY_NS
    counts = [0] * days
    for one in occurrences:
        back = (period.until_ns - one.began_ns) // DAY_NS
        if period.holds(one.began_ns) and back < days:
            counts[days - 1 - back] += 1
    return counts


def _part(number: float, of: float) -> float:
    return number / of if of > 0 else 0.0


def _by_alarm(begun: Sequence[Occurrence]) -> dict[str, list[Occurrence]]:
    by_alarm: dict[str, list[Occurrence]] = defaultdict(list)
    for one in begun:
        by_alarm[one.alarm].append(one)
    return by_alarm


def _chattering(by_alarm: dict[str, list[Occurrence]]) -> tuple[Chattering, ...]:
    found = [
        Chattering(alarm, tuple(bouts([one.began_ns for one in those]))) for alarm, those in by_alarm.items()
    ]
    return tuple(sorted((one for one in found if one.bouts), key=lambda one: -one.count))


def _fleeting(by_alarm: dict[str, list[Occurrence]]) -> tuple[Counted, ...]:
    found = [Counted(alarm, _fleeting_among(those)) for alarm, those in by_alarm.items()]
    return tuple(sorted((one for one in found if one.count), key=lambda one: -one.count))


def _fleeting_among(those: Sequence[Occurrence]) -> int:
    count = 0
    for place, one in enumerate(those):
        soon_gone = one.ended_ns is not None and not one.hidden and one.ended_ns - one.began_ns <= FLEETING_NS
        after_another = place > 0 and one.began_ns - those[place - 1].began_ns <= ALONE_NS
        before_another = place + 1 < len(those) and those[place + 1].began_ns - one.began_ns <= ALONE_NS
        count += soon_gone and not after_another and not before_another
    return count


def _stale(everything: Sequence[Occurrence], period: Period) -> list[tuple[Occurrence, int, int]]:
    """Return the occurrences that are stale within the period, each with beginning and end (ns)."""
    found = []
    for one in everything:
        end = min(period.until_ns if one.ended_ns is None else one.ended_ns, period.until_ns)
        if end - one.began_ns > STALE_NS and end > period.since_ns and one.began_ns < period.until_ns:
            found.append((one, one.began_ns, end))
    return found


def _most_stale_in_a_day(stale: Sequence[tuple[Occurrence, int, int]], period: Period) -> int:
    """Return how many different alarms were stale at some time of the worst day (of 24 h, back from the end)."""
    days: dict[int, set[str]] = defaultdict(set)
    for one, start, end in stale:
        became_ns = max(start + STALE_NS, period.since_ns)
        for day in range((period.until_ns - end) // DAY_NS, (period.until_ns - became_ns) // DAY_NS + 1):
            days[day].add(one.alarm)
    return max(map(len, days.values()), default=0)


def _response(begun: Sequence[Occurrence]) -> Response:
    times = sorted(one.answered_ns - one.began_ns for one in begun if one.answered_ns is not None)
    if not times:
        return Response(0, len(begun), None, None, None)
    return Response(len(times), len(begun) - len(times), _at(times, 0.5), _at(times, 0.9), times[-1])


def _at(ordered: Sequence[int], part: float) -> int:
    """Return the smallest value that at least this part of all do not exceed."""
    place = -(-len(ordered) * part // 1)
    return ordered[max(0, int(place) - 1)]
