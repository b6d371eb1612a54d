"""The view where there is no screen to draw on: one line for each thing that changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from quietbench.daemon.cli.following import Connected, Gone
from quietbench.daemon.cli.live.wiring import break_words
from quietbench.daemon.cli.live.words import (
    clock,
    declared,
    grouped_words,
    happening,
    hidden_words,
    lamp_words,
    quality_words,
    reading_words,
    relay_words,
    translation,
    value_words,
)
from quietbench.daemon.core.quantities import QUANTITIES, Quantity
from quietbench.daemon.figures import Translate
from quietbench.daemon.socket.lines import (
    AlarmLine,
    BenchLine,
    EventLine,
    FollowedLine,
    Gap,
    ReadingLine,
    Snapshot,
)

_NUMBER = Quantity("", "", "")

REPEAT_AFTER_S = 10.0
"""A number that only wanders is told again this often at most; what changes in kind is told at once."""


@dataclass(slots=True)
class Teller:
    """Turns lines of the socket into lines for people; remembers what it has told. ``only``: one bench."""

    only: str | None = None
    all_benches: frozenset[str] = frozenset()
    translate: Translate = str
    _told: dict[str, tuple[tuple[str, ...], str, float]] = field(default_factory=dict)
    _benches: dict[str, str] = field(default_factory=dict)

    def tell(self, line: FollowedLine | Connected | Gone, now_s: float) -> Iterator[str]:
        """Yield the lines to print for one line of the socket."""
        match line:
            case Connected():
                greeting = line.greeting
                self.translate = translation(greeting)
                yield f"connected: {greeting.site}, watcher {greeting.watcher}, run {greeting.run}"
            case Gone():
                self._benches.clear()
                yield f"watcher gone: {line.text}; nobody watches these paths"
            case Snapshot():
                self.all_benches = frozenset(bench.bench for bench in line.benches)
                for bench in line.benches:
                    yield from self._bench(bench)
                for alarm in line.alarms:
                    yield from self._alarm(alarm)
                for reading in line.readings:
                    yield from self._reading(reading, now_s)
            case BenchLine():
                yield from self._bench(line)
            case ReadingLine():
                yield from self._reading(line, now_s)
            case EventLine():
                yield from self._event(line)
            case Gap():
                yield f"gap: {line.lost} lines left out, this reader was too slow"

    def _bench(self, bench: BenchLine) -> Iterator[str]:
        shown = [f"lamp {lamp_words(bench)}", f"buzzer {bench.rhythm}", f"relay {relay_words(bench)}"]
        shown += [words for _, words in declared(bench)]
        text = f"{bench.bench} {bench.state}: {bench.sentence} [{'; '.join(shown)}]"
        text += f" ({grouped_words(bench)})" if bench.grouped else ""
        broken = [words for words in map(break_words, bench.paths) if words != "whole"]
        text += "".join(f" ({words})" for words in broken)
        if self._wants(bench.bench) and self._benches.get(bench.bench) != text:
            self._benches[bench.bench] = text
            yield text

    def _alarm(self, alarm: AlarmLine) -> Iterator[str]:
        """Tell an alarm that is not normal as the snapshot has it; later ones come as events."""
        if self._wants(alarm.alarm.partition("/")[0]):
            state = hidden_words(alarm) or alarm.state
            yield f"{clock(alarm.since)} {alarm.alarm} {state} ({alarm.priority}): {alarm.sentence}"

    def _reading(self, reading: ReadingLine, now_s: float) -> Iterator[str]:
        place = reading.channel.partition("/")[0]
        if not self._wants(place):
            return
        contact = QUANTITIES.get(reading.quantity, _NUMBER).contact
        kind = (reading.sense, quality_words(reading), value_words(reading) if contact else "")
        words = reading_words(reading)
        before = self._told.get(reading.channel)
        if (
            before is not None
            and before[0] == kind
            and (before[1] == words or now_s - before[2] < REPEAT_AFTER_S)
        ):
            return
        self._told[reading.channel] = (kind, words, now_s)
        yield f"{clock(reading.time)} {place} {words}"

    def _event(self, event: EventLine) -> Iterator[str]:
        told = happening(event, self.translate)
        if told is not None and (not told.place or self._wants(told.place)):
            yield f"{told.clock} {told.place + ' ' if told.place else ''}{told.text}"

    def _wants(self, place: str) -> bool:
        return self.only in (None, place) or place not in self.all_benches
