"""The check before work: every step and every way out of it, by a real core and a hand-moved clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from quietbench.daemon.core.channel import TEST_MOST_NS
from quietbench.daemon.core.codec import canonical
from quietbench.daemon.core.convert import Divider
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Limit, Plan, Priority, Requirement, Seat
from quietbench.daemon.core.ready import MOST_DETAIL_BYTES, ReadyCheck, refusal
from quietbench.daemon.core.ready_parts import (
    ASK_NS,
    COLOUR_NS,
    PRESS_NOT_BEFORE_NS,
    PRESS_NS,
    READINGS_NS,
    REFERENCE_NS,
    STRAP_NS,
    Acknowledge,
    Act,
    Calm,
    News,
    Outcome,
    Outfit,
    Reference,
    Result,
    Say,
    Signal,
    Switch,
)
from quietbench.daemon.core.ready_steps import CalibrationStep
from quietbench.daemon.core.records import AlarmState, BenchState, Lamp, Record, Rhythm
from quietbench.daemon.core.replay import kept, replay
from quietbench.daemon.ready_words import WORDS, say
from quietbench.drivers.samples import Reason
from tests.core.plans import BOND, HUMIDITY, MAT, MAT_GOOD, MAT_OPEN, MS, OWN, PRESENCE, STRAP, one_bench
from tests.core.test_replay import written

WHO = {"person": "p1", "role": "operator", "why": "start of shift"}
COLOURS = (Lamp.RED, Lamp.YELLOW, Lamp.GREEN)
FULL = Outfit(buzzer=True, colours=COLOURS)
BARE = Outfit(buzzer=False)
GOOD = {PRESENCE: 1, STRAP: 1, MAT: MAT_GOOD, BOND: 1, HUMIDITY: 450}
ROUND_NS = 50 * MS


def counts(ohm: float) -> int:
    """What the converter of the mat gives for a resistance."""
    return round(4096 * ohm / (ohm + 1e7) - 0.5)


class Walk:
    """A bench and its check. ``levels`` is what every channel reads, ``wire`` what a resistor reads in the mat's."""

    def __init__(
        self,
        outfit: Outfit = BARE,
        *,
        plan: Plan | None = None,
        by_button: bool = False,
        levels: dict[int, float | None] | None = None,
        start: bool = True,
    ) -> None:
        self.plan = plan or one_bench()
        self.now_ns = 0
        self.core = Core(self.plan, 0)
        self.records: list[Record] = []
        self.levels: dict[int, float | None] = {**GOOD, **(levels or {})}
        self.wire: Callable[[float], float] | None = None
        self.acts: list[Act] = []
        self.switched: list[Reference] = []
        self._clean_ns = -1
        self.check: ReadyCheck | None = None
        self.records += kept(self.core.start(0, {}, {}))
        self.poll()
        if start:
            self.begin(outfit, by_button=by_button)

    def begin(self, outfit: Outfit, *, by_button: bool = False) -> None:
        self.check = ReadyCheck(self.core, "b", outfit, by_button=by_button, now_ns=self.now_ns)
        self.turn()

    @property
    def running(self) -> ReadyCheck:
        assert self.check is not None
        return self.check

    def take(self, outputs: Any) -> None:
        self.records += kept(outputs)
        if self.check is not None:
            self.check.see(outputs)

    def poll(self) -> None:
        for due in self.core.due(self.now_ns):
            self.take(self.core.let(due, self.now_ns))
        for channel, raw in self.levels.items():
            given = None if raw is not None else Reason.SILENT
            if channel == MAT and (self.switched or self.now_ns <= self._clean_ns):
                given = given or Reason.SELF_TEST
                if self.wire is not None and self.switched:
                    raw = self.wire(self.switched[-1].ohm)
            self.take(self.core.feed(channel, self.now_ns, raw, given))

    def set(self, channel: int, raw: float) -> None:
        self.levels[channel] = raw
        self.poll()
        self.turn()

    def turn(self, **news: Any) -> list[Act]:
        acts = self.running.turn(self.now_ns, News(**news))
        self.do(acts)
        return acts

    def do(self, acts: list[Act]) -> None:
        self.acts += acts
        for act in acts:
            if isinstance(act, Switch) and act.on:
                self.switched.append(act.reference)
            elif isinstance(act, Switch) and act.reference in self.switched:
                self.switched.remove(act.reference)
                self._clean_ns = self.now_ns + 500 * MS
            elif isinstance(act, Acknowledge):
                body = {"do": "acknowledge", "alarm": act.alarm, **WHO}
                self.take(self.core.command(body, self.now_ns))

    def wait(self, ns: int) -> None:
        end_ns = self.now_ns + ns
        while self.now_ns < end_ns:
            self.now_ns = min(end_ns, self.now_ns + ROUND_NS)
            self.poll()
            self.turn()

    def until(self, what: str, most_ns: int = 60_000 * MS) -> None:
        """Go on until a step of this name has begun to speak, or the check is over."""
        end_ns = self.now_ns + most_ns
        while not any(isinstance(a, Say) and a.step == what for a in self.acts):
            assert self.now_ns < end_ns, f"{what} never began: {self.outcomes()}"
            self.wait(ROUND_NS)

    def lift(self, ns: int = 1000 * MS) -> None:
        self.wait(ROUND_NS)
        self.set(STRAP, 0)
        self.wait(ns)
        self.set(STRAP, 1)

    def finish(self) -> None:
        for _ in range(10_000):
            if self.running.result is not None:
                return
            self.wait(ROUND_NS)
        raise AssertionError("the check never ended")

    def outcomes(self) -> dict[str, tuple[str, str]]:
        return {o.step: (o.result.value, o.why) for o in self.running.outcomes}

    def signals(self) -> list[tuple[Rhythm | None, Lamp | None]]:
        return [(a.rhythm, a.lamp) for a in self.acts if isinstance(a, Signal)]


