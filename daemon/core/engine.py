"""The core: feeds samples through channels, alarms and benches, and gives out what follows.

Inputs are samples (`Core.feed`), timers that have run out (`Core.due` says which, `Core.let` applies one) and
commands (`Core.command`). Timers are inputs of their own, so that a recorded run replays to the byte: the record
says which timer ran out between which samples, and replay asks no clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from quietbench.daemon.core.alarm import AlarmInput
from quietbench.daemon.core.alarms import Alarm
from quietbench.daemon.core.annunciate import SOUNDING, Standing, annunciate, standing_of
from quietbench.daemon.core.bench import BenchWatch, Verdict
from quietbench.daemon.core.bench_body import event_body, started, timers_of
from quietbench.daemon.core.book import AlarmBook, Due, Numbering
from quietbench.daemon.core.button import Button
from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.commands import COMMANDS, CommandError
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import (
    AlarmState,
    Annunciation,
    Event,
    EventKind,
    Output,
    Reading,
)
from quietbench.drivers.samples import Reason

__all__ = ["CommandError", "Core", "Due"]

_NEVER = 1 << 62
_WATCHER = "watcher/"

Kept = Mapping[str, Mapping[str, object]]
"""What a run restores from the one before, by alarm or bench."""


class Core:
    """All rules over one plan. Not thread-safe: one thread feeds it.

    Raises:
        ValueError: the plan names a stretch that does not lead to earth.
    """

    def __init__(self, plan: Plan, now_ns: int) -> None:
        self.plan = plan
        self._numbering = Numbering()
        self._watches = tuple(ChannelWatch(i, c, now_ns) for i, c in enumerate(plan.channels))
        self._by_name = {watch.channel.name: watch for watch in self._watches}
        self.benches = {bench.name: BenchWatch(bench, self._watches) for bench in plan.benches}
        self._shown: dict[str, tuple[object, ...]] = {}
        self._verdicts: dict[str, Verdict] = {}
        self._given: dict[str, Annunciation] = {}
        self._quiet = False
        self._benches_of = tuple(
            tuple(bench for bench in self.benches.values() if watch in bench.channels)
            for watch in self._watches
        )
        self._paths_of = tuple(
            tuple(bench for bench in benches if watch in bench.paths)
            for watch, benches in zip(self._watches, self._benches_of, strict=True)
        )
        self._places_of = tuple(frozenset(b.bench.name for b in benches) for benches in self._benches_of)
        self.book = AlarmBook(self._watches, self._numbering, self._places_of)
        self._buttons = {
            name: (Button(), bench)
            for bench in self.benches.values()
            for name in (*bench.bench.silence, *bench.bench.live)
        }
        self._next_due_ns = 0

    # -- inputs ------------------------------------------------------------------------------------------

    def start(
        self, now_ns: int, body: Mapping[str, object], alarms: Kept, benches: Kept | None = None
    ) -> list[Output]:
        """Begin a run: restore alarms and benches of the run before, and give every bench its first state.

        ``body`` says what runs (software, hashes). ``alarms`` maps alarm ids to "state", "standing" and, for a
        shelf, "until_ns"; ``benches`` maps benches to "live_until_ns", "ready_result", "ready_until_ns". Times
        are on this boot's monotonic clock. What the plan does not know is left out.
        """
        kept = {name: dict(state) for name, state in sorted(alarms.items()) if name in self.book.by_name}
        places = {
            name: dict(state) for name, state in sorted((benches or {}).items()) if name in self.benches
        }
        self.book.restore(kept, now_ns)
        for name, state in places.items():
            self.benches[name].restore(state)
        restored = {**body, "restored": kept, "benches": places}
        run = self.record(EventKind.RUN, self.plan.watcher, restored, now_ns)
        outputs: list[Output] = [run]
        for alarm in self.book.by_name.values():
            outputs += self._suppress_by_live_work(alarm, now_ns)
        for bench in self.benches.values():
            outputs += self._settle(bench, now_ns)
        return outputs

    def feed(
        self, channel: int, monotonic_ns: int, raw: float | None, given: Reason | None = None
    ) -> tuple[Output, ...] | list[Output]:
        """Take one sample of the channel with this index in the plan; return what follows, in order.

        A kept reading has its record number; one that changes nothing and is not kept is returned too, for
        live views, with number 0. A sample older than the channel's last one gives nothing.
        """
        watch = self._watches[channel]
        taken = watch.take(monotonic_ns, raw, given)
        if taken is None:
            return ()
        reading, changed = taken
        if reading.keep:
            reading = reading._replace(count=self._numbering.next())
        if not changed:
            return (reading,)
        outputs = [reading, *self.follow(watch, monotonic_ns)]
        button = self._buttons.get(watch.channel.name)
        if button is not None and button[0].pressed(reading):
            outputs += self._press(button[1], watch, monotonic_ns)
        return outputs

    def due(self, now_ns: int) -> list[Due]:
        """Return the timers that have run out by now, in a fixed order; cheap when there are none."""
        if now_ns < self._next_due_ns:
            return []
        timers = list(self._timers())
        self._next_due_ns = min((at for at, _ in timers), default=_NEVER)
        return [due for at, due in timers if at <= now_ns]

    def next_due_ns(self) -> int:
        """Return a time before which `due` is sure to return nothing."""
        return self._next_due_ns

    def let(self, due: Due, now_ns: int) -> list[Output]:
        """Apply one timer that has run out; one that no longer runs gives nothing but its own record.

        Raises:
            KeyError: the plan has no such subject.
        """
        record = self.record(EventKind.DUE, due.subject, {"due": due.kind}, now_ns)
        self._next_due_ns = 0
        return [record, *self._let(due, now_ns)]

    def command(self, body: Mapping[str, Any], now_ns: int) -> list[Output]:
        """Carry out a command: ``do`` and its keys, see `quietbench.daemon.core.commands`.

        Raises:
            CommandError: it can't be done; nothing has happened.
        """
        command = COMMANDS.get(str(body.get("do")))
        if command is None:
            raise CommandError(
                "no such command", got=repr(body.get("do")), wanted="one of: " + ", ".join(COMMANDS)
            )
        self._next_due_ns = 0
        return command(self, body, now_ns)

    def quiet(self, now_ns: int, *, on: bool) -> list[Output]:
        """Begin or end quiet hours: what does not protect shows and does not sound."""
        self._quiet = on
        outputs: list[Output] = [self.record(EventKind.CLOCK, self.plan.watcher, {"quiet": on}, now_ns)]
        for bench in self.benches.values():
            outputs += self._settle(bench, now_ns)
        return outputs

    def record(self, kind: EventKind, subject: str, body: Mapping[str, object], now_ns: int) -> Event:
        """Number an event; by itself it decides nothing."""
        return self._numbering.event(now_ns, kind, subject, body)

    # -- views -------------------------------------------------------------------------------------------

    def annunciations(self) -> tuple[Annunciation, ...]:
        """Return what each bench gives now, in the plan's order."""
        return tuple(self._given.values())

    def verdict(self, bench: str) -> Verdict:
        """Return a bench's verdict as last judged."""
        return self._verdicts[bench]

    def channel(self, name: str) -> ChannelWatch | None:
        """Return a channel by its name, or None."""
        return self._by_name.get(name)

    def channels(self) -> tuple[ChannelWatch, ...]:
        """Return every channel, in the plan's order."""
        return self._watches

    def readings(self) -> tuple[Reading, ...]:
        """Return the last reading of every channel that has one."""
        return tuple(watch.last for watch in self._watches if watch.last is not None)

    def alarms(self) -> tuple[Alarm, ...]:
        """Return every alarm that is not normal."""
        return tuple(self.book.open())

    # -- what commands do to a bench ---------------------------------------------------------------------

    def silence(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        """Quiet what sounds at a bench now, for the bench's silence time."""
        sounding = (a for a in self._standing(bench) if a.here and a.state in SOUNDING)
        bench.silenced = bench.silenced | {(alarm.alarm, alarm.since_ns) for alarm in sounding}
        if bench.silenced:
            bench.silenced_until_ns = now_ns + bench.bench.silence_ns
        self._next_due_ns = 0
        return self._settle(bench, now_ns)

    def begin_live(self, bench: BenchWatch, until_ns: int, now_ns: int) -> list[Output]:
        """Suppress the strap alarms of a bench by design until the end of its live work."""
        bench.live_until_ns = until_ns
        outputs: list[Output] = []
        for alarm in self._strap_alarms(bench):
            outputs += self._suppress_by_live_work(alarm, now_ns)
        return outputs + self._settle(bench, now_ns)

    def end_live(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        """Bring the strap alarms back; what was checked before live work counts no more."""
        bench.live_until_ns = None
        bench.ready_result, bench.ready_until_ns = "", None
        outputs: list[Output] = []
        for alarm in self._strap_alarms(bench):
            outputs += self._suppress_by_live_work(alarm, now_ns)
        return outputs + self._settle(bench, now_ns)

    def bring_back(self, alarm: Alarm, now_ns: int) -> list[Output]:
        """Bring a hidden alarm back; one of a strap that live work has taken off stays quiet until that ends."""
        return [*self.book.back(alarm, now_ns), *self._suppress_by_live_work(alarm, now_ns)]

    def take_ready(self, bench: BenchWatch, result: str, until_ns: int | None, now_ns: int) -> list[Output]:
        """Keep the result of a check before work, and until when it counts."""
        bench.ready_result, bench.ready_until_ns = result, until_ns
        self._next_due_ns = 0
        return self._settle(bench, now_ns)

    # -- inside, and for the commands --------------------------------------------------------------------

    def follow(self, watch: ChannelWatch, now_ns: int) -> list[Output]:
        """Carry a channel's changed conditions on to seats, alarms and benches."""
        benches = self._benches_of[watch.index]
        self._next_due_ns = 0
        outputs: list[Output] = []
        telling = watch.channel.quantity in _WHO_IS_THERE
        if telling:
            for bench in benches:
                for seat in bench.told_by.get(watch, ()):
                    seat.follow(now_ns)
        for alarm in self.book.of_channel[watch.index]:
            outputs += self._pursue(alarm, now_ns)
        if telling:
            for bench in benches:
                if bench.gates_moved():
                    outputs += self._regate(bench, now_ns)
        return outputs + self.settle_all(watch, now_ns)

    def settle_all(self, watch: ChannelWatch, now_ns: int) -> list[Output]:
        """Judge every bench that a channel concerns."""
        outputs: list[Output] = []
        benches: Iterable[BenchWatch] = self._benches_of[watch.index] or self.benches.values()
        for bench in benches:
            outputs += self._settle(bench, now_ns)
        return outputs

    def _let(self, due: Due, now_ns: int) -> list[Output]:
        kind, subject = due
        if kind == "silent":
            watch = self._by_name[subject]
            watch.fall_silent()
            return self.follow(watch, now_ns)
        if kind == "stuck":
            watch = self._by_name[subject]
            watch.fall_stuck()
            return self.follow(watch, now_ns)
        if kind in ("presence", "footwear"):
            return self._let_seat(kind, subject, now_ns)
        if kind in ("silence", "live", "ready"):
            return self._let_bench(kind, self.benches[subject], now_ns)
        return self._let_alarm(due, self.book.by_name[subject], now_ns)

    def _let_alarm(self, due: Due, alarm: Alarm, now_ns: int) -> list[Output]:
        if self.book.timers.pop(due, None) is None:
            return []
        if due.kind == "delay":
            events = self.book.turn(alarm, now_ns)
        elif due.kind == "shelf":
            return [*self.bring_back(alarm, now_ns), *self.settle_all(alarm.watch, now_ns)]
        else:
            events = self.book.move(alarm, AlarmInput.RESOUND, now_ns)
        return [*events, *self.settle_all(alarm.watch, now_ns)]

    def _let_seat(self, kind: str, subject: str, now_ns: int) -> list[Output]:
        for bench in self.benches.values():
            for seat in bench.seats:
                if seat.seat.name == subject:
                    if kind == "presence":
                        seat.leave()
                    else:
                        seat.expire_footwear()
                    return [*self._regate(bench, now_ns), *self._settle(bench, now_ns)]
        raise KeyError(subject)

    def _let_bench(self, kind: str, bench: BenchWatch, now_ns: int) -> list[Output]:
        if kind == "live":
            return self.end_live(bench, now_ns)
        if kind == "silence":
            bench.silenced, bench.silenced_until_ns = frozenset(), None
        if kind == "ready":
            bench.ready_until_ns = None
        return self._settle(bench, now_ns)

    def _press(self, bench: BenchWatch, watch: ChannelWatch, now_ns: int) -> list[Output]:
        """Do what a button stands for: quiet the buzzer, begin or end live work. Nobody is signed in for it."""
        if watch.channel.name in bench.bench.silence:
            return self.silence(bench, now_ns)
        if bench.live_until_ns is not None:
            return self.end_live(bench, now_ns)
        if bench.bench.strap_off_above_v is None:
            return []
        return self.begin_live(bench, now_ns + bench.bench.live_ns, now_ns)

    def _strap_alarms(self, bench: BenchWatch) -> Iterator[Alarm]:
        for seat in bench.seats:
            for strap in seat.straps:
                yield from (a for a in self.book.of_channel[strap.index] if not a.danger)

    def _suppress_by_live_work(self, alarm: Alarm, now_ns: int) -> list[Event]:
        """Suppress a strap's alarm while live work is declared there, and bring it back when it is not."""
        live = any(
            bench.live_until_ns is not None and alarm in self._strap_alarms(bench)
            for bench in self._benches_of[alarm.watch.index]
        )
        if live:
            return self.book.move(alarm, AlarmInput.SUPPRESS, now_ns)
        return self.book.back(alarm, now_ns) if alarm.state is AlarmState.SUPPRESSED else []

    def _regate(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        """Follow the conditions that count only while somebody is there."""
        outputs: list[Output] = []
        for watch in bench.gated:
            for alarm in self.book.of_channel[watch.index]:
                outputs += self._pursue(alarm, now_ns)
        return outputs

    def _pursue(self, alarm: Alarm, now_ns: int) -> list[Event]:
        gate_open = not alarm.watch.channel.gated or self._gate_open(alarm.watch)
        return self.book.pursue(alarm, now_ns, gate_open=gate_open)

    def _gate_open(self, watch: ChannelWatch) -> bool:
        benches = self._paths_of[watch.index]
        return any(bench.gate_open(watch) for bench in benches) or not benches

    def _settle(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        """Judge a bench anew; give its event where what it is changed, and what it shows where that did."""
        name = bench.bench.name
        outputs: list[Output] = []
        verdict = bench.verdict()
        before = self._verdicts.get(name)
        self._verdicts[name] = verdict
        given = annunciate(bench, now_ns, verdict, self._standing(bench), started=started(bench))
        shown = (verdict, bench.live_until_ns, given.ready, given.silenced)
        if shown != self._shown.get(name):
            self._shown[name] = shown
            outputs.append(
                self.record(EventKind.BENCH, name, event_body(bench, before, verdict, given), now_ns)
            )
        if _differs(given, self._given.get(name)):
            self._given[name] = given
            outputs.append(given)
        return outputs

    def _standing(self, bench: BenchWatch) -> list[Standing]:
        """Return the alarms that a bench shows: its own, the rooms', the watcher's, and any danger."""
        name = bench.bench.name
        return [
            standing_of(
                alarm,
                here=name in self._places_of[alarm.watch.index] or alarm.name.startswith(_WATCHER),
                quiet=self._quiet,
            )
            for alarm in self.book.shown_at(name)
        ]

    def _timers(self) -> Iterator[tuple[int, Due]]:
        for watch in self._watches:
            at = watch.silent_at_ns()
            if at is not None:
                yield at, Due("silent", watch.channel.name)
            at = watch.stuck_at_ns()
            if at is not None:
                yield at, Due("stuck", watch.channel.name)
        for bench in self.benches.values():
            yield from timers_of(bench)
        for due, at in self.book.timers.items():
            yield at, due


_WHO_IS_THERE = frozenset(
    {"presence", "board_out", "tool_hot", "strap_contact", "strap_resistance", "footwear_resistance"}
)
"""Quantities that tell who is at a bench and what is out: a change of theirs may open or close a gate."""


def _differs(given: Annunciation, before: Annunciation | None) -> bool:
    """Say whether anything but the time is new."""
    return before is None or given[2:] != before[2:]
