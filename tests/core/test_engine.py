"""What the core gives out for what it is fed: bench states, alarms, annunciations, commands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from quietbench.daemon.core.bench import ways_to_earth
from quietbench.daemon.core.engine import CommandError, Core, Due, Kept
from quietbench.daemon.core.plan import Bench, Plan
from quietbench.daemon.core.records import (
    AlarmState,
    Annunciation,
    BenchState,
    Event,
    EventKind,
    Lamp,
    Output,
    Reading,
    Rhythm,
)
from quietbench.drivers.samples import Reason
from tests.core.plans import (
    BOND,
    HUMIDITY,
    MAT,
    MAT_GOOD,
    MAT_OPEN,
    MS,
    PRESENCE,
    STRAP,
    closed,
    one_bench,
)

WHO = {"person": "p1", "role": "operator", "why": "seen"}


def entered(ohm: float) -> dict[str, object]:
    return {"do": "enter", "channel": "b/mat", "value": ohm, "instrument": "i7", **WHO}


class Scene:
    """A core with a hand-moved clock, and all that it gave out."""

    def __init__(self, plan: Plan | None = None, restored: Kept | None = None) -> None:
        self.now = 0
        self.core = Core(plan or one_bench(), 0)
        self.outputs: list[Output] = list(self.core.start(0, {}, restored or {}))

    def feed(self, channel: int, raw: float | None, reason: Reason | None = None) -> list[Output]:
        outputs = list(self.core.feed(channel, self.now, raw, reason))
        self.outputs += outputs
        return outputs

    def wait(self, ms: float) -> None:
        self.now += int(ms * MS)
        for due in self.core.due(self.now):
            self.outputs += self.core.let(due, self.now)

    def good(self) -> None:
        """Everything as it should be, somebody there."""
        for channel, raw in ((PRESENCE, 1), (STRAP, 1), (MAT, MAT_GOOD), (BOND, 1), (HUMIDITY, 450)):
            self.feed(channel, raw)

    def given(self) -> Annunciation:
        return self.core.annunciations()[0]

    def alarms(self) -> list[tuple[str, str]]:
        return [
            (e.subject, str(e.body["to"]))
            for e in self.outputs
            if isinstance(e, Event) and e.kind is EventKind.ALARM
        ]


def only_events(outputs: Iterable[Output]) -> list[Event]:
    return [output for output in outputs if isinstance(output, Event)]


def test_before_the_first_readings_a_bench_is_unknown_and_quiet() -> None:
    """Not knowing is not held; the start itself is no alarm."""
    scene = Scene()

    assert scene.given().state is BenchState.UNKNOWN
    assert scene.given().rhythm is Rhythm.SILENT
    assert not scene.given().relay
    assert scene.given().sentence.key == "starting"


def test_all_paths_good_is_held_with_the_relay_up() -> None:
    """Every required stretch lies in the measuring circuit of a good channel."""
    scene = Scene()
    scene.good()

    assert scene.given().state is BenchState.HELD
    assert (scene.given().lamp, scene.given().flashing) == (Lamp.GREEN, False)
    assert scene.given().relay


def test_a_strap_that_opens_sounds_at_the_same_sample() -> None:
    """The annunciation comes out with the sample that shows the opening."""
    scene = Scene()
    scene.good()
    scene.now += 1

    outputs = scene.feed(STRAP, 0)

    given = [o for o in outputs if isinstance(o, Annunciation)]
    assert [(g.state, g.rhythm, g.lamp, g.relay) for g in given] == [
        (BenchState.OPEN, Rhythm.HIGH, Lamp.RED, False)
    ]
    assert given[0].leading == "b/strap:closed"
    assert given[0].sentence.key == "open.strap_contact"


def test_the_suspects_are_the_stretches_that_no_good_channel_crosses() -> None:
    """The mat still measures well, so the way they share is not suspected."""
    scene = Scene()
    scene.good()
    scene.feed(STRAP, 0)

    assert scene.core.verdict("b").open == ("b/skin", "b/cord", "b/jack")


def test_a_strap_that_closes_again_returns_everything_but_the_acknowledgement() -> None:
    """Buzzer and relay follow the condition; the alarm waits for a person."""
    scene = Scene()
    scene.good()
    scene.feed(STRAP, 0)
    scene.now += MS
    scene.feed(STRAP, 1)

    assert scene.given().state is BenchState.HELD
    assert scene.given().rhythm is Rhythm.SILENT
    assert scene.alarms() == [
        ("b/strap:closed", "unacknowledged"),
        ("b/strap:closed", "returned unacknowledged"),
    ]


def test_an_acknowledged_alarm_is_silent_but_the_bench_stays_open() -> None:
    """Acknowledging touches annunciation alone."""
    scene = Scene()
    scene.good()
    scene.feed(STRAP, 0)

    scene.outputs += scene.core.command({"do": "acknowledge", "alarm": "b/strap:closed", **WHO}, scene.now)

    assert scene.given().state is BenchState.OPEN
    assert scene.given().rhythm is Rhythm.SILENT
    assert not scene.given().relay
    command = next(e for e in only_events(scene.outputs) if e.kind is EventKind.COMMAND)
    assert command.body == {"do": "acknowledge", "alarm": "b/strap:closed", **WHO}


@pytest.mark.parametrize("alarm", ["b/strap:closed", "b/nothing:closed", ""])
def test_nothing_to_acknowledge_is_refused_in_words(alarm: str) -> None:
    """The refusal says what would have been right."""
    scene = Scene()
    scene.good()

    with pytest.raises(CommandError) as refusal:
        scene.core.command({"do": "acknowledge", "alarm": alarm, **WHO}, scene.now)

    assert refusal.value.what
    assert refusal.value.wanted


def test_two_bad_polls_of_a_path_make_the_bench_unknown_and_sound() -> None:
    """A fault on a protecting channel is never quiet."""
    scene = Scene()
    scene.good()
    scene.feed(MAT, None, Reason.SILENT)
    assert scene.given().state is BenchState.HELD, "one lost poll decides nothing yet"

    scene.feed(MAT, None, Reason.SILENT)

    assert scene.given().state is BenchState.UNKNOWN
    assert scene.given().rhythm is Rhythm.HIGH
    assert scene.given().lamp is Lamp.YELLOW
    assert scene.core.verdict("b").unknown == ("b/mat", "b/mat_lead")
    assert scene.given().sentence.key == "fault.silent"


def test_no_samples_at_all_become_a_fault_by_themselves() -> None:
    """A dead bus thread can't hide: silence has a timer."""
    scene = Scene()
    scene.good()

    scene.wait(2999)
    assert scene.given().state is BenchState.HELD
    scene.wait(1)

    assert scene.given().state is BenchState.UNKNOWN
    assert ("b/strap:fault", "unacknowledged") in scene.alarms()