def passed_so_far(outfit: Outfit = FULL, *, plan: Plan | None = None) -> Walk:
    """Everything answered with yes, up to the strap."""
    walk = Walk(outfit, plan=plan)
    for _ in range(len(outfit.colours) + outfit.buzzer):
        walk.turn(answer=True)
    walk.until("strap b")
    return walk


# -- the whole walk --------------------------------------------------------------------------------------


def test_a_whole_check_passes_with_every_number() -> None:
    """Lamp, buzzer, channels, strap, air; the record says what was tried, seen and read."""
    walk = passed_so_far()
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert {step: result for step, (result, _) in walk.outcomes().items()} == {
        "lamp red": "passed",
        "lamp yellow": "passed",
        "lamp green": "passed",
        "buzzer": "passed",
        "b/strap": "passed",
        "b/mat": "passed",
        "b/bond": "passed",
        "b/presence": "passed",
        "bench state": "passed",
        "calibration": "noted",
        "strap b": "passed",
        "reference": "noted",
        "room/humidity": "passed",
    }
    steps: Any = walk.running.detail()["steps"]
    mat = next(step for step in steps if step["step"] == "b/mat")
    assert mat["value"] == pytest.approx(2.2e7, rel=0.01)
    assert 0 < mat["u"] < 1e6
    assert (mat["unit"], mat["quality"], mat["limits"]) == ("ohm", "good", {"change": "< 220000000"})
    calibration = next(step for step in steps if step["step"] == "calibration")
    assert "no due dates are entered" in calibration["why"]


@pytest.mark.parametrize(
    ("due", "today", "result", "says"),
    [
        ({"b/strap": "", "b/mat": ""}, "2031-03-02", "noted", "no due dates are entered"),
        ({"b/strap": "", "b/mat": "2031-03-02"}, "2031-03-02", "passed", "for 1 channels"),
        ({"b/mat": "2031-03-01"}, "2031-03-02", "warned", "calibration overdue: b/mat"),
        ({"b/mat": "2031-03-01"}, "", "noted", "the clock is not known"),
    ],
)
def test_calibration_holds_through_its_last_day(
    due: dict[str, str], today: str, result: str, says: str
) -> None:
    """What is past warns, what nobody entered is said to be so, and without a clock nothing is called due."""
    step = CalibrationStep(due, today)
    step.begin(0)

    assert step.outcomes[0].result.value == result
    assert says in step.outcomes[0].why


def test_the_order_is_the_one_people_are_told() -> None:
    """Signals, channels, strap, air; cautions before all."""
    walk = passed_so_far()
    walk.lift()
    walk.finish()

    said = [act.key for act in walk.acts if isinstance(act, Say)]
    assert said == [
        "say.aid",
        "say.resistor",
        "say.bagged",
        "ask.red",
        "ask.yellow",
        "ask.green",
        "ask.heard",
        "say.channels",
        "say.lift",
        "say.connect",
        "say.air",
    ]


def test_after_its_end_a_check_wants_nothing_more() -> None:
    """Neither turns nor a second end change the result."""
    walk = passed_so_far(BARE)
    walk.lift()
    walk.finish()

    assert walk.turn() == []
    assert walk.running.abort(walk.now_ns, "late") == []
    assert walk.running.result is Result.PASSED


# -- lamp and buzzer -------------------------------------------------------------------------------------


def test_each_colour_is_shown_alone_and_asked_for() -> None:
    """Then the buzzer, in the rhythm of an open path, with the lamp as it is."""
    walk = Walk(FULL)
    for _ in range(4):
        assert walk.running.asking
        walk.turn(answer=True)

    assert walk.signals() == [
        (None, Lamp.RED),
        (None, Lamp.YELLOW),
        (None, Lamp.GREEN),
        (Rhythm.HIGH, None),
    ]
    assert sum(isinstance(act, Calm) for act in walk.acts) == 4
    assert not walk.running.asking


def test_a_no_fails_the_check_and_the_walk_goes_on() -> None:
    """What else is wrong is worth knowing too."""
    walk = Walk(FULL)
    walk.turn(answer=True)
    walk.turn(answer=False)
    walk.turn(answer=True)
    walk.turn(answer=False)
    walk.until("strap b")
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.FAILED
    assert walk.outcomes()["lamp yellow"] == ("failed", "not seen")
    assert walk.outcomes()["buzzer"] == ("failed", "not heard")
    assert walk.outcomes()["strap b"] == ("passed", "")


