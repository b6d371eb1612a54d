"""Whatever happens in whatever order, some things must never be: checked against a naive reference.

The reference keeps only the last sample of each channel and asks the obvious questions of it, written anew.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from quietbench.daemon.core.alarm import HIDDEN
from quietbench.daemon.core.codec import plan_from_json, plan_to_json
from quietbench.daemon.core.engine import CommandError, Core, Kept
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.records import (
    AlarmState,
    BenchState,
    Event,
    EventKind,
    Output,
    Reading,
    Record,
    Rhythm,
)
from quietbench.daemon.core.replay import kept, replay
from quietbench.drivers.samples import Reason
from tests.core.plans import BOND, MAT, MAT_GOOD, MAT_OPEN, MS, PRESENCE, STRAP, one_bench
from tests.core.test_replay import written

WHO = {"person": "p1", "role": "operator", "why": "seen"}
PATHS = {STRAP: (0, 1), MAT: (MAT_OPEN, MAT_GOOD), BOND: (0, 1)}
SILENT_AFTER = 3000
HOLD = 10_000


class CoreAgainstReference(RuleBasedStateMachine):
    """Samples, bad polls, silence, absence, acknowledgements and restarts, in any order."""

    @initialize(delay_ms=st.sampled_from([0, 200]))
    def start(self, delay_ms: int) -> None:
        plan = one_bench(strap_on_delay_ns=delay_ms * MS)
        bench = replace(
            plan.benches[0], strap_off_above_v=50.0, ready_every_ns=60_000 * MS, silence_ns=5000 * MS
        )
        self.plan: Plan = replace(plan, benches=(bench,))
        self.delay_ms = delay_ms
        self.now_ms = 0
        self.begin({})

    def begin(self, restored: Kept, benches: Kept | None = None) -> None:
        self.core = Core(self.plan, self.now_ms * MS)
        self.records: list[Record] = []
        self.good: dict[int, bool | None] = dict.fromkeys((*PATHS, PRESENCE))
        self.bad_in_a_row = dict.fromkeys((*PATHS, PRESENCE), 0)
        self.last_ms = dict.fromkeys((*PATHS, PRESENCE), self.now_ms)
        self.fault = {
            c: f"{self.plan.channels[c].name}:fault" in restored_active(restored) for c in self.good
        }
        self.take(self.core.start(self.now_ms * MS, {}, restored, benches))

    def take(self, outputs: list[Output] | tuple[Output, ...]) -> None:
        self.records += kept(outputs)

    @rule(channel=st.sampled_from((*PATHS, PRESENCE)), good=st.booleans(), ms=st.integers(0, 150))
    def sample(self, channel: int, good: bool, ms: int) -> None:
        self.wait(ms)
        raw = PATHS.get(channel, (0, 1))[good]
        self.good[channel], self.bad_in_a_row[channel] = good, 0
        self.fault[channel] = False
        self.last_ms[channel] = self.now_ms
        self.take(self.core.feed(channel, self.now_ms * MS, raw))

    @rule(
        channel=st.sampled_from((*PATHS, PRESENCE)), reason=st.sampled_from([Reason.SILENT, Reason.UNPLUGGED])
    )
    def bad_poll(self, channel: int, reason: Reason) -> None:
        self.wait(100)
        self.bad_in_a_row[channel] += 1
        self.last_ms[channel] = self.now_ms
        if self.bad_in_a_row[channel] >= 2:
            self.fault[channel] = True
        self.take(self.core.feed(channel, self.now_ms * MS, None, reason))

    @rule(ms=st.sampled_from([1, 199, 200, 2999, 3000, 11_000]))
    def wait(self, ms: int) -> None:
        self.now_ms += ms
        for due in self.core.due(self.now_ms * MS):
            self.take(self.core.let(due, self.now_ms * MS))
        for channel, last_ms in self.last_ms.items():
            if self.now_ms - last_ms >= SILENT_AFTER:
                self.fault[channel] = True

    @precondition(lambda self: self.core.alarms())
    @rule(data=st.data())
    def acknowledge(self, data: st.DataObject) -> None:
        alarm = data.draw(st.sampled_from([a.name for a in self.core.alarms()]))
        try:
            self.take(self.core.command({"do": "acknowledge", "alarm": alarm, **WHO}, self.now_ms * MS))
        except CommandError:
            state = {a.name: a.state for a in self.core.alarms()}[alarm]
            assert state is AlarmState.ACKNOWLEDGED or state in HIDDEN

    @precondition(lambda self: hasattr(self, "core"))
    @rule(
        do=st.sampled_from(["shelve", "unshelve", "remove", "put-back", "reset"]),
        alarm=st.sampled_from(["b/strap:closed", "b/mat:change", "b/bond:closed", "b/mat:fault"]),
        for_s=st.sampled_from([1.0, 10.0, 1800.0, 1801.0]),
    )
    def hide_or_show(self, do: str, alarm: str, for_s: float) -> None:
        before = {a.name: a.state for a in self.core.alarms()}
        try:
            self.take(self.core.command({"do": do, "alarm": alarm, "for_s": for_s, **WHO}, self.now_ms * MS))
        except CommandError:
            assert {a.name: a.state for a in self.core.alarms()} == before, "a refusal leaves nothing"

    @precondition(lambda self: hasattr(self, "core"))
    @rule(
        do=st.sampled_from(["silence", "live", "end-live", "ready"]),
        result=st.sampled_from(["passed", "failed"]),
    )
    def tell_the_bench(self, do: str, result: str) -> None:
        body = {"do": do, "bench": "b", "for_s": 20.0, "result": result, **WHO}
        try:
            self.take(self.core.command(body, self.now_ms * MS))
        except CommandError:
            assert do == "end-live"

    @rule()
    def restart(self) -> None:
        self.check_replay()
        states = {
            e.subject: {
                "state": e.body["to"],
                "standing": e.body["condition"],
                "until_ns": e.body["until_ns"],
            }
            for e in self.records
            if isinstance(e, Event) and e.kind is EventKind.ALARM
        }
        first = self.records[0]
        assert isinstance(first, Event)
        self.now_ms += 500
        bench = self.core.benches["b"]
        declared = {
            "live_until_ns": bench.live_until_ns,
            "ready_result": bench.ready_result,
            "ready_until_ns": bench.ready_until_ns,
        }
        self.begin({**dict(first.body["restored"]), **states}, {"b": declared})  # type: ignore[call-overload]

    def trusted(self, channel: int) -> bool:
        return self.good[channel] is not None and not self.fault[channel]

    @invariant()
    def held_means_every_path_is_good(self) -> None:
        if not hasattr(self, "core"):
            return
        all_good = all(self.trusted(c) and self.good[c] for c in PATHS)
        state = self.core.annunciations()[0].state
        if state is BenchState.HELD:
            assert all_good
        if all_good:
            assert state is BenchState.HELD, "a closed strap: somebody is there, and all is good"

    @invariant()
    def an_open_path_is_open_and_never_called_anything_better(self) -> None:
        if not hasattr(self, "core"):
            return
        given = self.core.annunciations()[0]
        if any(self.trusted(c) and self.good[c] is False for c in PATHS):
            assert given.state in (BenchState.OPEN, BenchState.EMPTY)
            idle = self.trusted(STRAP) and self.good[STRAP] is False
            absent = self.trusted(PRESENCE) and self.good[PRESENCE] is False
            assert given.state is BenchState.OPEN or (idle and absent)

    @invariant()
    def the_relay_is_up_only_while_held_or_empty(self) -> None:
        if not hasattr(self, "core"):
            return
        given = self.core.annunciations()[0]
        assert given.relay is (given.state in (BenchState.HELD, BenchState.EMPTY))

    @invariant()
    def no_unacknowledged_alarm_of_a_path_is_silent(self) -> None:
        if not hasattr(self, "core"):
            return
        given = self.core.annunciations()[0]
        waiting = [a for a in self.core.alarms() if a.state is AlarmState.UNACKNOWLEDGED and a.protects]
        if waiting:
            silenced = self.core.benches["b"].silenced
            assert given.rhythm is Rhythm.HIGH or all((a.name, a.since_ns) in silenced for a in waiting)

    @invariant()
    def no_standing_condition_is_without_an_alarm(self) -> None:
        if not hasattr(self, "core"):
            return
        active = {a.name for a in self.core.alarms() if a.standing}
        for alarm in self.core.alarms():
            if alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
                assert alarm.standing
            if alarm.standing:
                assert alarm.state in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, *HIDDEN}
        for channel, faulty in self.fault.items():
            assert (f"{self.plan.channels[channel].name}:fault" in active) is faulty
        for channel, name in ((MAT, "b/mat:change"), (BOND, "b/bond:closed")):
            if self.trusted(channel):
                assert (name in active) is (self.good[channel] is False)

    def check_replay(self) -> None:
        again = list(replay(plan_from_json(plan_to_json(self.plan)), self.records))
        assert written(again) == written(self.records)

    def teardown(self) -> None:
        if hasattr(self, "core"):
            self.check_replay()
            counts = [r.count for r in self.records if isinstance(r, (Event, Reading))]
            assert counts == list(range(1, len(counts) + 1))


def restored_active(restored: Kept) -> set[str]:
    return {name for name, kept_state in restored.items() if kept_state["standing"]}


TestCoreAgainstReference = pytest.mark.slow(CoreAgainstReference.TestCase)
TestCoreAgainstReference.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