def test_what_must_move_and_does_not_is_stuck_until_it_moves() -> None:
    """Humidity that stands still for ten minutes; a heartbeat in between is no movement."""
    plan = one_bench()
    air = replace(plan.channels[HUMIDITY], stuck_after_ns=600_000 * MS)
    scene = Scene(replace(plan, channels=(*plan.channels[:HUMIDITY], air)))
    alarm = "room/humidity:fault"
    for second in range(600):
        assert alarm not in [a.name for a in scene.core.alarms()], second
        scene.feed(HUMIDITY, 450)
        scene.wait(1000)
    assert next(a for a in scene.core.alarms() if a.name == alarm).sentence.key == "fault.stuck"

    scene.feed(HUMIDITY, 450)
    assert next(a for a in scene.core.alarms() if a.name == alarm).standing
    scene.feed(HUMIDITY, 451)

    assert not next(a for a in scene.core.alarms() if a.name == alarm).standing


def test_one_good_sample_ends_a_fault() -> None:
    """Recovery needs nobody."""
    scene = Scene()
    scene.good()
    scene.wait(3000)
    scene.good()

    assert scene.given().state is BenchState.HELD
    assert scene.given().rhythm is Rhythm.SILENT


def test_open_beats_unknown() -> None:
    """With one path open and another unknown the bench is open."""
    scene = Scene()
    scene.good()
    for _ in range(2):
        scene.feed(MAT, None, Reason.UNPLUGGED)
    scene.feed(STRAP, 0)

    assert scene.given().state is BenchState.OPEN
    assert scene.core.verdict("b").unknown == ("b/mat", "b/mat_lead")
    assert scene.given().leading == "b/strap:closed"


def test_a_stretch_that_nobody_watches_keeps_the_bench_from_being_held() -> None:
    """The strap loop stays closed when the common point falls off; so without a channel there, unknown."""
    scene = Scene(one_bench(watch_earth=False))
    scene.good()

    assert scene.given().state is BenchState.UNKNOWN
    assert scene.core.verdict("b").unwatched == ("b/common",)
    assert scene.given().sentence.key == "unwatched"