def test_nobody_answering_ends_the_check_at_its_time() -> None:
    """Not a moment before; a buzzer that nobody hears is put to rest."""
    walk = Walk(Outfit(buzzer=True))
    walk.wait(ASK_NS - 1)
    assert walk.running.result is None
    walk.wait(1)

    assert walk.running.result is Result.FAILED
    assert walk.outcomes() == {"buzzer": ("failed", "nobody answered")}
    assert isinstance(walk.acts[-2], Calm)


def test_an_output_that_fails_is_no_sound_whatever_is_answered() -> None:
    """The line can't be driven: there is nothing to hear."""
    walk = Walk(Outfit(buzzer=True))
    walk.turn(answer=True, failing="the chip is gone")

    assert walk.running.outcomes[0].result is Result.FAILED
    assert "the chip is gone" in walk.running.outcomes[0].why


def test_what_is_not_fitted_is_noted_and_fails_nothing() -> None:
    """A bench without a lamp can still be checked; the record is honest."""
    walk = passed_so_far(BARE)
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert walk.outcomes()["lamp"] == ("noted", "not fitted")
    assert walk.outcomes()["buzzer"] == ("noted", "not fitted")


# -- what is real goes first -----------------------------------------------------------------------------


@pytest.mark.parametrize(("channel", "raw"), [(MAT, MAT_OPEN), (BOND, 0), (STRAP, 0)])
def test_a_real_alarm_during_the_lamp_test_ends_the_check_at_once(channel: int, raw: float) -> None:
    """In the next turn nothing is under test, and the result names the alarm."""
    walk = Walk(FULL)
    walk.set(channel, raw)

    assert walk.running.result is Result.FAILED
    assert any(isinstance(act, Calm) for act in walk.acts)
    step, (result, why) = walk.outcomes().popitem()
    assert (step, result) == ("lamp red", "failed")
    assert why.startswith("a real alarm came: b/")


def test_an_opening_that_is_over_before_the_next_turn_ends_it_too() -> None:
    """However short it was."""
    walk = Walk(FULL)
    walk.take(walk.core.feed(MAT, walk.now_ns + 1, MAT_OPEN))
    walk.take(walk.core.feed(MAT, walk.now_ns + 2, MAT_GOOD))
    walk.turn()

    assert walk.running.result is Result.FAILED
    assert "b/mat:change" in walk.running.outcomes[-1].why


def test_a_sensor_that_dies_during_the_strap_test_ends_the_check() -> None:
    """A fault of a path channel belongs to no step."""
    walk = passed_so_far(BARE)
    walk.levels[MAT] = None
    walk.wait(2 * ROUND_NS)

    assert walk.running.result is Result.FAILED
    assert "b/mat:fault" in walk.running.outcomes[-1].why


def test_another_path_that_opens_while_the_strap_is_lifted_ends_the_check() -> None:
    """Only the strap's own alarm belongs to the lift."""
    walk = passed_so_far(BARE)
    walk.wait(ROUND_NS)
    walk.set(STRAP, 0)
    assert walk.running.result is None
    walk.set(BOND, 0)

    assert walk.running.result is Result.FAILED
    assert "b/bond:closed" in walk.running.outcomes[-1].why


def test_dry_air_ends_nothing_and_is_a_warning() -> None:
    """Nobody at the bench can mend the weather."""
    walk = passed_so_far(BARE)
    walk.set(HUMIDITY, 240)
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert walk.outcomes()["room/humidity"] == ("warned", "beyond its limit: low")


def test_a_check_is_refused_while_a_path_alarm_stands() -> None:
    """The buzzer is the alarm's."""
    walk = Walk(levels={MAT: MAT_OPEN}, start=False)

    refused = refusal(walk.core, "b")

    assert refused is not None
    assert "b/mat:change" in refused.got
    walk.levels[MAT] = MAT_GOOD
    walk.now_ns += ROUND_NS
    walk.poll()
    assert refusal(walk.core, "b") is None, "returned and still to be acknowledged: no hindrance"


def test_a_check_is_refused_during_live_work_and_ends_when_it_is_declared() -> None:
    """Straps are off by declaration."""
    plan = one_bench()
    plan = replace(plan, benches=(replace(plan.benches[0], strap_off_above_v=50.0),))
    walk = Walk(FULL, plan=plan)
    walk.core.command({"do": "live", "bench": "b", "for_s": 60.0, **WHO}, walk.now_ns)
    walk.turn()

    assert walk.running.outcomes[-1].why == "live work was declared"
    refused = refusal(walk.core, "b")
    assert refused is not None
    assert "live work" in refused.what


def test_a_bench_that_is_not_there_is_refused_with_those_that_are() -> None:
    """Spelling is a common mistake."""
    refused = refusal(Core(one_bench(), 0), "bench-9")
    assert refused is not None
    assert (refused.got, refused.wanted) == ("bench-9", "one of: b")


# -- channels --------------------------------------------------------------------------------------------


