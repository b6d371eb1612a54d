"""The core: feeds samples through channels, alarms and benches, and gives out what follows.

Inputs are samples (`Core.feed`), timers that have run out (`Core.due` says which, `Core.let` applies one) and
commands (`Core.command`). Timers are inputs of their own, so that a recorded run replays to the byte: the record
says which timer ran out between which samples, and replay asks no clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from quietbench.daemon.core.alarm import ACTIVE, AlarmInput
from quietbench.daemon.core.alarms import Alarm, event_body, sentence_of
from quietbench.daemon.core.annunciate import Standing, annunciate
from quietbench.daemon.core.bench import BenchWatch, Verdict
from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import (
    AlarmState,
    Annunciation,
    BenchState,
    Event,
    EventKind,
    Output,
    Reading,
)
from quietbench.drivers.samples import Reason

_NEVER = 1 << 62
_WATCHER = "watcher/"


class CommandError(ValueError):
    """A command that can't be carried out: ``what`` went wrong, what was ``got``, what would be ``wanted``."""

    def __init__(self, what: str, *, got: str, wanted: str) -> None:
        super().__init__(f"{what}: got {got}, wanted {wanted}")
        self.what, self.got, self.wanted = what, got, wanted


@dataclass(frozen=True, slots=True)
class Due:
    """A timer that has run out: "delay" of an alarm, "silent" of a channel, "presence" of a bench."""

    kind: str
    subject: str