def test_an_absent_operator_leaves_the_bench_empty_after_the_hold_time() -> None:
    """Strap off while still seen is an alarm; once nobody is there it counts no more."""
    scene = Scene()
    scene.good()
    scene.feed(STRAP, 0)
    scene.feed(PRESENCE, 0)
    for _ in range(10):
        assert scene.given().state is BenchState.OPEN
        scene.wait(1000)
        for channel, raw in ((STRAP, 0), (PRESENCE, 0), (MAT, MAT_GOOD), (BOND, 1), (HUMIDITY, 450)):
            scene.feed(channel, raw)

    assert scene.given().state is BenchState.EMPTY
    assert scene.given().lamp is Lamp.WHITE
    assert scene.given().relay
    assert scene.given().rhythm is Rhythm.SILENT


def test_a_closed_strap_means_somebody_is_there_whatever_the_detector_says() -> None:
    """A still person at a microscope is no empty bench."""
    scene = Scene()
    scene.good()
    scene.feed(PRESENCE, 0)
    for _ in range(12):
        scene.wait(1000)
        for channel, raw in ((STRAP, 1), (PRESENCE, 0), (MAT, MAT_GOOD), (BOND, 1)):
            scene.feed(channel, raw)

    assert scene.given().state is BenchState.HELD


def test_a_presence_detector_that_fails_leaves_somebody_there() -> None:
    """Not knowing fails towards somebody."""
    scene = Scene()
    scene.good()
    scene.feed(STRAP, 0)
    for _ in range(3):
        scene.feed(PRESENCE, None, Reason.UNPLUGGED)
    for _ in range(20):
        scene.wait(1000)
        for channel, raw in ((STRAP, 0), (MAT, MAT_GOOD), (BOND, 1)):
            scene.feed(channel, raw)

    assert scene.given().state is BenchState.OPEN
    assert scene.given().rhythm is Rhythm.HIGH


def test_a_delay_holds_back_the_buzzer_and_not_the_state() -> None:
    """Delays act on annunciation alone."""
    scene = Scene(one_bench(strap_on_delay_ns=200 * MS))
    scene.good()
    scene.feed(STRAP, 0)
    assert (scene.given().state, scene.given().rhythm) == (BenchState.OPEN, Rhythm.SILENT)
    assert not scene.given().relay

    scene.wait(199.999999)
    assert scene.given().rhythm is Rhythm.SILENT
    scene.wait(0.000001)

    assert scene.given().rhythm is Rhythm.HIGH


def test_an_opening_shorter_than_the_delay_is_recorded_but_does_not_sound() -> None:
    """What does not sound is still a bench that was open, in the record."""
    scene = Scene(one_bench(strap_on_delay_ns=200 * MS))
    scene.good()
    scene.feed(STRAP, 0)
    scene.wait(150)
    scene.feed(STRAP, 1)
    scene.wait(1000)

    assert scene.alarms() == []
    states = [str(e.body["to"]) for e in only_events(scene.outputs) if e.kind is EventKind.BENCH]
    assert states[-2:] == ["open", "held"]


def test_a_mat_lead_that_falls_off_is_more_than_the_limit() -> None:
    """A reading that is only "more than" can't show that a mat is below its limit."""
    scene = Scene()
    scene.good()
    outputs = scene.feed(MAT, MAT_OPEN)

    reading = outputs[0]
    assert isinstance(reading, Reading)
    assert reading.sense.value == ">"
    assert scene.given().state is BenchState.OPEN
    assert scene.given().sentence.key == "open.mat_resistance"


def test_dry_air_warns_and_never_opens_a_bench() -> None:
    """Air shows on the lamp; it neither sounds at a bench nor decides its state."""
    scene = Scene()
    scene.good()
    scene.feed(HUMIDITY, 300)

    assert scene.given().state is BenchState.HELD
    assert (scene.given().lamp, scene.given().rhythm) == (Lamp.YELLOW, Rhythm.SILENT)
    assert scene.given().leading == "room/humidity:low"
    assert scene.given().relay


def test_a_limit_clears_only_past_its_deadband() -> None:
    """30 % violates "more than 30 %"; 30.9 % is better, but not by the deadband; 31 % is."""
    scene = Scene()
    scene.good()
    seen = []
    for raw in (301, 300, 305, 309, 310, 305):
        scene.feed(HUMIDITY, raw)
        seen.append(scene.given().leading)

    low = "room/humidity:low"
    assert seen == [None, low, low, low, None, None]