def test_only_readings_newer_than_the_step_count() -> None:
    """What a channel said before proves nothing of now."""
    walk = Walk(BARE)
    walk.levels = {}
    walk.now_ns += 1000 * MS
    walk.turn()
    assert not any(o.step == "b/mat" for o in walk.running.outcomes)

    walk.levels = dict(GOOD)
    walk.poll()
    walk.turn()

    assert walk.outcomes()["b/mat"] == ("passed", "")


def test_a_channel_without_a_new_reading_fails_in_the_end() -> None:
    """The presence detector says nothing, and is nobody's alarm."""
    plan = one_bench()
    slow = replace(plan.channels[PRESENCE], silent_after_ns=2 * READINGS_NS)
    plan = replace(plan, channels=(*plan.channels[:PRESENCE], slow, *plan.channels[PRESENCE + 1 :]))
    walk = Walk(BARE, plan=plan)
    del walk.levels[PRESENCE]
    walk.until("strap b", most_ns=5 * READINGS_NS)

    assert walk.now_ns >= 2 * slow.silent_after_ns, "a slow channel is given its time"
    assert walk.outcomes()["b/presence"][0] == "failed"


def test_a_shelved_alarm_hides_nothing_from_the_check() -> None:
    """Its condition stands: the channel fails, and so does the bench's state."""
    walk = Walk(start=False)
    walk.core.command({"do": "shelve", "alarm": "b/mat:change", "for_s": 1800.0, **WHO}, 0)
    walk.levels[MAT] = MAT_OPEN
    walk.begin(BARE)
    walk.wait(READINGS_NS + ROUND_NS)

    assert walk.outcomes()["b/mat"] == ("failed", "beyond its limit: change")
    assert walk.outcomes()["bench state"] == ("failed", "the bench is open")


def test_an_empty_bench_is_a_warning() -> None:
    """Whoever does the check ought to be seen by the detector."""
    plan = one_bench()
    stretches = {"b/common": "earth", "b/mat_lead": "b/common", "b/mat": "b/mat_lead"}
    bench = replace(plan.benches[0], stretches=stretches, required=("b/mat",))
    channels = tuple(c for c in plan.channels if c.name != "b/strap")
    walk = Walk(start=False)
    walk.plan = replace(plan, benches=(bench,), channels=channels)
    walk.core = Core(walk.plan, 0)
    walk.core.start(0, {}, {})
    walk.levels = {0: MAT_GOOD, 1: 1, 2: 0, 3: 450}
    walk.now_ns = ROUND_NS
    walk.poll()
    walk.begin(BARE)
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert walk.outcomes()["bench state"] == ("warned", "nobody seen at the bench")
    assert walk.outcomes()["strap"] == ("noted", "no seat with a strap channel")


def test_a_check_by_hand_that_was_never_entered_is_said_to_be_so() -> None:
    """The record claims no more than is known."""
    walk = passed_so_far(BARE, plan=one_bench(entered=True))
    mat = next(o for o in walk.running.outcomes if o.step == "b/mat")
    limits: Any = mat.numbers["limits"]
    assert limits["upper"] == "< 1000000000, by hand: not entered"


def test_a_reading_that_is_only_uncertain_is_a_warning() -> None:
    """Overdue calibration is for the record, not a reason to stop work by itself."""
    walk = Walk(BARE)
    walk.now_ns += ROUND_NS
    for channel, raw in GOOD.items():
        given = Reason.OVERDUE_CALIBRATION if channel == MAT else None
        walk.take(walk.core.feed(channel, walk.now_ns, raw, given))
    walk.turn()

    assert walk.outcomes()["b/mat"] == ("warned", "overdue calibration")


# -- the strap -------------------------------------------------------------------------------------------


def test_the_bench_really_sounds_at_the_lift_and_its_alarm_is_acknowledged() -> None:
    """The lift is a true opening; whoever does the check answers for the alarm it called up."""
    walk = passed_so_far(BARE)
    walk.wait(ROUND_NS)
    walk.set(STRAP, 0)
    assert walk.core.annunciations()[0].rhythm is Rhythm.HIGH
    walk.wait(1000 * MS)
    walk.set(STRAP, 1)
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert [act.alarm for act in walk.acts if isinstance(act, Acknowledge)] == ["b/strap:closed"]
    assert walk.core.alarms() == ()
    numbers = next(o for o in walk.running.outcomes if o.step == "strap b").numbers
    assert numbers["sounded"] is True
    assert numbers["alarm_due"] is True


def test_an_alarm_that_waited_before_the_check_is_left_to_whoever_answers_for_it() -> None:
    """The check acknowledges only what it has called up itself."""
    walk = Walk(start=False)
    for raw in (0, 1):
        walk.now_ns += ROUND_NS
        walk.levels[STRAP] = raw
        walk.poll()
    assert walk.core.book.by_name["b/strap:closed"].state is AlarmState.RETURNED
    walk.begin(BARE)
    walk.until("strap b")
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert not any(isinstance(act, Acknowledge) for act in walk.acts)
    assert walk.core.book.by_name["b/strap:closed"].state is AlarmState.RETURNED


