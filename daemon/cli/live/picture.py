"""What is known of a watcher, gathered from the lines of its socket; no drawing, no clock of its own."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

from quietbench.daemon.cli.following import Connected, Gone
from quietbench.daemon.cli.live.happenings import Happenings
from quietbench.daemon.cli.live.words import Happening, end_of, sentence_words, translation
from quietbench.daemon.socket.lines import (
    AlarmLine,
    BenchLine,
    EventLine,
    FollowedLine,
    Gap,
    Greeting,
    Path,
    ReadingLine,
    Snapshot,
    Stretch,
)

_WAITING = frozenset({"unacknowledged", "returned unacknowledged", "latched unacknowledged"})
_HIDDEN = frozenset({"shelved", "suppressed by design", "out of service"})

GONE_SENTENCE = "Nobody watches: the watcher is gone. Keep boards in their bags until it is back."


@dataclass(slots=True)
class Picture:
    """Everything a view shows. ``only`` limits it to one bench; ``gone`` says why nothing is heard, if so.

    ``sounds_since`` holds, for each bench, when its rhythm began, in the caller's monotonic seconds.
    """

    only: str | None = None
    greeting: Greeting | None = None
    gone: str | None = "connecting"
    benches: dict[str, BenchLine] = field(default_factory=dict)
    readings: dict[str, ReadingLine] = field(default_factory=dict)
    alarms: dict[str, AlarmLine] = field(default_factory=dict)
    happenings: Happenings = field(default_factory=Happenings)
    sounds_since: dict[str, float] = field(default_factory=dict)
    all_benches: frozenset[str] = frozenset()
    lost_lines: int = 0
    last_time: str = ""

    def apply(self, line: FollowedLine | Connected | Gone, now_s: float) -> None:
        """Take one line in."""
        match line:
            case Connected():
                self.greeting, self.gone = line.greeting, None
                self.happenings.translate = translation(line.greeting)
            case Gone():
                self._lose(line.text)
            case Snapshot():
                self._begin(line, now_s)
            case BenchLine():
                self._show(line, now_s)
            case ReadingLine():
                self._read(line)
            case EventLine():
                self._happen(line)
            case Gap():
                self.lost_lines += line.lost
                self._note(f"{line.lost} lines left out: this view was too slow", warns=True)

    def shown_benches(self) -> list[BenchLine]:
        """Return the benches to draw; while nothing is heard, nothing about them is claimed."""
        return [bench if self.gone is None else _unwatched(bench) for bench in self.benches.values()]

    def shown_readings(self) -> list[ReadingLine]:
        """Return the readings to draw, by channel."""
        return [self.readings[name] for name in sorted(self.readings)]

    def waiting_alarms(self) -> list[AlarmLine]:
        """Return the alarms that wait for an acknowledgement."""
        return self._alarms_in(_WAITING)

    def latched_alarms(self) -> list[AlarmLine]:
        """Return the alarms that are over and acknowledged, and wait for a reset."""
        return self._alarms_in({"latched acknowledged"})

    def hidden_alarms(self) -> list[AlarmLine]:
        """Return the alarms that neither sound nor speak: shelved, suppressed, out of service."""
        return self._alarms_in(_HIDDEN)

    def acknowledged_alarms(self) -> list[AlarmLine]:
        """Return the alarms that stand and have been acknowledged."""
        return self._alarms_in({"acknowledged"})

    def live_until(self, alarm: AlarmLine) -> str | None:
        """Return when the live work ends that an alarm is suppressed by, if that is known."""
        bench = self.benches.get(alarm.alarm.partition("/")[0])
        return None if bench is None else bench.live_until

    def _alarms_in(self, states: Collection[str]) -> list[AlarmLine]:
        found = [alarm for alarm in self.alarms.values() if alarm.state in states]
        return [alarm for alarm in found if self._concerns(alarm.alarm.rpartition(":")[0])]

    def _begin(self, snapshot: Snapshot, now_s: float) -> None:
        self.benches.clear()
        self.readings.clear()
        self.all_benches = frozenset(bench.bench for bench in snapshot.benches)
        for bench in snapshot.benches:
            self._show(bench, now_s)
        for reading in snapshot.readings:
            self._read(reading)
        self.alarms = {alarm.alarm: alarm for alarm in snapshot.alarms}

    def _show(self, bench: BenchLine, now_s: float) -> None:
        if self.only not in (None, bench.bench):
            return
        before = self.benches.get(bench.bench)
        if before is None or before.rhythm != bench.rhythm:
            self.sounds_since[bench.bench] = now_s
        if before is not None and not bench.paths:
            bench = replace(bench, paths=before.paths)
        self.benches[bench.bench] = bench

    def _read(self, reading: ReadingLine) -> None:
        self.last_time = max(self.last_time, reading.time)
        if self._concerns(reading.channel):
            self.readings[reading.channel] = reading

    def _concerns(self, channel: str) -> bool:
        """Say whether a channel is of the bench asked for, or of no bench at all (a room, the watcher)."""
        place = channel.partition("/")[0]
        return self.only in (None, place) or place not in self.all_benches

    def _happen(self, event: EventLine) -> None:
        self.last_time = max(self.last_time, event.time)
        if event.kind == "bench" and event.subject in self.benches:
            bench = self.benches[event.subject]
            paths = _states(bench.paths, event.body.get("open"), event.body.get("unknown"))
            self.benches[event.subject] = replace(bench, paths=paths)
        if event.kind == "alarm":
            self._follow_alarm(event)
        if self._concerns(event.subject.rpartition(":")[0] or event.subject):
            self.happenings.add(event)

    def _follow_alarm(self, event: EventLine) -> None:
        state = str(event.body.get("to", ""))
        if state == "normal":
            self.alarms.pop(event.subject, None)
            return
        self.alarms[event.subject] = AlarmLine(
            event.subject,
            state,
            str(event.body.get("priority", "")),
            sentence_words(event.body, self.happenings.translate),
            event.time,
            end_of(event),
        )

    def _lose(self, text: str) -> None:
        if self.gone is None:
            self._note("watcher gone", warns=True)
        self.gone = text.partition(": ")[0]  # what to do about it stands with the benches

    def _note(self, text: str, *, warns: bool) -> None:
        self.happenings.note(Happening(self.last_time, "", text, warns=warns))


def _states(paths: tuple[Path, ...], opened: object, unknown: object) -> tuple[Path, ...]:
    """Return the paths with the states a bench event tells; a stretch nothing watches stays so."""
    if not isinstance(opened, list) or not isinstance(unknown, list):
        return paths
    return tuple(tuple(_state(stretch, opened, unknown) for stretch in path) for path in paths)


def _state(stretch: Stretch, opened: Collection[object], unknown: Collection[object]) -> Stretch:
    if stretch.name in opened:
        return Stretch(stretch.name, "open")
    if stretch.state == "unwatched":
        return stretch
    return Stretch(stretch.name, "unknown" if stretch.name in unknown else "good")


def _unwatched(bench: BenchLine) -> BenchLine:
    return replace(
        bench,
        state="unknown",
        rhythm="unknown",
        lamp="unknown",
        flashing=False,
        leading=None,
        sentence=GONE_SENTENCE,
        cause=(),
        grouped=(),
        live=False,
        ready="",
        silenced=False,
        paths=tuple(tuple(Stretch(s.name, "unwatched") for s in path) for path in bench.paths),
    )