def test_a_check_entered_by_hand_is_judged_by_its_own_limit() -> None:
    """The converter can't see a gigaohm; the periodic check at 100 V can, and stands until the next."""
    scene = Scene(one_bench(entered=True))
    scene.good()
    scene.outputs += scene.core.command(entered(1e9), scene.now)
    assert scene.given().state is BenchState.OPEN, "a strict limit fails at equality"
    scene.feed(MAT, MAT_GOOD + 10)
    assert scene.given().state is BenchState.OPEN, "the channel's own reading does not undo the check"

    scene.outputs += scene.core.command(entered(3.1e7), scene.now)

    assert scene.given().state is BenchState.HELD


def test_the_event_of_a_check_quotes_what_was_entered() -> None:
    """Not the channel's own reading, which says something else."""
    scene = Scene(one_bench(entered=True))
    scene.good()
    outputs = scene.core.command(entered(2e9), scene.now)

    alarm = next(e for e in only_events(outputs) if e.kind is EventKind.ALARM)
    assert (alarm.body["value"], alarm.body["sense"]) == (2e9, "=")


def test_nobody_seen_since_the_start_is_an_empty_bench_at_once() -> None:
    """A restart at night must not sound for an operator who went home."""
    scene = Scene()
    scene.feed(PRESENCE, 0)
    scene.feed(STRAP, 0)

    assert scene.given().state is BenchState.EMPTY
    assert scene.given().rhythm is Rhythm.SILENT
    assert scene.alarms() == []


def test_a_path_that_is_back_is_said_to_be_back_while_its_alarm_waits() -> None:
    """The off-delay keeps the alarm; the sentence does not call a closed path open."""
    plan = one_bench()
    strap = plan.channels[STRAP]
    patient = replace(strap, limits=(closed(off_delay_ns=1000 * MS),))
    scene = Scene(replace(plan, channels=(patient, *plan.channels[1:])))
    scene.good()
    scene.feed(STRAP, 0)
    assert scene.given().sentence.key == "open.strap_contact"
    scene.now += MS
    scene.feed(STRAP, 1)

    assert (scene.given().state, scene.given().rhythm) == (BenchState.HELD, Rhythm.HIGH)
    assert scene.given().sentence.key == "back.strap_contact"


def test_an_older_sample_than_the_last_changes_nothing() -> None:
    """A poll taken before an edge and delivered after it is passed over."""
    scene = Scene()
    scene.good()
    scene.now += 10 * MS
    scene.feed(STRAP, 0)

    late = scene.core.feed(STRAP, scene.now - MS, 1)

    assert list(late) == []
    assert scene.given().state is BenchState.OPEN


def test_an_unacknowledged_alarm_survives_a_restart() -> None:
    """It is still unacknowledged; the first good reading only lets it return."""
    scene = Scene(
        restored={
            "b/strap:closed": {"state": "unacknowledged", "standing": True},
            "gone/long:ago": {"state": "acknowledged", "standing": True},
        }
    )
    scene.good()

    alarm = next(a for a in scene.core.alarms() if a.name == "b/strap:closed")
    assert alarm.state is AlarmState.RETURNED


def test_record_numbers_grow_by_one_over_everything_kept() -> None:
    """(run, count) is an id: no gap, no repeat."""
    scene = Scene()
    scene.good()
    scene.feed(STRAP, 0)
    scene.wait(5000)

    counts = [
        output.count
        for output in scene.outputs
        if isinstance(output, Event) or (isinstance(output, Reading) and output.keep)
    ]
    assert counts == list(range(1, len(counts) + 1))


def test_a_timer_that_runs_no_more_gives_only_its_own_record() -> None:
    """Between asking what is due and letting it happen, a sample may have come; replay still knows."""
    scene = Scene(one_bench(strap_on_delay_ns=200 * MS))
    scene.good()

    with pytest.raises(KeyError):
        scene.core.let(Due("delay", "b/none:closed"), 0)


def test_a_tree_that_does_not_lead_to_earth_is_refused() -> None:
    """A loop or a loose end can never be held."""
    loop = Bench("b", "B", {"b/a": "b/c", "b/c": "b/a"}, ("b/a",))

    with pytest.raises(ValueError, match="does not lead to earth"):
        ways_to_earth(loop)


@pytest.mark.parametrize("raw", [float("nan"), float("inf"), float("-inf")])
def test_a_raw_value_that_is_no_number_holds_no_path(raw: float) -> None:
    """It is neither above nor below any limit; twice in a row the mat can't be told."""
    scene = Scene()
    scene.good()
    scene.feed(MAT, raw)
    scene.feed(MAT, raw)

    assert scene.given().state is BenchState.UNKNOWN