def test_a_lift_during_which_the_bench_stays_quiet_fails() -> None:
    """A shelved strap alarm would not have told anybody."""
    walk = passed_so_far(BARE)
    walk.take(
        walk.core.command({"do": "shelve", "alarm": "b/strap:closed", "for_s": 900.0, **WHO}, walk.now_ns)
    )
    walk.lift()
    walk.finish()

    assert walk.outcomes()["strap b"] == ("failed", "the bench did not sound")


def test_a_lift_shorter_than_the_on_delay_does_not_count_as_sounded() -> None:
    """Nothing was to be heard."""
    walk = passed_so_far(BARE, plan=one_bench(strap_on_delay_ns=200 * MS))
    walk.lift(100 * MS)
    walk.finish()

    assert walk.outcomes()["strap b"] == ("failed", "the bench did not sound")


def test_a_lift_with_an_output_that_fails_does_not_count_as_sounded() -> None:
    """The core may say what it will."""
    walk = passed_so_far(BARE)
    walk.wait(ROUND_NS)
    walk.levels[STRAP] = 0
    walk.poll()
    walk.turn(failing="no chip")
    walk.turn(failing="no chip")
    walk.levels[STRAP] = 1
    walk.now_ns += ROUND_NS
    walk.poll()
    walk.turn(failing="no chip")

    assert walk.outcomes()["strap b"] == ("failed", "the bench did not sound")


def test_a_strap_that_is_lifted_at_once_counts() -> None:
    """Before the step has had its first turn."""
    walk = passed_so_far(BARE)
    walk.set(STRAP, 0)
    walk.wait(1000 * MS)
    walk.set(STRAP, 1)
    walk.finish()
    assert walk.running.result is Result.PASSED


def test_without_a_lift_the_step_fails_at_its_time() -> None:
    """Thirty seconds, not less."""
    walk = passed_so_far(BARE)
    began_ns = walk.now_ns
    walk.wait(STRAP_NS - ROUND_NS)
    assert walk.running.result is None
    walk.finish()

    assert walk.outcomes()["strap b"] == ("failed", "no lift seen")
    assert walk.now_ns - began_ns <= STRAP_NS + 2 * ROUND_NS


def test_a_strap_that_is_not_connected_again_fails() -> None:
    """The alarm is real by then, and goes on."""
    walk = passed_so_far(BARE)
    walk.wait(ROUND_NS)
    walk.set(STRAP, 0)
    walk.wait(STRAP_NS + ROUND_NS)

    assert walk.outcomes()["strap b"][0] == "failed"
    assert walk.running.result is Result.FAILED
    assert walk.core.annunciations()[0].state is BenchState.OPEN


def test_the_step_ends_only_when_the_alarm_is_over_too() -> None:
    """With an off-delay the strap is closed before its alarm is gone; what comes next must not meet it."""
    plan = one_bench()
    limit = replace(plan.channels[STRAP].limits[0], off_delay_ns=2000 * MS)
    strap = replace(plan.channels[STRAP], limits=(limit,))
    walk = passed_so_far(BARE, plan=replace(plan, channels=(strap, *plan.channels[1:])))
    walk.lift()
    walk.wait(1000 * MS)
    assert walk.running.result is None
    walk.finish()

    assert walk.running.result is Result.PASSED


def two_seats(*, visitor: bool) -> Plan:
    """A second seat, whose strap hangs on its own jack."""
    plan = one_bench()
    second = replace(
        plan.channels[STRAP], name="b/strap2", measures=frozenset({"b/jack2", "b/skin2"}), gated=True
    )
    presence = replace(plan.channels[PRESENCE], name="b/presence2")
    bench = replace(
        plan.benches[0],
        stretches={**plan.benches[0].stretches, "b/jack2": "b/common", "b/skin2": "b/jack2"},
        required=("b/skin", "b/mat", "b/skin2"),
        seats=(
            Seat("b/left", "b/skin", ("b/presence",)),
            Seat("b/right", "b/skin2", ("b/presence2",), visitor=visitor),
        ),
    )
    return replace(plan, benches=(bench,), channels=(*plan.channels, second, presence))


def test_every_seat_is_lifted_one_after_the_other() -> None:
    """Each has its own loop."""
    walk = Walk(BARE, plan=two_seats(visitor=False), levels={5: 1, 6: 1})
    walk.until("strap b/left")
    walk.lift()
    walk.until("strap b/right")
    walk.wait(ROUND_NS)
    walk.set(5, 0)
    walk.wait(500 * MS)
    walk.set(5, 1)
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert {"strap b/left", "strap b/right"} <= set(walk.outcomes())


def test_lifting_the_other_seat_s_strap_is_a_real_alarm() -> None:
    """The step says which one."""
    walk = Walk(BARE, plan=two_seats(visitor=False), levels={5: 1, 6: 1})
    walk.until("strap b/left")
    walk.set(5, 0)

    assert walk.running.result is Result.FAILED
    assert "b/strap2:closed" in walk.running.outcomes[-1].why


def test_a_visitor_s_seat_is_left_out() -> None:
    """Nobody sits there at the start of a shift."""
    walk = Walk(BARE, plan=two_seats(visitor=True), levels={5: 0, 6: 0})
    walk.until("strap b/left")
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert walk.outcomes()["b/strap2"] == ("noted", "a visitor's seat")
    assert "strap b/right" not in walk.outcomes()


