"""Who answers for what: the published targets are for persons, so benches are added up before they are compared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from quietbench.daemon.upkeep.figures import DAY_NS, Figures, Period, daily_counts, figures_of
from quietbench.daemon.upkeep.occurrences import Occurrence
from quietbench.daemon.upkeep.targets import LEAST_DAYS, LEAST_WATCHED, Compared, compare
from quietbench.daemon.upkeep.trend import Trend, mann_kendall

__all__ = ["Person", "Place", "persons", "places", "unanswered"]


@dataclass(frozen=True, slots=True)
class Place:
    """One bench or room: figures and a trend of its alarms a day, and no verdict."""

    name: str
    figures: Figures
    trend: Trend | None


@dataclass(frozen=True, slots=True)
class Person:
    """All benches that one person answers for, added up and compared with every target."""

    name: str
    places: tuple[str, ...]
    figures: Figures
    compared: tuple[Compared, ...]


def places(names: Iterable[str], occurrences: Sequence[Occurrence], period: Period) -> tuple[Place, ...]:
    """Return figures and trend of each bench or room."""
    found = []
    for name in names:
        own = [one for one in occurrences if one.place == name]
        found.append(Place(name, figures_of(own, period), mann_kendall(daily_counts(own, period))))
    return tuple(found)


def persons(
    answers: Mapping[str, Sequence[str]], occurrences: Sequence[Occurrence], period: Period
) -> tuple[Person, ...]:
    """Return for each person the sum over what that person answers for, with verdicts where they may be given."""
    why_not = _why_not(period)
    found = []
    for name, own in answers.items():
        figures = figures_of([one for one in occurrences if one.place in own], period)
        found.append(Person(name, tuple(own), figures, compare(figures, why_not=why_not)))
    return tuple(found)


def unanswered(names: Iterable[str], answers: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Return the benches and rooms that nobody answers for."""
    answered = {place for own in answers.values() for place in own}
    return tuple(name for name in names if name not in answered)


def _why_not(period: Period) -> str:
    if period.length_ns < LEAST_DAYS * DAY_NS:
        return f"the targets are for {LEAST_DAYS} days or more, this is {period.length_ns / DAY_NS:.1f}"
    if period.watched_share < LEAST_WATCHED:
        return f"a watcher ran for only {100 * period.watched_share:.0f} % of the time"
    return ""
