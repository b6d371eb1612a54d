"""After the demonstration: what the store holds, scored against what really happened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietbench.daemon.cli.demo.truth import Opening, openings
from quietbench.daemon.messages import headline, render
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.stored import StoredEvent, StoredReading

LOOP = frozenset({"skin", "band", "cord", "jack"})
"""What the strap's measuring current crosses at the demonstration's benches."""

_CHUNK = 5000
SLACK_NS = 2_000_000
"""How far a stamp may lie beside the truth: a kernel's edge, a simulator's timer, and the way between them."""


@dataclass(frozen=True, slots=True)
class AlarmStand:
    """One time an alarm stood: which, what it said, for how long (ns; None: to the end)."""

    alarm: str
    text: str
    lasted_ns: int | None


FILTER_NS = 2_750_000
"""An opening this short can be over before the strap contact's input filter lets it through.

The filter (20 Mohm, 150 pF) has 3 ms and the comparator says "open" at 60 % of the supply: 3 ms · ln(1 / 0.4) from
nothing, and with the resistor of a cord in the loop, from a little above, 2.5 ms to 2.6 ms.
"""


def summary(store: Path, truth: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield the lines that sum up a demonstration from its store and its truth."""
    with StoreReader(store) as reader:
        events = list(_all_events(reader))
        readings = list(_all_readings(reader))
    yield f"On record: {len(events)} events, {len(readings)} readings."
    for stand in alarm_stands(events):
        lasted = "to the end" if stand.lasted_ns is None else f"{stand.lasted_ns / 1e9:.1f} s"
        yield f"  {stand.alarm}: {stand.text}, {lasted}"
    yield from dropout_lines(readings, truth)


def alarm_stands(events: Iterable[StoredEvent]) -> list[AlarmStand]:
    """Return how often and how long each alarm stood, in order of beginning."""
    began: dict[str, int] = {}
    stands: dict[tuple[str, int], AlarmStand] = {}
    for event in events:
        if event.kind.value != "alarm":
            continue
        body = event.body
        if body["condition"] and event.subject not in began:
            began[event.subject] = event.monotonic_ns
            stands[event.subject, event.monotonic_ns] = AlarmStand(event.subject, _said(body), None)
        elif not body["condition"] and event.subject in began:
            start_ns = began.pop(event.subject)
            stand = stands[event.subject, start_ns]
            stands[event.subject, start_ns] = AlarmStand(
                stand.alarm, stand.text, event.monotonic_ns - start_ns
            )
    return list(stands.values())


def strap_openings(readings: Iterable[StoredReading]) -> list[Opening]:
    """Return when each bench's strap contact was seen open."""
    since: dict[str, int] = {}
    found: list[Opening] = []
    for reading in readings:
        if reading.quantity != "strap_contact" or reading.raw is None:
            continue
        bench = reading.channel.partition("/")[0]
        if not reading.raw:
            since.setdefault(bench, reading.monotonic_ns)
        elif bench in since:
            found.append(Opening(bench, since.pop(bench), reading.monotonic_ns))
    return found + [Opening(bench, start_ns, start_ns) for bench, start_ns in since.items()]


def caught(real: Opening, seen: Iterable[Opening]) -> bool:
    """Say whether a real opening was seen: one at its bench that overlaps it."""
    return any(
        real.bench == one.bench
        and one.start_ns <= real.end_ns + SLACK_NS
        and one.end_ns >= real.start_ns - SLACK_NS
        for one in seen
    )


def dropout_lines(readings: Sequence[StoredReading], truth: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield how many short openings happened and are on record; one that the contact can't show is not missed."""
    real = [opening for opening in openings(truth, LOOP) if opening.is_dropout]
    if not real:
        yield "No strap path let go for less than a second."
        return
    seen = strap_openings(readings)
    missed = [opening for opening in real if not caught(opening, seen)]
    shortest_ms = min(opening.lasted_ns for opening in real) / 1e6
    yield (
        f"Strap dropouts: {len(real)} happened, {len(real) - len(missed)} are on record;"
        f" the shortest lasted {shortest_ms:.1f} ms."
    )
    if hidden := [opening for opening in missed if opening.lasted_ns <= FILTER_NS]:
        yield f"  {len(hidden)} too short to see ({_each(hidden)}):"
        yield "    the strap contact's own filter hides openings below about 2.5 ms."
    if lost := [opening for opening in missed if opening.lasted_ns > FILTER_NS]:
        yield f"  {len(lost)} missed ({_each(lost)})."


def _each(found: Iterable[Opening]) -> str:
    return ", ".join(f"{opening.bench} {opening.lasted_ns / 1e6:.1f} ms" for opening in found)


def _said(body: dict[str, Any]) -> str:
    sentence = body["sentence"]
    return headline(render(sentence["key"], sentence["args"]))[0]


def _all_events(reader: StoreReader) -> Iterator[StoredEvent]:
    n = 0
    while chunk := reader.events_after(n, _CHUNK):
        yield from chunk
        n = chunk[-1].n


def _all_readings(reader: StoreReader) -> Iterator[StoredReading]:
    n = 0
    while chunk := reader.readings_after(n, _CHUNK):
        yield from chunk
        n = chunk[-1].n