def test_with_the_board_known_to_be_bagged_the_lift_is_judged_by_its_reading() -> None:
    """No alarm is due then; the record says so, and nobody is told to listen for one."""
    plan = one_bench()
    board = replace(plan.channels[PRESENCE], name="b/board", quantity="board_out")
    bench = replace(plan.benches[0], board=("b/board",))
    plan = replace(plan, benches=(bench,), channels=(*plan.channels, board))
    walk = Walk(BARE, plan=plan, levels={5: 0})
    walk.until("strap b")
    walk.lift()
    walk.finish()

    assert walk.running.result is Result.PASSED
    assert walk.outcomes()["strap b"] == ("passed", "its alarm was not due: the strap is not required now")
    assert any(isinstance(act, Say) and act.key == "say.connect.quiet" for act in walk.acts)


# -- by the bench's button -------------------------------------------------------------------------------


def button_walk() -> Walk:
    return Walk(FULL, by_button=True)


def test_by_button_the_colours_come_in_turn_and_then_the_buzzer() -> None:
    """And one press says that all was seen and heard."""
    walk = button_walk()
    walk.wait(3 * COLOUR_NS)
    assert walk.signals() == [
        (None, Lamp.RED),
        (None, Lamp.YELLOW),
        (None, Lamp.GREEN),
        (Rhythm.HIGH, Lamp.RED),
    ]
    walk.wait(PRESS_NOT_BEFORE_NS)
    walk.turn(pressed=True)

    outcomes = walk.outcomes()
    assert [outcomes[f"lamp {c.value}"] for c in COLOURS] == [("passed", "")] * 3
    assert outcomes["buzzer"] == ("passed", "")
    walk.until("strap b")
    assert walk.signals()[-1] == (Rhythm.LOW, None), "one short pip: lift the strap"
    walk.lift()
    walk.finish()
    assert walk.running.result is Result.PASSED
    assert walk.running.detail()["by"] == "button"


@pytest.mark.parametrize("after_ns", [0, COLOUR_NS, 3 * COLOUR_NS, 3 * COLOUR_NS + PRESS_NOT_BEFORE_NS - 1])
def test_a_press_before_the_buzzer_can_have_been_heard_is_no_answer(after_ns: int) -> None:
    """The first press bounces, and nobody answers before the question."""
    walk = button_walk()
    walk.wait(after_ns)
    walk.turn(pressed=True)

    assert walk.running.outcomes == []


def test_by_button_nobody_answering_fails_at_fifteen_seconds() -> None:
    """To the nanosecond."""
    walk = button_walk()
    walk.wait(3 * COLOUR_NS + PRESS_NS - 1)
    assert walk.running.result is None
    walk.wait(1)

    assert walk.running.result is Result.FAILED
    assert walk.outcomes()["buzzer"] == ("failed", "nobody answered")
    assert len(walk.running.outcomes) == 4


def test_by_button_an_output_that_fails_fails() -> None:
    """No press can say otherwise."""
    walk = button_walk()
    walk.turn(failing="no chip", pressed=True)
    assert {result for result, _ in walk.outcomes().values()} == {"failed"}


# -- reference resistors ---------------------------------------------------------------------------------

ONE, TEN = Reference(5, "b/mat", 1e6), Reference(6, "b/mat", 1e7)
OVER = Reference(7, "b/mat", 1e9, over_limit=True)
WITH = Outfit(buzzer=False, references=(ONE, TEN, OVER))


def at_references(wire: Callable[[float], float], outfit: Outfit = WITH) -> Walk:
    walk = passed_so_far(outfit)
    walk.wire = wire
    walk.lift()
    return walk


def test_known_resistors_that_read_as_they_are_pass() -> None:
    """1 and 10 Mohm within their uncertainty, and one over the limit judged so; none left in the wire."""
    walk = at_references(counts)
    walk.finish()

    assert walk.running.result is Result.PASSED
    steps = [o for o in walk.running.outcomes if o.step.startswith("reference")]
    assert [o.step for o in steps] == [
        "reference b/mat 1e+06 ohm",
        "reference b/mat 1e+07 ohm",
        "reference b/mat 1e+09 ohm",
    ]
    assert steps[1].numbers["value"] == pytest.approx(1e7, rel=0.01)
    assert (steps[1].numbers["ohm"], steps[1].numbers["line"]) == (1e7, 6)
    assert walk.switched == []


def test_a_circuit_that_reads_wrong_fails() -> None:
    """Off by half: far outside of two standard uncertainties."""
    walk = at_references(lambda ohm: counts(ohm * 1.5), Outfit(buzzer=False, references=(TEN,)))
    walk.finish()

    step = walk.running.outcomes[-2]
    assert (step.result, step.why) == (Result.FAILED, "reading and resistor disagree")
    assert walk.switched == []


def test_a_limit_that_does_not_see_the_resistor_over_it_fails() -> None:
    """An over-limit resistor that reads like a good mat is the worst fault of all."""
    walk = at_references(lambda _: counts(2.2e7), Outfit(buzzer=False, references=(OVER,)))
    walk.finish()

    assert walk.outcomes()["reference b/mat 1e+09 ohm"] == ("failed", "within the limit, wanted beyond it")


