"""The command ``alarms``: what stands, what was, and how the alarms themselves are doing."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from quietbench.daemon.cli.alarm_figures import Health, health_json, print_health
from quietbench.daemon.cli.periods import moment
from quietbench.daemon.cli.replaying import span
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import EventKind
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.messages import render
from quietbench.daemon.settings.findings import nearest_of
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import StoredEvent
from quietbench.daemon.upkeep.answering import persons, places, unanswered
from quietbench.daemon.upkeep.comparing import compare_limits
from quietbench.daemon.upkeep.figures import figures_of
from quietbench.daemon.upkeep.history import History
from quietbench.daemon.upkeep.occurrences import NORMAL, occurrences_of, place_of
from quietbench.daemon.upkeep.proposing import proposals_of, proved
from quietbench.daemon.upkeep.targets import LEAST_DAYS

__all__ = ["list_history", "list_open", "tell_health"]

Row = dict[str, object]


def list_open(socket: str, store: Path | None, *, as_json: bool) -> None:
    """Print the alarms that are not normal, from the watcher or, with ``store``, from its records.

    Raises:
        SocketError: no watcher reached.
        StoreError: the store can't be read.
    """
    rows = _open_from_socket(socket) if store is None else _open_from_store(store)
    if as_json:
        print(json.dumps(rows, ensure_ascii=False, indent=2))
        return
    for row in rows:
        print(f"{_to_the_second(row['since'])}  {row['priority']}  {row['state']}  {row['alarm']}")
        print(f"    {row['sentence']}")
    if not rows:
        print("no alarm stands")


def _to_the_second(since: object) -> str:
    return str(since)[:19].replace("T", " ")


def _open_from_socket(socket: str) -> list[Row]:
    from quietbench.daemon.cli.entering import snapshot

    return [
        {
            "alarm": one.alarm,
            "state": one.state,
            "priority": one.priority,
            "since": one.since,
            "sentence": one.sentence,
        }
        for one in snapshot(socket).alarms
    ]


def _open_from_store(store: Path) -> list[Row]:
    with StoreReader(store) as reader:
        events = reader.last_events(EventKind.ALARM)
    return [
        {
            "alarm": event.subject,
            "state": str(event.body.get("to", "")),
            "priority": str(event.body.get("priority", "")),
            "since": moment(event.wall_ns),
            "sentence": _sentence(event),
        }
        for event in events
        if event.body.get("to") != NORMAL
    ]


def _sentence(event: StoredEvent) -> str:
    sentence = event.body.get("sentence")
    if not isinstance(sentence, Mapping):
        return ""
    return render(str(sentence.get("key", "")), dict(sentence.get("args", {})))


def list_history(store: Path, since: str | None, until: str | None, *, as_json: bool) -> None:
    """Print every transition of every alarm in a time.

    Raises:
        ConfigurationError: a time is none.
        StoreError: the store can't be read.
    """
    with StoreReader(store) as reader:
        rows = list(_transitions(History(reader), since, until))
    if as_json:
        print(json.dumps(rows, ensure_ascii=False, indent=2))
        return
    for row in rows:
        print(f"{row['time']}  {row['alarm']}: {row['from']} → {row['to']} ({row['cause']})")
    if not rows:
        print("no alarm changed in this time")


def _transitions(history: History, since: str | None, until: str | None) -> Iterator[Row]:
    since_ns, until_ns = span(history, since, until)
    period = history.period(since_ns, until_ns)
    for change in history.changes(period.until_ns):
        if change.at_ns >= period.since_ns:
            yield {
                "time": moment(change.at_ns),
                "alarm": change.alarm,
                "from": change.before,
                "to": change.after,
                "cause": change.cause,
                "priority": change.priority,
            }


# -- how they are doing -----------------------------------------------------------------------------------------


def tell_health(
    store: Path,
    since: str | None,
    until: str | None,
    *,
    answers: Sequence[str],
    propose: bool,
    as_json: bool,
) -> None:
    """Print the figures of the alarms of a time, by default the last 30 days of the store.

    Raises:
        ConfigurationError: a time is none, or somebody answers for a bench that was not watched.
        StoreError: the store can't be read.
    """
    with StoreReader(store) as reader:
        history = History(reader)
        since_ns, until_ns = span(history, since or f"{LEAST_DAYS}d", until)
        health = _health(history, since_ns, until_ns, answers, propose=propose)
    if as_json:
        print(json.dumps(health_json(health), ensure_ascii=False, indent=2))
    else:
        print_health(health)


def _health(
    history: History, since_ns: int | None, until_ns: int | None, answers: Sequence[str], *, propose: bool
) -> Health:
    period = history.period(since_ns, until_ns)
    plans = [history.plan(run) for run in history.within(since_ns, until_ns)]
    names = _place_names(plans)
    answering = _answering(answers, names)
    found = occurrences_of(history.changes(period.until_ns))
    everything = figures_of(found.all, period)
    proposals = proposals_of(plans[-1], found.all, everything) if propose and plans else []
    return Health(
        site=plans[-1].site if plans else "",
        period=period,
        everything=everything,
        places=places(names, found.all, period),
        persons=persons(answering, found.all, period),
        unanswered=unanswered(names, answering),
        proposals=proved(proposals, lambda change: compare_limits(history, since_ns, until_ns, change)),
        other_causes=dict(found.other_causes),
        unknown_states=dict(found.unknown_states),
    )


def _place_names(plans: Sequence[Plan]) -> tuple[str, ...]:
    names = [bench.name for plan in plans for bench in plan.benches]
    names += [place_of(channel.name) for plan in plans for channel in plan.channels]
    return tuple(dict.fromkeys(names))


def _answering(answers: Sequence[str], names: Sequence[str]) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for text in answers:
        person, equals, listed = text.partition("=")
        own = tuple(place.strip() for place in listed.split(",") if place.strip())
        if not equals or not person.strip() or not own:
            raise ConfigurationError(f"--answers: got {text!r}, wanted NAME=bench-1,bench-2")
        for place in own:
            if place not in names:
                near = nearest_of(place, names)
                hint = f"; did you mean {near}?" if near else ""
                raise ConfigurationError(
                    f"--answers {person}: got {place!r}, wanted one of {', '.join(names)}{hint}"
                )
        found[person.strip()] = tuple(dict.fromkeys((*found.get(person.strip(), ()), *own)))
    return found
