"""All alarms of a plan and the timers that run for them: the one place that moves an alarm through the table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from quietbench.daemon.core.alarm import HIDDEN, AlarmInput
from quietbench.daemon.core.alarms import Alarm, event_body, restore
from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.records import AlarmState, Event, EventKind

_EVERYWHERE = ""


class Due(NamedTuple):
    """A timer that has run out.

    "delay", "shelf" and "resound" of an alarm, "silent" and "stuck" of a channel, "presence" and "footwear" of a
    seat, "silence", "live" and "ready" of a bench.
    """

    kind: str
    subject: str


class Numbering:
    """Numbers the records of one run."""

    def __init__(self) -> None:
        self.count = 0

    def next(self) -> int:
        """Return the next number."""
        self.count += 1
        return self.count

    def event(self, now_ns: int, kind: EventKind, subject: str, body: Mapping[str, object]) -> Event:
        """Return a numbered event."""
        return Event(self.next(), now_ns, kind, subject, dict(body))


class AlarmBook:
    """Every alarm by name, and at each bench the few that it shows: standing or latched, and not hidden.

    ``places_of`` says by channel index at which benches it is; what is nowhere (rooms, the watcher) and what is
    dangerous shows everywhere.
    """

    def __init__(
        self,
        watches: Iterable[ChannelWatch],
        numbering: Numbering,
        places_of: Sequence[frozenset[str]],
    ) -> None:
        self._numbering = numbering
        watches = tuple(watches)
        self.by_name = {c.alarm: Alarm(watch, c) for watch in watches for c in watch.conditions()}
        self.of_channel = tuple(tuple(self.by_name[c.alarm] for c in w.conditions()) for w in watches)
        self._places_of = places_of
        self._shown: dict[str, dict[str, Alarm]] = {_EVERYWHERE: {}}
        for place in frozenset().union(*places_of):
            self._shown[place] = {}
        self.timers: dict[Due, int] = {}

    def restore(self, kept: Mapping[str, Mapping[str, object]], now_ns: int) -> None:
        """Put alarms into the states of the run before."""
        for name, state in kept.items():
            alarm = self.by_name[name]
            restore(alarm, state, now_ns)
            self._list(alarm)
            if alarm.until_ns is not None:
                self.timers[Due("shelf", name)] = alarm.until_ns

    def pursue(self, alarm: Alarm, now_ns: int, *, gate_open: bool) -> list[Event]:
        """Let an alarm follow its condition: at once, after its delay, or not at all where it turned back."""
        delay = Due("delay", alarm.name)
        if alarm.wanted(gate_open=gate_open) == alarm.standing:
            self.timers.pop(delay, None)
            return []
        wait_ns = alarm.delay_ns()
        if wait_ns == 0:
            return self.turn(alarm, now_ns)
        self.timers.setdefault(delay, now_ns + wait_ns)
        return []

    def turn(self, alarm: Alarm, now_ns: int) -> list[Event]:
        """Let an alarm's condition begin or end, delays past."""
        self.timers.pop(Due("delay", alarm.name), None)
        happening = alarm.turn()
        events = self.move(alarm, happening, now_ns)
        self._list(alarm)
        return events

    def move(
        self, alarm: Alarm, happening: AlarmInput, now_ns: int, *, until_ns: int | None = None
    ) -> list[Event]:
        """Step the table; return the alarm's event, or nothing where the table has no such transition."""
        moved = alarm.move(happening, now_ns)
        if moved is None:
            return []
        alarm.until_ns = until_ns
        self._list(alarm)
        self._time(alarm, now_ns)
        body = event_body(alarm, *moved, happening)
        return [self._numbering.event(now_ns, EventKind.ALARM, alarm.name, body)]

    def back(self, alarm: Alarm, now_ns: int) -> list[Event]:
        """Bring a hidden alarm back: unacknowledged if its condition stands, else normal."""
        return self.move(alarm, AlarmInput.BACK_STANDING if alarm.standing else AlarmInput.BACK_CLEAR, now_ns)

    def shown_at(self, bench: str) -> list[Alarm]:
        """Return the alarms that a bench shows."""
        here = self._shown.get(bench)
        everywhere = self._shown[_EVERYWHERE].values()
        return [*here.values(), *everywhere] if here else [*everywhere]

    def open(self) -> Iterator[Alarm]:
        """Yield every alarm that is not normal."""
        return (alarm for alarm in self.by_name.values() if alarm.state is not AlarmState.NORMAL)

    def _list(self, alarm: Alarm) -> None:
        """Keep the few shown alarms at hand, so that a bench need not look through all."""
        places = self._places_of[alarm.watch.index]
        for place in places if places and not alarm.danger else (_EVERYWHERE,):
            if alarm.shown:
                self._shown[place][alarm.name] = alarm
            else:
                self._shown[place].pop(alarm.name, None)

    def _time(self, alarm: Alarm, now_ns: int) -> None:
        """Start and stop what runs in the state that an alarm has come to."""
        shelf, again = Due("shelf", alarm.name), Due("resound", alarm.name)
        self.timers.pop(shelf, None)
        self.timers.pop(again, None)
        if alarm.until_ns is not None and alarm.state in HIDDEN:
            self.timers[shelf] = alarm.until_ns
        if alarm.state is AlarmState.ACKNOWLEDGED and alarm.resound_ns:
            self.timers[again] = now_ns + alarm.resound_ns