@pytest.mark.parametrize(("factor", "agrees"), [(1.005, True), (1.03, False)])
def test_agreement_is_within_two_standard_uncertainties(factor: float, agrees: bool) -> None:
    """The circuit's own: about 0.6 % of 10 Mohm."""
    u = Divider(series_ohm=1e7, leakage_a=3e-11).convert(counts(1e7)).u
    assert 0.005 * 1e7 < 2 * u < 0.03 * 1e7
    walk = at_references(lambda ohm: counts(ohm * factor), Outfit(buzzer=False, references=(TEN,)))
    walk.finish()

    assert (walk.running.result is Result.PASSED) is agrees


@pytest.mark.parametrize(("u_ohm", "agrees"), [(0.0, False), (1e7 * 0.05 / 3**0.5, True)])
def test_the_resistor_s_own_uncertainty_counts_too(u_ohm: float, agrees: bool) -> None:
    """A resistor of 5 % can't fail a reading that is 3 % off."""
    reference = replace(TEN, u_ohm=u_ohm)
    walk = at_references(lambda ohm: counts(ohm * 1.03), Outfit(buzzer=False, references=(reference,)))
    walk.finish()

    assert (walk.running.result is Result.PASSED) is agrees


def test_a_reading_that_only_passes_by_the_right_value_does_not_count() -> None:
    """Two in a row decide."""
    read = iter([counts(1e7), counts(5e6)] * 1000)
    walk = at_references(lambda _: next(read), Outfit(buzzer=False, references=(TEN,)))
    walk.finish()

    assert walk.running.result is Result.FAILED


def test_under_test_the_bench_is_neither_held_nor_alarmed() -> None:
    """Whatever the resistor reads, it says nothing of the mat; the relay drops meanwhile."""
    walk = at_references(counts)
    seen: set[tuple[bool, BenchState]] = set()
    for _ in range(10_000):
        if walk.running.result is not None:
            break
        walk.wait(ROUND_NS)
        given = walk.core.annunciations()[0]
        tested = walk.core.channels()[MAT].last
        assert tested is not None
        seen.add((tested.given is Reason.SELF_TEST, given.state))
        assert given.rhythm is Rhythm.SILENT
        assert given.relay is (given.state is BenchState.HELD)
        assert walk.core.alarms() == ()

    assert seen == {(True, BenchState.UNKNOWN), (False, BenchState.HELD)}


def test_a_path_that_opens_behind_the_resistor_sounds_as_soon_as_it_is_released() -> None:
    """Nothing real is lost, only late by the length of the test."""
    walk = at_references(counts, Outfit(buzzer=False, references=(TEN,)))
    walk.until("reference b/mat 1e+07 ohm")
    walk.levels[MAT] = MAT_OPEN
    walk.finish()

    assert walk.running.result is Result.FAILED
    assert "b/mat:change" in walk.running.outcomes[-1].why
    assert walk.core.annunciations()[0].rhythm is Rhythm.HIGH


def test_a_channel_that_dies_under_test_is_a_real_alarm_and_the_resistor_is_released() -> None:
    """Self-test excuses no silence."""
    walk = at_references(counts, Outfit(buzzer=False, references=(TEN,)))
    walk.until("reference b/mat 1e+07 ohm")
    walk.wire = None
    walk.levels[MAT] = None
    walk.finish()

    assert "b/mat:fault" in walk.running.outcomes[-1].why
    assert walk.switched == []


@pytest.mark.parametrize("turns", range(0, 80, 4))
def test_a_check_that_is_broken_off_anywhere_leaves_nothing_in_the_wire(turns: int) -> None:
    """The client may go at any moment."""
    walk = at_references(counts)
    for _ in range(turns):
        walk.wait(ROUND_NS)
    walk.do(walk.running.abort(walk.now_ns, "not finished"))

    assert walk.switched == []
    assert walk.running.result is not None


def test_a_line_that_can_t_be_driven_fails_its_step() -> None:
    """And says so."""
    walk = at_references(counts, Outfit(buzzer=False, references=(TEN,)))
    walk.until("reference b/mat 1e+07 ohm")
    walk.turn(failing="no chip")
    walk.finish()

    assert walk.outcomes()["reference b/mat 1e+07 ohm"][1] == "its line can't be driven: no chip"


def test_a_channel_that_is_not_itself_again_fails_at_its_time() -> None:
    """A resistor that hangs in the wire would hide whatever comes."""
    walk = at_references(counts, Outfit(buzzer=False, references=(TEN,)))
    walk.until("reference b/mat 1e+07 ohm")
    while walk.switched:
        walk.wait(ROUND_NS)
    walk.switched = [TEN]  # the line says off, the wire says otherwise
    walk.wait(REFERENCE_NS + ROUND_NS)

    assert walk.outcomes()["reference b/mat 1e+07 ohm"] == ("failed", "not itself again after its release")


def test_a_resistor_for_a_channel_that_is_not_there_is_refused() -> None:
    """Checked with the configuration; here it would be a mistake in the program."""
    with pytest.raises(ValueError, match="not there"):
        Walk(Outfit(buzzer=False, references=(Reference(5, "b/nothing", 1e6),)))


