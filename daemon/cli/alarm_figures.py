"""How the alarms are doing, printed for people in 80 columns, or as config/schemas/alarm-figures.json has it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.cli.periods import lasting, moment
from quietbench.daemon.cli.replaying import alarm_json
from quietbench.daemon.figures import figure
from quietbench.daemon.upkeep.answering import Person, Place
from quietbench.daemon.upkeep.figures import Figures, Period
from quietbench.daemon.upkeep.proposing import Proved, said
from quietbench.daemon.upkeep.targets import PRIORITIES, Compared

__all__ = ["Health", "health_json", "print_health"]

_WIDTH = 80
_FIELDS = {"on_delay_s": "on-delay", "off_delay_s": "off-delay", "deadband": "deadband"}


@dataclass(frozen=True, slots=True)
class Health:
    """Everything that is told of a time."""

    site: str
    period: Period
    everything: Figures
    places: Sequence[Place]
    persons: Sequence[Person]
    unanswered: Sequence[str]
    proposals: Sequence[Proved]
    other_causes: dict[str, int]
    unknown_states: dict[str, int]


# -- for people -------------------------------------------------------------------------------------------------


def print_health(health: Health) -> None:
    """Print it."""
    for line in _lines(health):
        print(line)


def _lines(health: Health) -> Iterator[str]:
    period = health.period
    yield f"Alarms of {health.site or 'this store'}"
    yield f"{moment(period.since_ns)} to {moment(period.until_ns)} UTC"
    yield f"{lasting(period.length_ns)}, a watcher ran for {100 * period.watched_share:.0f} % of it"
    for person in health.persons:
        yield from _person_lines(person)
    if not health.persons:
        yield ""
        yield from _wrapped(
            "The published targets are per person over 30 days or more: say who answers for which benches, "
            "--answers NAME=bench-1,bench-2, to have the sum compared."
        )
    elif health.unanswered:
        yield f"\nNobody answers for: {', '.join(health.unanswered)}"
    for place in health.places:
        yield from _place_lines(place)
    yield from _proposal_lines(health.proposals)
    if health.other_causes:
        listed = ", ".join(f"{cause} {count}" for cause, count in sorted(health.other_causes.items()))
        yield from _wrapped(f"Counted apart: {listed}.")
    if health.unknown_states:
        yield from _wrapped(f"States not known to this version: {', '.join(sorted(health.unknown_states))}.")


def _person_lines(person: Person) -> Iterator[str]:
    yield f"\n{person.name} answers for {', '.join(person.places)}"
    yield from _figure_lines(person.figures)
    yield "  compared with published targets:"
    reasons = dict.fromkeys(one.why_not for one in person.compared if one.why_not)
    for one in person.compared:
        yield from _target_lines(one)
    for reason in reasons:
        yield from _wrapped(f"no verdict: {reason}", "  ")


def _target_lines(one: Compared) -> Iterator[str]:
    target = one.target
    measured = "-" if one.measured is None else f"{one.measured:.3g}{target.unit}"
    verdict = "no verdict" if one.within is None else ("within" if one.within else "BEYOND")
    yield f"    {target.label}: {measured}, wanted {target.wanted}: {verdict}"
    yield from _wrapped(f"{target.source}; {target.trust}. {target.remark}".strip(), "        ")


def _place_lines(place: Place) -> Iterator[str]:
    trend = "too short for a trend" if place.trend is None else f"{place.trend.word} from day to day"
    yield f"\n{place.name}: {trend}"
    if place.figures.alarms:
        yield from _figure_lines(place.figures)
    else:
        yield "  no alarm"


def _figure_lines(figures: Figures) -> Iterator[str]:
    yield f"  {figures.alarms} alarms, {figures.per_day:.1f} a day; at most {figures.most_in_10_min} in 10 minutes"
    if figures.floods:
        longest = max(flood.lasted_ns for flood in figures.floods)
        yield f"  {len(figures.floods)} floods, the longest {lasting(longest)}"
    yield from _listed("chattering", [(one.alarm, one.count) for one in figures.chattering])
    yield from _listed("fleeting", [(one.alarm, one.count) for one in figures.fleeting])
    for one in figures.stale:
        yield f"  stale: {one.alarm}, {lasting(one.lasted_ns)}"
    yield from _listed("most frequent", [(one.alarm, one.count) for one in figures.frequent])
    yield f"  {_response(figures)}"
    shares = ", ".join(
        f"{name} {100 * figures.priorities.get(name, 0) / figures.alarms:.0f} % (about {100 * part:.0f} %)"
        for name, part in PRIORITIES.items()
        if figures.alarms
    )
    yield f"  priorities: {shares or 'none'}"


def _listed(what: str, counts: Sequence[tuple[str, int]]) -> Iterator[str]:
    if counts:
        yield from _wrapped(f"{what}: " + ", ".join(f"{alarm} {count}" for alarm, count in counts), "  ")


def _response(figures: Figures) -> str:
    response = figures.response
    if response.median_ns is None or response.p90_ns is None or response.longest_ns is None:
        return f"answered: none of {response.waiting}"
    return (
        f"answered {response.answered}, half within {lasting(response.median_ns)}, 9 of 10 within "
        f"{lasting(response.p90_ns)}; {response.waiting} never"
    )


def _proposal_lines(proposals: Sequence[Proved]) -> Iterator[str]:
    if proposals:
        yield "\nProposed, with the effect that replay of this time shows (delays hold back the"
        yield "sound alone, never a bench's state)"
    for one in proposals:
        proposal, effect = one.proposal, one.effect
        # A delay in one unit throughout: nobody should have to compare 500 ms with 0.2 s.
        value = f"{proposal.value:g} s" if proposal.unit == "s" else figure("", proposal.unit, proposal.value)
        text = (
            f"{proposal.alarm}: {value} {_FIELDS[proposal.field]}: {effect.recorded} → {said(effect)} alarms"
        )
        if effect.silenced:
            text += (
                f"; {effect.silenced} recorded openings no longer sound, the longest "
                f"{lasting(effect.longest_silenced_ns)}; all stay in dropouts and exposures"
            )
        yield from _wrapped(text, "  ")


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent + "  ", break_long_words=False
    )


# -- for programs -----------------------------------------------------------------------------------------------


def health_json(health: Health) -> dict[str, Any]:
    """Return it as the schema has it; times in s."""
    period = health.period
    return {
        "site": health.site,
        "since": moment(period.since_ns),
        "until": moment(period.until_ns),
        "watched_share": period.watched_share,
        "everything": _figures_json(health.everything),
        "persons": [_person_json(person) for person in health.persons],
        "unanswered": list(health.unanswered),
        "places": [_place_json(place) for place in health.places],
        "proposals": [_proposal_json(one) for one in health.proposals],
        "other_causes": health.other_causes,
        "unknown_states": health.unknown_states,
    }


def _person_json(person: Person) -> dict[str, Any]:
    return {
        "person": person.name,
        "places": list(person.places),
        "figures": _figures_json(person.figures),
        "compared": [_compared_json(one) for one in person.compared],
    }


def _compared_json(one: Compared) -> dict[str, Any]:
    target = one.target
    return {
        "target": target.name,
        "label": target.label,
        "wanted": target.wanted,
        "source": target.source,
        "trust": target.trust,
        "remark": target.remark,
        "measured": one.measured,
        "within": one.within,
        "why_not": one.why_not or None,
    }


def _place_json(place: Place) -> dict[str, Any]:
    trend = place.trend
    told = None if trend is None else {"word": trend.word, "s": trend.s, "z": trend.z, "p": trend.probability}
    return {"place": place.name, "figures": _figures_json(place.figures), "trend": told}


def _figures_json(figures: Figures) -> dict[str, Any]:
    response = figures.response
    return {
        "alarms": figures.alarms,
        "average_in_10_min": figures.average_in_10_min,
        "per_day": figures.per_day,
        "most_in_10_min": figures.most_in_10_min,
        "busy_share": figures.busy_share,
        "most_in_hour": figures.most_in_hour,
        "most_in_minute": figures.most_in_minute,
        "floods": [
            {"began": moment(one.began_ns), "lasted_s": one.lasted_ns / 1e9, "alarms": one.count}
            for one in figures.floods
        ],
        "flood_share": figures.flood_share,
        "chattering": [{"alarm": one.alarm, "count": one.count} for one in figures.chattering],
        "fleeting": [{"alarm": one.alarm, "count": one.count} for one in figures.fleeting],
        "stale": [{"alarm": one.alarm, "lasted_s": one.lasted_ns / 1e9} for one in figures.stale],
        "most_stale_in_a_day": figures.most_stale_in_a_day,
        "frequent": [{"alarm": one.alarm, "count": one.count} for one in figures.frequent],
        "top_share": figures.top_share,
        "response": {
            "answered": response.answered,
            "waiting": response.waiting,
            "median_s": _seconds(response.median_ns),
            "p90_s": _seconds(response.p90_ns),
            "longest_s": _seconds(response.longest_ns),
        },
        "priorities": figures.priorities,
    }


def _seconds(ns: int | None) -> float | None:
    return None if ns is None else ns / 1e9


def _proposal_json(one: Proved) -> dict[str, Any]:
    proposal = one.proposal
    return {
        "field": proposal.field,
        "value": proposal.value,
        "before": proposal.before,
        "unit": proposal.unit,
        "protects": proposal.protects,
        **alarm_json(one.effect),
    }
