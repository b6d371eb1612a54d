"""One recorded run under another plan: the same core, fed what was recorded, with the delays of changed alarms anew.

Timers that the record holds are applied as recorded: silence, presence, and the delays of alarms that stay as they
were. (Silence can't be judged anew from a thinned record, where every channel is silent for a heartbeat.) The
delays of changed alarms run here, and end on their nanosecond.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from quietbench.daemon.core.engine import CommandError, Core, Due
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Channel, Limit, Plan
from quietbench.daemon.core.records import Event, EventKind, Output, Quality, Reading
from quietbench.daemon.core.replay import again, taken_over
from quietbench.daemon.store.stored import StoredEvent, StoredReading
from quietbench.daemon.upkeep.amending import limits_by_alarm
from quietbench.daemon.upkeep.figures import Period
from quietbench.daemon.upkeep.history import Run, StoredRecord
from quietbench.daemon.upkeep.occurrences import HIDDEN, change_of
from quietbench.daemon.upkeep.tally import BenchDoubt, Openings, Tally
from quietbench.daemon.upkeep.thinned import Doubt, may_differ

__all__ = ["Outcome", "Rerun", "changed_alarms"]

_FAR_NS = 1 << 62
_DELAY = "delay"


@dataclass(slots=True)
class Outcome:
    """What several runs gave, recorded and under the other plan.

    ``openings`` are those of alarms of which only delays changed; ``bounds`` holds fewest and most alarms where
    thinning left a crossing open. ``doubts`` is the time by bench that may have been open, or not. ``skipped``
    counts recorded commands and timers that found nothing to act on; ``states`` carries alarms from run to run.
    """

    recorded: Tally
    other: Tally
    openings: dict[str, Openings]
    bounds: dict[str, tuple[int, int | None]]
    doubts: dict[str, BenchDoubt]
    skipped: Counter[str]
    states: dict[str, dict[str, object]]
    records: int = 0

    @classmethod
    def empty(cls, period: Period) -> Outcome:
        """Return one without any run."""
        return cls(Tally(period), Tally(period), {}, {}, {}, Counter(), {})


def changed_alarms(before: Plan, after: Plan) -> frozenset[str]:
    """Return the ids of alarms whose limit is there in only one plan, or differs."""
    old, new = limits_by_alarm(before), limits_by_alarm(after)
    return frozenset(alarm for alarm in old.keys() | new.keys() if old.get(alarm) != new.get(alarm))


class Rerun:
    """Takes the records of one run, in order, and adds what follows to an outcome."""

    def __init__(self, run: Run, plans: tuple[Plan, Plan], first: StoredEvent, outcome: Outcome) -> None:
        before, after = plans
        self._run, self._plan, self._outcome = run, after, outcome
        self._changed = changed_alarms(before, after)
        self._index = {channel.name: place for place, channel in enumerate(after.channels)}
        self._core = Core(after, first.monotonic_ns)
        old = limits_by_alarm(before)
        self._delays = frozenset(Due(_DELAY, alarm) for alarm in self._changed)
        self._followed = {
            channel.name: _Followed(channel, self._changed, old, outcome)
            for channel in after.channels
            if any(f"{channel.name}:{limit.name}" in self._changed for limit in channel.limits)
        }
        self._comings = frozenset(c.name for c in after.channels if c.quantity == "presence")
        self._counting = False
        outcome.recorded.begin_run()
        outcome.other.begin_run()
        self._watch_benches()
        self._start(first)

    def take(self, record: StoredRecord) -> None:
        """Take the next record."""
        at_ns = self._run.at_ns(record.monotonic_ns)
        if not self._counting and at_ns > self._outcome.other.period.since_ns:
            self._begin_counting()
        if self._core.book.timers:
            self._run_delays(record.monotonic_ns)
        self._outcome.records += 1
        if isinstance(record, StoredReading):
            self._reading(record, at_ns)
        else:
            self._event(record, at_ns)

    def finish(self, last_ns: int) -> None:
        """End the run at its last time (ns of the time line)."""
        self._run_delays(last_ns - self._run.offset_ns)
        self._outcome.recorded.end_run(last_ns)
        self._outcome.other.end_run(last_ns)
        for doubt in self._outcome.doubts.values():
            doubt.end_run(last_ns)
        for followed in self._followed.values():
            followed.finish(last_ns)

    # -- inside ------------------------------------------------------------------------------------------

    def _watch_benches(self) -> None:
        doubted = [followed for followed in self._followed.values() if followed.protecting]
        for bench in self._plan.benches:
            crossing = [
                followed for followed in doubted if followed.channel.measures & bench.stretches.keys()
            ]
            if crossing:
                known = self._outcome.doubts.setdefault(bench.name, BenchDoubt(self._outcome.other.period))
                known.begin_run([doubt for followed in crossing for doubt in followed.protecting])
            for followed in crossing:
                followed.doubted_benches.append(bench.name)

    def _start(self, first: StoredEvent) -> None:
        body, alarms, benches = taken_over(first.body)
        mine = {alarm: state for alarm, state in self._outcome.states.items() if alarm in self._changed}
        outputs = self._core.start(first.monotonic_ns, body, {**alarms, **mine}, benches)
        self._give(outputs, self._run.at_ns(first.monotonic_ns))

    def _begin_counting(self) -> None:
        self._counting = True
        for followed in self._followed.values():
            followed.count_from_here()

    def _reading(self, record: StoredReading, at_ns: int) -> None:
        outputs = self._core.feed(self._index[record.channel], record.monotonic_ns, record.raw, record.given)
        followed = self._followed.get(record.channel)
        if followed is not None and outputs:
            first = outputs[0]
            assert isinstance(first, Reading)
            followed.take(at_ns, first, self._outcome)
            for bench in followed.doubted_benches:
                self._settle_doubt(bench, at_ns)
        if record.channel in self._comings:
            for other in self._followed.values():
                other.split(at_ns)
        if len(outputs) > 1:
            self._give(outputs, at_ns)

    def _event(self, record: StoredEvent, at_ns: int) -> None:
        if record.kind is EventKind.ALARM:
            self._outcome.recorded.alarm(change_of(at_ns, record.subject, record.body))
            self._heard(record.subject, at_ns)
        elif record.kind is EventKind.BENCH:
            self._outcome.recorded.bench(at_ns, record.subject, str(record.body["to"]))
        elif not self._superseded(record):
            self._give(self._applied(record), at_ns)

    def _superseded(self, record: StoredEvent) -> bool:
        is_delay = record.kind is EventKind.DUE and record.body.get("due") == _DELAY
        return is_delay and record.subject in self._changed

    def _applied(self, record: StoredEvent) -> Sequence[Output]:
        event = Event(record.count, record.monotonic_ns, record.kind, record.subject, record.body)
        try:
            return list(again(self._core, event))
        except (CommandError, KeyError):
            # An acknowledgement of an alarm that does not stand here, or of one that this plan does not have.
            self._outcome.skipped[str(record.body.get("do", record.body.get("due", record.kind.value)))] += 1
            return ()

    def _give(self, outputs: Iterable[Output], at_ns: int) -> None:
        for output in outputs:
            if not isinstance(output, Event):
                continue
            if output.kind is EventKind.ALARM:
                change = change_of(at_ns, output.subject, output.body)
                self._outcome.other.alarm(change)
                if change.after in HIDDEN:  # until when stands in the record alone
                    self._outcome.states.pop(change.alarm, None)
                else:
                    state: dict[str, object] = {"state": change.after, "standing": change.condition}
                    self._outcome.states[change.alarm] = state
                self._heard(change.alarm, at_ns)
            elif output.kind is EventKind.BENCH:
                self._outcome.other.bench(at_ns, output.subject, str(output.body["to"]))
                self._settle_doubt(output.subject, at_ns)

    def _heard(self, alarm: str, at_ns: int) -> None:
        opening = self._outcome.openings.get(alarm)
        if opening is not None:
            opening.hear(at_ns, self._outcome.recorded.sounds(alarm), self._outcome.other.sounds(alarm))

    def _settle_doubt(self, bench: str, at_ns: int) -> None:
        doubt = self._outcome.doubts.get(bench)
        if doubt is not None:
            doubt.follow(at_ns, self._outcome.other.state(bench))

    # -- delays ------------------------------------------------------------------------------------------

    def _run_delays(self, until_ns: int) -> None:
        """Apply the delays that run out by a time, each at its own: one that ends with a sample goes before it."""
        while True:
            running = ((at, due) for due, at in self._core.book.timers.items() if due in self._delays)
            at_ns, due = min(running, default=(_FAR_NS, None))
            if due is None or at_ns > until_ns:
                return
            self._give(self._core.let(due, at_ns), self._run.at_ns(at_ns))


class _Followed:
    """A channel with changed limits: who hears its openings, and what its dropped samples may have done."""

    def __init__(
        self, channel: Channel, changed: frozenset[str], old: Mapping[str, Limit], outcome: Outcome
    ) -> None:
        self.channel = channel
        self._outcome = outcome
        self._doubts: dict[str, Doubt] = {}
        self._shown: dict[str, int] = {}
        self.protecting: list[Doubt] = []
        self.doubted_benches: list[str] = []
        self._exact: list[tuple[Limit, Openings]] = []
        for limit in channel.limits:
            alarm = f"{channel.name}:{limit.name}"
            if alarm in changed and not limit.entered:
                self._follow(alarm, limit, old.get(alarm))

    def _follow(self, alarm: str, limit: Limit, recorded: Limit | None) -> None:
        if may_differ(self.channel, limit, recorded):
            doubt = self._doubts[alarm] = Doubt(self.channel, limit, recorded, active=False)
            self._shown[alarm] = self._outcome.other.alarms[alarm]
            if limit.protects:
                self.protecting.append(doubt)
        elif recorded is not None and not recorded.entered:
            opening = self._outcome.openings.setdefault(alarm, Openings(self._outcome.other.period))
            self._exact.append((limit, opening))

    def take(self, at_ns: int, reading: Reading, outcome: Outcome) -> None:
        """Follow a kept reading as the core judged it."""
        bad = reading.quality is Quality.BAD or reading.value is None
        for doubt in self._doubts.values():
            doubt.take(at_ns, reading.raw, None if bad else reading.value, reading.sense)
        if bad or reading.value is None:
            return
        for limit, opening in self._exact:
            now = zone(limit, reading.value, reading.sense)
            if now is not Zone.DEADBAND:
                alarm = f"{self.channel.name}:{limit.name}"
                sounds = outcome.recorded.sounds(alarm), outcome.other.sounds(alarm)
                opening.become(at_ns, now is Zone.VIOLATING, *sounds)

    def split(self, at_ns: int) -> None:
        """Take note that somebody may have come or gone."""
        if self.channel.gated:
            for doubt in self._doubts.values():
                doubt.split(at_ns)

    def count_from_here(self) -> None:
        """Begin to count: the period begins."""
        for doubt in self._doubts.values():
            doubt.count_from_here()

    def finish(self, at_ns: int) -> None:
        """Add what the run's dropped samples may have done to the outcome."""
        for _, opening in self._exact:
            opening.end_run()
        for alarm, doubt in self._doubts.items():
            shown = self._outcome.other.alarms[alarm] - self._shown[alarm]
            fewest, most = doubt.bounds(shown, at_ns)
            before = self._outcome.bounds.get(alarm, (0, 0))
            upper = None if before[1] is None or most is None else before[1] + most
            self._outcome.bounds[alarm] = (before[0] + fewest, upper)