# -- self-test in the core -------------------------------------------------------------------------------


def test_self_test_does_not_clear_an_alarm_that_stands() -> None:
    """A good resistor in place of an open path mends nothing."""
    walk = Walk(levels={MAT: MAT_OPEN}, start=False)
    assert walk.core.book.by_name["b/mat:change"].state is AlarmState.UNACKNOWLEDGED
    for at in range(1, 20):
        walk.core.feed(MAT, at * MS, MAT_GOOD, Reason.SELF_TEST)

    assert walk.core.book.by_name["b/mat:change"].state is AlarmState.UNACKNOWLEDGED
    assert walk.core.annunciations()[0].state is BenchState.UNKNOWN


def test_one_bad_poll_during_a_test_does_not_make_the_bench_held() -> None:
    """It says nothing of what is in the wire."""
    walk = Walk(start=False)
    assert walk.core.annunciations()[0].state is BenchState.HELD
    walk.core.feed(MAT, MS, MAT_GOOD, Reason.SELF_TEST)
    walk.core.feed(MAT, 2 * MS, None, Reason.LATE)

    assert walk.core.annunciations()[0].state is BenchState.UNKNOWN


def test_a_test_after_an_uncertain_reading_takes_the_trust_away_too() -> None:
    """Both are uncertain; only one watches the path."""
    walk = Walk(start=False)
    walk.core.feed(MAT, MS, MAT_GOOD, Reason.OVERDUE_CALIBRATION)
    assert walk.core.annunciations()[0].state is BenchState.HELD
    walk.core.feed(MAT, 2 * MS, MAT_GOOD, Reason.SELF_TEST)

    assert walk.core.annunciations()[0].state is BenchState.UNKNOWN


def test_a_channel_that_tests_itself_without_end_raises_its_fault() -> None:
    """No silent failure: a minute without watching is not watching."""
    walk = Walk(start=False)
    walk.levels.pop(MAT)
    fault = walk.core.book.by_name["b/mat:fault"]
    while walk.now_ns <= TEST_MOST_NS:
        walk.now_ns += 500 * MS
        walk.poll()
        assert fault.state is AlarmState.NORMAL
        walk.take(walk.core.feed(MAT, walk.now_ns, MAT_GOOD, Reason.SELF_TEST))
    for _ in range(2):
        walk.now_ns += 500 * MS
        walk.take(walk.core.feed(MAT, walk.now_ns, MAT_GOOD, Reason.SELF_TEST))

    assert fault.state is AlarmState.UNACKNOWLEDGED
    walk.now_ns += 500 * MS
    walk.core.feed(MAT, walk.now_ns, MAT_GOOD)
    assert fault.state.value == "returned unacknowledged"


def test_a_check_with_resistors_replays_to_the_byte() -> None:
    """The marks are in the record, so replay needs neither check nor resistor."""
    walk = at_references(counts)
    walk.finish()
    body = {"do": "ready", "bench": "b", "result": "passed", "detail": walk.running.detail(), **WHO}
    walk.take(walk.core.command(body, walk.now_ns))

    assert written(list(replay(walk.plan, walk.records))) == written(walk.records)


# -- the record ------------------------------------------------------------------------------------------


def test_the_detail_of_a_large_bench_is_cut_and_says_how_much() -> None:
    """What passed goes first; what failed stays."""
    walk = Walk(BARE)
    long = [
        Outcome(f"b/channel-{n}", Result.PASSED, "", {"value": 1.0, "pad": "x" * 100}) for n in range(300)
    ]
    walk.running.outcomes = [*long, Outcome("b/mat", Result.FAILED, "why")]
    detail = walk.running.detail()

    assert len(canonical(detail).encode()) <= MOST_DETAIL_BYTES
    steps: Any = detail["steps"]
    assert steps[-1]["step"] == "b/mat"
    assert detail["left_out"] == 301 - len(steps)


def test_a_value_beyond_all_numbers_does_not_break_the_record() -> None:
    """JSON has no word for infinity."""
    plan = one_bench()
    limit = Limit("far", Requirement.BELOW, 1e12, OWN, Priority.LOW)
    plan = replace(plan, channels=tuple(replace(c, limits=(*c.limits, limit)) for c in plan.channels))
    walk = passed_so_far(BARE, plan=plan)
    walk.lift()
    walk.finish()
    assert canonical(walk.running.detail())


def test_every_text_has_its_words() -> None:
    """Whatever key a step may use, it renders; none asks for what could hurt."""
    walk = at_references(counts, Outfit(buzzer=True, colours=COLOURS, references=(ONE,)))
    walk.finish()
    args = {"seat": "b", "channel": "b/mat", "ohm": "1e6"}
    for key in WORDS:
        assert say(key, args)
    used = {act.key for act in walk.acts if isinstance(act, Say)}
    assert used | {"say.connect.quiet"} == set(WORDS)
    assert "it stays in, always" in say("say.resistor", {})
    assert "is an aid" in say("say.aid", {})
    assert "sense wire only" in say("say.reference", args)