class Core:
    """All rules over one plan. Not thread-safe: one thread feeds it.

    Raises:
        ValueError: the plan names a stretch that does not lead to earth.
    """

    def __init__(self, plan: Plan, now_ns: int) -> None:
        self.plan = plan
        self._count = 0
        self._watches = tuple(ChannelWatch(i, c, now_ns) for i, c in enumerate(plan.channels))
        self._by_name = {watch.channel.name: watch for watch in self._watches}
        self._benches = {bench.name: BenchWatch(bench, self._watches) for bench in plan.benches}
        self._verdicts: dict[str, Verdict] = {}
        self._given: dict[str, Annunciation] = {}
        self._alarms = {
            condition.alarm: Alarm(watch, condition)
            for watch in self._watches
            for condition in watch.conditions()
        }
        self._alarms_of = tuple(
            tuple(self._alarms[c.alarm] for c in watch.conditions()) for watch in self._watches
        )
        self._benches_of = tuple(
            tuple(bench for bench in self._benches.values() if watch in bench.channels)
            for watch in self._watches
        )
        self._places_of = tuple(frozenset(b.bench.name for b in benches) for benches in self._benches_of)
        self._active: dict[str, Alarm] = {}
        self._next_due_ns = 0

    # -- inputs ------------------------------------------------------------------------------------------

    def start(self, now_ns: int, body: Mapping[str, object], restored: Mapping[str, str]) -> list[Output]:
        """Begin a run: restore the alarms of the run before, and give every bench its first state.

        ``body`` says what runs (software, hashes); ``restored`` maps alarm ids to states, unknown ids are left
        out. A restored alarm keeps its state until its channel shows otherwise.
        """
        kept = {name: state for name, state in sorted(restored.items()) if name in self._alarms}
        for name, state in kept.items():
            self._restore(self._alarms[name], AlarmState(state), now_ns)
        run = self._event(now_ns, EventKind.RUN, self.plan.watcher, {**body, "restored": kept})
        outputs: list[Output] = [run]
        for bench in self._benches.values():
            outputs += self._settle(bench, now_ns)
        return outputs

    def feed(
        self, channel: int, monotonic_ns: int, raw: float | None, given: Reason | None = None
    ) -> tuple[Output, ...] | list[Output]:
        """Take one sample of the channel with this index in the plan; return what follows, in order.

        A kept reading has its record number; one that changes nothing and is not kept is returned too, for
        live views, with number 0. A sample older than the channel's last one gives nothing.
        """
        taken = self._watches[channel].take(monotonic_ns, raw, given)
        if taken is None:
            return ()
        reading, changed = taken
        if reading.keep:
            self._count += 1
            reading = reading._replace(count=self._count)
        if not changed:
            return (reading,)
        return [reading, *self._follow(self._watches[channel], monotonic_ns)]

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
        """Apply one timer that has run out; one that no longer runs gives nothing.

        Raises:
            KeyError: the plan has no such subject.
        """
        record = self._event(now_ns, EventKind.DUE, due.subject, {"due": due.kind})
        self._next_due_ns = 0
        if due.kind == "silent":
            watch = self._by_name[due.subject]
            watch.fall_silent()
            return [record, *self._follow(watch, now_ns)]
        if due.kind == "presence":
            return [record, *self._left(self._benches[due.subject], now_ns)]
        alarm = self._alarms[due.subject]
        alarm.due_ns = None
        outputs: list[Output] = [record, *self._move(alarm, _towards(alarm), now_ns)]
        return outputs + self._settle_all(alarm.watch, now_ns)

    def acknowledge(self, alarm: str, now_ns: int, who: Mapping[str, object]) -> list[Output]:
        """Acknowledge an alarm; ``who`` (person's id, role, reason) goes into the record as it is.

        Raises:
            CommandError: no such alarm, or nothing there to acknowledge.
        """
        known = self._alarms.get(alarm)
        if known is None:
            raise CommandError("no such alarm", got=alarm, wanted=_some(self._unacknowledged()))
        if known.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED):
            raise CommandError(
                f"{alarm} waits for no acknowledgement", got=known.state.value, wanted="unacknowledged"
            )
        body = {"do": "acknowledge", "alarm": alarm, **who}
        command = self._event(now_ns, EventKind.COMMAND, alarm, body)
        moved = self._move(known, AlarmInput.ACKNOWLEDGE, now_ns)
        return [command, *moved, *self._settle_all(known.watch, now_ns)]

    def enter(self, channel: str, value: float, now_ns: int, who: Mapping[str, object]) -> list[Output]:
        """Judge a periodic check entered by hand (``value`` in the channel's unit) and record it.

        ``who`` says person, role, reason and instrument.

        Raises:
            CommandError: no such channel, or it has no limit that is checked by hand.
        """
        watch = self._by_name.get(channel)
        if watch is None:
            raise CommandError("no such channel", got=channel, wanted=_some(self._entered_channels()))
        if not watch.entered:
            raise CommandError(
                "no limit of this channel is checked by hand",
                got=channel,
                wanted=_some(self._entered_channels()),
            )
        body = {"do": "enter", "channel": channel, "value": value, **who}
        command = self._event(now_ns, EventKind.COMMAND, channel, body)
        changed = watch.judge_entered(value)
        if not changed:
            return [command]
        return [command, *self._follow(watch, now_ns)]

    def remark(self, subject: str, now_ns: int, body: Mapping[str, object]) -> list[Output]:
        """Record what a person did or saw about a subject (a repair, a note); it decides nothing here."""
        return [self._event(now_ns, EventKind.COMMAND, subject, dict(body))]

    def note(self, kind: EventKind, subject: str, body: Mapping[str, object], now_ns: int) -> Event:
        """Number an event that decides nothing here (a clock step, the end of a run)."""
        return self._event(now_ns, kind, subject, dict(body))

    # -- views -------------------------------------------------------------------------------------------

    def annunciations(self) -> tuple[Annunciation, ...]:
        """Return what each bench gives now, in the plan's order."""
        return tuple(self._given.values())

    def verdict(self, bench: str) -> Verdict:
        """Return a bench's verdict as last judged."""
        return self._verdicts[bench]

    def bench(self, name: str) -> BenchWatch:
        """Return a bench's watch, for views."""
        return self._benches[name]

    def readings(self) -> tuple[Reading, ...]:
        """Return the last reading of every channel that has one."""
        return tuple(watch.last for watch in self._watches if watch.last is not None)

    def alarms(self) -> tuple[Alarm, ...]:
        """Return every alarm that is not normal."""
        return tuple(a for a in self._alarms.values() if a.state is not AlarmState.NORMAL)

    # -- inside ------------------------------------------------------------------------------------------

    def _event(self, now_ns: int, kind: EventKind, subject: str, body: dict[str, object]) -> Event:
        self._count += 1
        return Event(self._count, now_ns, kind, subject, body)

    def _restore(self, alarm: Alarm, state: AlarmState, now_ns: int) -> None:
        alarm.state, alarm.since_ns = state, now_ns
        alarm.condition.holds = state in ACTIVE
        alarm.sentence = sentence_of(alarm)
        self._list(alarm)

    def _list(self, alarm: Alarm) -> None:
        """Keep the few active alarms at hand, so that a bench need not look through all."""
        if alarm.active:
            self._active[alarm.name] = alarm
        else:
            self._active.pop(alarm.name, None)

    def _follow(self, watch: ChannelWatch, now_ns: int) -> list[Output]:
        """Carry a channel's changed conditions on to presence, alarms and benches."""
        benches = self._benches_of[watch.index]
        arrived = [bench for bench in benches if bench.follow_presence(now_ns)]
        self._next_due_ns = 0
        outputs: list[Output] = []
        for alarm in self._alarms_of[watch.index]:
            outputs += self._pursue(alarm, now_ns)
        for bench in arrived:
            outputs += self._regate(bench, now_ns)
        return outputs + self._settle_all(watch, now_ns)

    def _left(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        bench.leave()
        return [*self._regate(bench, now_ns), *self._settle(bench, now_ns)]

    def _regate(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        """Follow the conditions that count only while somebody is there."""
        outputs: list[Output] = []
        for watch in bench.channels:
            if watch.channel.gated:
                for alarm in self._alarms_of[watch.index]:
                    outputs += self._pursue(alarm, now_ns)
        return outputs

    def _pursue(self, alarm: Alarm, now_ns: int) -> list[Output]:
        """Let an alarm follow its condition: at once, after its delay, or not at all where it turned back."""
        wanted = alarm.wanted(gate_open=self._gate_open(alarm.watch))
        if wanted == alarm.active:
            alarm.due_ns = None
            return []
        delay_ns = alarm.delay_ns(towards_active=wanted)
        if delay_ns == 0:
            return self._move(alarm, _towards(alarm), now_ns)
        if alarm.due_ns is None:
            alarm.due_ns = now_ns + delay_ns
        return []

    def _gate_open(self, watch: ChannelWatch) -> bool:
        benches = [b for b in self._benches_of[watch.index] if watch in b.paths]
        return any(bench.somebody() for bench in benches) or not benches

    def _move(self, alarm: Alarm, happening: AlarmInput, now_ns: int) -> list[Output]:
        moved = alarm.move(happening, now_ns)
        if moved is None:
            return []
        self._list(alarm)
        body = event_body(alarm, *moved, happening)
        return [self._event(now_ns, EventKind.ALARM, alarm.name, body)]

    def _settle_all(self, watch: ChannelWatch, now_ns: int) -> list[Output]:
        outputs: list[Output] = []
        benches: Iterable[BenchWatch] = self._benches_of[watch.index] or self._benches.values()
        for bench in benches:
            outputs += self._settle(bench, now_ns)
        return outputs

    def _settle(self, bench: BenchWatch, now_ns: int) -> list[Output]:
        """Judge a bench anew; return a bench event where its verdict changed, and what it gives where that did."""
        name = bench.bench.name
        outputs: list[Output] = []
        verdict = bench.verdict()
        before = self._verdicts.get(name)
        if verdict != before:
            self._verdicts[name] = verdict
            outputs.append(self._event(now_ns, EventKind.BENCH, name, _bench_body(name, before, verdict)))
        given = annunciate(name, now_ns, verdict, self._standing(bench), started=self._started(bench))
        if _differs(given, self._given.get(name)):
            self._given[name] = given
            outputs.append(given)
        return outputs

    def _standing(self, bench: BenchWatch) -> list[Standing]:
        """Return the active alarms that a bench shows: its own, the rooms', the watcher's."""
        name = bench.bench.name
        return [
            Standing(
                alarm.name,
                alarm.state,
                alarm.priority,
                alarm.protects,
                alarm.condition.limit is None,
                name in places or alarm.name.startswith(_WATCHER),
                alarm.since_ns,
                alarm.said(),
            )
            for alarm in self._active.values()
            if not (places := self._places_of[alarm.watch.index]) or name in places
        ]

    def _started(self, bench: BenchWatch) -> bool:
        return all(watch.valid is not None or watch.fault.holds for watch in bench.paths)

    def _timers(self) -> Iterable[tuple[int, Due]]:
        for watch in self._watches:
            at = watch.silent_at_ns()
            if at is not None:
                yield at, Due("silent", watch.channel.name)
        for bench in self._benches.values():
            leaves_at = bench.leaves_at_ns()
            if leaves_at is not None:
                yield leaves_at, Due("presence", bench.bench.name)
        for alarm in self._alarms.values():
            if alarm.due_ns is not None:
                yield alarm.due_ns, Due("delay", alarm.name)

    def _unacknowledged(self) -> list[str]:
        waiting = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
        return [name for name, alarm in self._alarms.items() if alarm.state in waiting]

    def _entered_channels(self) -> list[str]:
        return [watch.channel.name for watch in self._watches if watch.entered]


def _towards(alarm: Alarm) -> AlarmInput:
    return AlarmInput.RETURN if alarm.active else AlarmInput.OCCUR


def _bench_body(name: str, before: Verdict | None, verdict: Verdict) -> dict[str, object]:
    return {
        "bench": name,
        "from": BenchState.UNKNOWN.value if before is None else before.state.value,
        "to": verdict.state.value,
        "open": list(verdict.open),
        "unknown": list(verdict.unknown),
        "unwatched": list(verdict.unwatched),
    }


def _differs(given: Annunciation, before: Annunciation | None) -> bool:
    if before is None:
        return True
    return (given.state, given.rhythm, given.lamp, given.flashing, given.leading, given.sentence) != (
        before.state,
        before.rhythm,
        before.lamp,
        before.flashing,
        before.leading,
        before.sentence,
    )


def _some(names: list[str]) -> str:
    return "one of: " + ", ".join(names) if names else "one that is there; now there is none"
