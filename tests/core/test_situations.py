"""Which ways a bench must hold, by who is there and what is out; and what explains several openings at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from quietbench.daemon.core.bench import Cause, StretchState, explain
from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.convert import Contact, Linear
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import (
    Bench,
    Channel,
    Limit,
    Plan,
    Posture,
    Priority,
    Requirement,
    Seat,
    Tool,
)
from quietbench.daemon.core.records import BenchState, Rhythm
from quietbench.daemon.core.situation import REQUIRED, Situation, Way
from quietbench.drivers.samples import Reason
from tests.core.plans import MS, OWN, closed
from tests.core.test_engine import WHO, Scene

S = 1000 * MS
NAMES = (
    "strap",
    "mat",
    "bond",
    "presence",
    "board",
    "hot",
    "tip",
    "strap2",
    "presence2",
    "footwear",
    "button",
)
STRAP, MAT, BOND, PRESENCE, BOARD, HOT, TIP, STRAP2, PRESENCE2, FOOTWEAR, BUTTON = range(11)
MEASURES = {
    "strap": {"b/skin", "b/jack"},
    "strap2": {"b/skin2", "b/jack2"},
    "mat": {"b/mat"},
    "bond": {"b/common"},
    "tip": {"b/tip"},
}
QUANTITIES = {
    "mat": "earth_bond",
    "bond": "earth_bond",
    "tip": "earth_bond",
    "presence": "presence",
    "presence2": "presence",
    "board": "board_out",
    "hot": "tool_hot",
    "footwear": "footwear_resistance",
    "button": "button",
}


def channel(name: str) -> Channel:
    """A contact for everything: closed is 1. Footwear is judged by hand."""
    quantity = QUANTITIES.get(name, "strap_contact")
    measures = frozenset(MEASURES.get(name, set()))
    if name == "footwear":
        limit = Limit("upper", Requirement.BELOW, 1e9, OWN, Priority.MEDIUM, entered=True)
        return Channel("b/footwear", quantity, "ohm", Linear(1.0), (limit,), silent_after_ns=0)
    limits = (closed(),) if measures else ()
    return Channel(
        f"b/{name}",
        quantity,
        "1",
        Contact(),
        limits,
        measures,
        Priority.HIGH,
        gated=name.startswith("strap"),
    )


def full_plan(*, board: bool = True, standing: bool = False) -> Plan:
    """Two seats, a worksurface, a tool, and a detector for the board."""
    stretches = {
        "b/common": "earth",
        "b/jack": "b/common",
        "b/skin": "b/jack",
        "b/jack2": "b/common",
        "b/skin2": "b/jack2",
        "b/mat": "b/common",
        "b/tip": "b/common",
    }
    posture = Posture.STANDING if standing else Posture.SEATED
    bench = Bench(
        "b",
        "Bench",
        stretches,
        ("b/mat",),
        presence_hold_ns=10_000 * MS,
        seats=(
            Seat("b/left", "b/skin", ("b/presence",), posture, "b/footwear" if standing else ""),
            Seat("b/right", "b/skin2", ("b/presence2",), visitor=True),
        ),
        tools=(Tool("b/iron", "b/tip", "b/hot"),),
        board=("b/board",) if board else (),
        silence=("b/button",),
        strap_off_above_v=50.0,
        ready_every_ns=0,
    )
    return Plan("site", "w", (bench,), tuple(channel(name) for name in NAMES), "own")


def scene(plan: Plan | None = None, **values: float) -> Scene:
    """All paths closed, nobody there, no board, tool cold; then what is given."""
    made = Scene(plan or full_plan())
    at_rest = dict.fromkeys(("mat", "bond", "tip"), 1.0) | dict.fromkeys(set(NAMES) - {"footwear"}, 0.0)
    at_rest |= {"mat": 1.0, "bond": 1.0, "tip": 1.0, **values}
    for index, name in enumerate(NAMES):
        if name in at_rest:
            made.feed(index, at_rest[name])
    return made


def test_the_table_names_every_situation_once() -> None:
    """Only a standing person has two ways that may stand in for each other."""
    assert set(REQUIRED) == set(Situation)
    assert [s for s, ways in REQUIRED.items() if len(ways) > 1] == [Situation.STANDING]
    assert {way for ways in REQUIRED.values() for way in ways} == set(Way)


@pytest.mark.parametrize(
    ("values", "state"),
    [
        ({}, BenchState.EMPTY),
        ({"presence": 1.0}, BenchState.OPEN),
        ({"presence": 1.0, "strap": 1.0}, BenchState.HELD),
        ({"strap": 1.0}, BenchState.HELD),
        ({"board": 1.0}, BenchState.HELD),
        ({"board": 1.0, "mat": 0.0}, BenchState.OPEN),
        ({"mat": 0.0}, BenchState.EMPTY),
        ({"presence": 1.0, "strap": 1.0, "mat": 0.0}, BenchState.HELD),
        ({"presence": 1.0, "strap": 1.0, "board": 1.0, "mat": 0.0}, BenchState.OPEN),
        ({"hot": 1.0}, BenchState.HELD),
        ({"hot": 1.0, "tip": 0.0}, BenchState.OPEN),
        ({"tip": 0.0}, BenchState.EMPTY),
        ({"presence": 1.0, "strap": 1.0, "tip": 0.0}, BenchState.HELD),
        ({"presence2": 1.0, "strap": 1.0}, BenchState.OPEN),
        ({"presence2": 1.0, "strap2": 1.0}, BenchState.HELD),
        ({"presence": 1.0, "strap": 1.0, "bond": 0.0}, BenchState.OPEN),
    ],
)
def test_what_the_situation_asks_for_decides(values: dict[str, Any], state: BenchState) -> None:
    """Rows of the table, alone and together."""
    assert scene(**values).given().state is state


def test_without_a_detector_a_board_counts_as_out_while_the_bench_is_in_use() -> None:
    """The worksurface is required then, and not while nobody is there."""
    plan = full_plan(board=False)

    assert scene(plan, mat=0.0).given().state is BenchState.EMPTY
    assert scene(plan, presence=1.0, strap=1.0, mat=0.0).given().state is BenchState.OPEN


@pytest.mark.parametrize(("channel_", "state"), [(BOARD, BenchState.HELD), (HOT, BenchState.HELD)])
def test_what_cannot_be_told_counts_as_so(channel_: int, state: BenchState) -> None:
    """A detector that fails leaves a board out, or a tool hot; the bench is not empty."""
    made = scene()
    for _ in range(2):
        made.feed(channel_, None, Reason.UNPLUGGED)

    assert made.given().state is state


def test_an_open_strap_at_the_start_waits_for_the_detector_to_speak() -> None:
    """A watcher that starts beside an empty bench says nothing, whichever line it reads first."""
    made = Scene(full_plan(board=False))
    made.feed(STRAP, 0)
    assert made.alarms() == []
    assert made.given().state is BenchState.OPEN

    made.feed(PRESENCE, 1)

    assert made.alarms() == [("b/strap:closed", "unacknowledged")]


def test_a_detector_that_never_speaks_does_not_keep_the_strap_quiet() -> None:
    """Its fault after three seconds opens the gate."""
    made = Scene(full_plan(board=False))
    made.feed(STRAP, 0)
    for _ in range(3):
        made.wait(1000)
        made.feed(STRAP, 0)

    assert ("b/strap:closed", "unacknowledged") in made.alarms()


def test_taking_the_strap_off_after_bagging_the_board_is_no_alarm() -> None:
    """The person may walk; only the state says that their path is open."""
    made = scene(presence=1.0, strap=1.0, board=1.0)
    made.feed(BOARD, 0)
    made.feed(STRAP, 0)

    assert made.alarms() == []
    assert made.given().rhythm is Rhythm.SILENT
    made.feed(BOARD, 1)
    assert made.given().rhythm is Rhythm.HIGH, "a board that comes out finds the strap off"


def test_a_strap_that_lets_go_of_a_still_person_sounds() -> None:
    """The detector has seen nothing for long; the loop that was closed says that somebody was there."""
    plan = full_plan(board=False)
    made = scene(plan, presence=1.0, strap=1.0)
    made.feed(PRESENCE, 0)
    keep_on(made, 15, (1, 1, 1, 0, 0, 0, 1, 0, 0))
    assert made.given().state is BenchState.HELD

    made.feed(STRAP, 0)

    assert made.given().state is BenchState.OPEN
    assert made.given().rhythm is Rhythm.HIGH
    keep_on(made, 10, (0, 1, 1, 0, 0, 0, 1, 0, 0))
    assert made.given().rhythm is Rhythm.SILENT, "ten seconds without a sign: gone after all"


def test_a_test_of_footwear_stands_in_for_a_standing_persons_strap_until_it_expires() -> None:
    """Entered today: the strap is not required; tomorrow it is."""
    made = scene(full_plan(standing=True), presence=1.0)
    assert made.given().state is BenchState.OPEN
    body = {"do": "enter", "channel": "b/footwear", "value": 2e7, "instrument": "i3", **WHO}
    made.outputs += made.core.command(body, made.now)
    assert made.given().state is BenchState.HELD
    assert made.given().rhythm is Rhythm.SILENT

    made.now += 12 * 3600 * 1000 * MS
    for due in made.core.due(made.now):
        made.outputs += made.core.let(due, made.now)
    for index in (PRESENCE, MAT, BOND, TIP):
        made.feed(index, 1)
    made.feed(STRAP, 0)

    assert made.given().state is BenchState.OPEN


def test_the_idle_strap_of_an_empty_seat_opens_nothing_for_its_neighbour() -> None:
    """It measures through the common point as well; open because nobody wears it, it says nothing of that."""
    plan = full_plan(board=False)
    shared = replace(plan.channels[STRAP2], measures=plan.channels[STRAP2].measures | {"b/common"})
    channels = (*plan.channels[:STRAP2], shared, *plan.channels[STRAP2 + 1 :])

    made = scene(replace(plan, channels=channels), presence=1.0, strap=1.0)

    assert made.given().state is BenchState.HELD
    made.feed(PRESENCE2, 1)
    assert made.given().state is BenchState.OPEN


def test_a_failed_footwear_test_stands_in_for_nothing() -> None:
    """1e9 ohm is not below 1e9 ohm."""
    made = scene(full_plan(standing=True), presence=1.0)
    body = {"do": "enter", "channel": "b/footwear", "value": 1e9, "instrument": "i3", **WHO}
    made.outputs += made.core.command(body, made.now)

    assert made.given().state is BenchState.OPEN


def keep_on(made: Scene, seconds: int, values: tuple[float, ...]) -> None:
    """Let time pass with everything polled: strap, mat, bond, presence, board, hot, tip, strap2, presence2."""
    for _ in range(seconds):
        made.wait(1000)
        for index, value in enumerate(values):
            made.feed(index, value)
        made.feed(BUTTON, 0)


def watches(**measures: set[str]) -> list[ChannelWatch]:
    return [
        ChannelWatch(i, Channel(name, "earth_bond", "1", Contact(), (), frozenset(stretches)), 0)
        for i, (name, stretches) in enumerate(measures.items())
    ]


def test_the_widest_cause_comes_first_whatever_the_order() -> None:
    """Three channels share the stud, one has a fault of its own."""
    seen = watches(a={"stud", "x"}, b={"stud", "y"}, c={"stud", "z"}, d={"w"})
    suspects = ("stud", "x", "y", "z", "w")

    expected = (Cause(("stud",), ("a", "b", "c")), Cause(("w",), ("d",)))
    assert explain(seen, suspects) == expected
    assert explain(reversed(seen), suspects) == expected


def test_stretches_that_the_same_channels_cross_stand_together() -> None:
    """Nothing can tell them apart."""
    assert explain(watches(a={"p", "q"}, b={"p", "q"}), ("p", "q")) == (Cause(("p", "q"), ("a", "b")),)


def test_what_opens_together_is_led_by_one_alarm_that_names_the_shared_stretch() -> None:
    """The common point falls off, strap and mat measure through it: one speaks, the others stand under it."""
    through = {"b/common"}
    plan = full_plan(board=False)
    channels = tuple(
        replace(c, measures=c.measures | through) if c.name in ("b/strap", "b/mat", "b/bond") else c
        for c in plan.channels
    )
    for order in ((STRAP, MAT, BOND), (BOND, MAT, STRAP)):
        made = scene(replace(plan, channels=channels), presence=1.0, strap=1.0)
        for index in order:
            made.feed(index, 0)

        given = made.given()
        assert given.cause == ("b/common",)
        assert given.sentence.key == "open.shared"
        assert given.leading == "b/bond:closed"
        assert set(given.grouped) == {"b/strap:closed", "b/mat:closed"}


def test_danger_to_people_speaks_first_on_every_bench() -> None:
    """Strap, mat and earth sentences wait."""
    plan = full_plan()
    limit = Limit("touch", Requirement.BELOW, 25.0, OWN, Priority.HIGH, danger=True)
    offset = Channel("room/offset", "earth_offset", "V", Linear(1.0), (limit,))
    made = scene(replace(plan, channels=(*plan.channels, offset)), presence=1.0, board=1.0)
    assert made.given().sentence.key == "open.strap_contact"

    made.feed(len(plan.channels), 25.0)

    assert made.given().leading == "room/offset:touch"
    assert made.given().sentence.key == "danger.earth_offset"
    assert made.given().rhythm is Rhythm.HIGH
    with pytest.raises(ValueError, match="an alarm of danger to people"):
        command(made, "shelve", alarm="room/offset:touch", for_s=1801.0)


# -- shelves, silence, live work --------------------------------------------------------------------------


def command(made: Scene, do: str, **keys: object) -> None:
    made.outputs += made.core.command({"do": do, **keys, **WHO}, made.now)


def test_a_shelved_path_is_quiet_and_still_open() -> None:
    """Bench state and relay follow the condition; after half an hour at most the alarm is back."""
    made = scene(presence=1.0, board=1.0)
    command(made, "shelve", alarm="b/strap:closed", for_s=60.0)
    assert made.given().rhythm is Rhythm.SILENT
    assert made.given().state is BenchState.OPEN
    assert not made.given().relay

    made.now += 60_000 * MS - 1
    assert not [due for due in made.core.due(made.now) if due.kind == "shelf"]
    made.wait(1 / MS)

    assert made.given().rhythm is Rhythm.HIGH
    assert ("b/strap:closed", "shelved") in made.alarms()


@pytest.mark.parametrize("for_s", [0.0, -1.0, 1800.1])
def test_a_path_is_not_shelved_for_longer_than_half_an_hour(for_s: float) -> None:
    """The refusal says how long would do."""
    made = scene(presence=1.0)
    with pytest.raises(ValueError, match="1800"):
        command(made, "shelve", alarm="b/strap:closed", for_s=for_s)


def test_silence_is_no_acknowledgement_and_what_is_new_sounds() -> None:
    """Nobody signs in for it; after its time it sounds again by itself."""
    made = scene(presence=1.0, board=1.0)
    made.feed(BUTTON, 1)
    assert (made.given().rhythm, made.given().silenced) == (Rhythm.SILENT, True)
    assert made.alarms() == [("b/strap:closed", "unacknowledged")]

    made.feed(MAT, 0)
    assert made.given().rhythm is Rhythm.HIGH, "a new alarm is not silenced"

    made.feed(MAT, 1)
    made.feed(BUTTON, 0)
    keep_on(made, 121, (0, 1, 1, 1, 1, 0, 1, 0, 0))
    assert made.given().rhythm is Rhythm.HIGH


def test_a_strap_that_closes_and_opens_again_within_the_silence_sounds() -> None:
    """It is a new opening; nobody has heard of it yet."""
    made = scene(presence=1.0, board=1.0)
    made.feed(BUTTON, 1)
    made.now += MS
    made.feed(STRAP, 1)
    made.now += MS
    made.feed(STRAP, 0)

    assert made.given().rhythm is Rhythm.HIGH


def test_an_acknowledged_alarm_sounds_again_after_its_time() -> None:
    """Nobody forgets a strap for long."""
    plan = full_plan()
    strap = replace(plan.channels[STRAP], limits=(replace(closed(), resound_ns=5000 * MS),))
    made = scene(replace(plan, channels=(strap, *plan.channels[1:])), presence=1.0, board=1.0)
    command(made, "acknowledge", alarm="b/strap:closed")
    assert made.given().rhythm is Rhythm.SILENT
    keep_on(made, 5, (0, 1, 1, 1, 1, 0, 1, 0, 0))

    assert made.given().rhythm is Rhythm.HIGH


def test_live_work_suppresses_the_straps_alarms_and_nothing_else() -> None:
    """The bench stays open by its condition, a mat that opens sounds, and afterwards a ready check is missing."""
    plan = full_plan()
    bench = replace(plan.benches[0], ready_every_ns=10**15)
    made = scene(replace(plan, benches=(bench,)), presence=1.0, strap=1.0, board=1.0)
    command(made, "ready", bench="b", result="passed")
    assert made.given().ready == "passed"
    command(made, "live", bench="b", for_s=60.0)
    made.feed(STRAP, 0)
    assert made.given().live
    assert made.given().state is BenchState.OPEN
    assert made.given().rhythm is Rhythm.SILENT
    assert made.given().sentence.key == "live_work"

    made.feed(MAT, 0)
    assert made.given().rhythm is Rhythm.HIGH
    made.feed(MAT, 1)
    keep_on(made, 60, (0, 1, 1, 1, 1, 0, 1, 0, 0))

    assert not made.given().live
    assert made.given().ready == "missing"
    assert made.given().rhythm is Rhythm.HIGH, "the strap is still off"


def test_a_strap_alarm_put_back_during_live_work_asks_for_no_strap() -> None:
    """It waits, suppressed, for the end of live work."""
    made = scene(presence=1.0, board=1.0)
    command(made, "live", bench="b", for_s=3600.0)
    command(made, "remove", alarm="b/strap:closed")
    command(made, "put-back", alarm="b/strap:closed")

    assert (made.given().rhythm, made.given().sentence.key) == (Rhythm.SILENT, "live_work")
    command(made, "end-live", bench="b")
    assert made.given().rhythm is Rhythm.HIGH


@pytest.mark.parametrize(("live_until_ns", "state"), [(None, "unacknowledged"), (S, "suppressed by design")])
def test_after_a_restart_live_work_alone_decides_what_is_suppressed(
    live_until_ns: int | None, state: str
) -> None:
    """A plan that changed in between leaves no strap suppressed for ever, and none that asks to be worn."""
    core = Core(full_plan(), 0)
    kept = {
        "b/strap:closed": {"state": "suppressed by design" if live_until_ns is None else "unacknowledged"}
    }
    kept["b/strap:closed"]["standing"] = True  # type: ignore[assignment]
    core.start(0, {}, kept, {"b": {"live_until_ns": live_until_ns}})

    assert core.book.by_name["b/strap:closed"].state.value == state


def test_a_button_declares_live_work_and_ends_it() -> None:
    """For half an hour; nobody is signed in, and without the site's rule it does nothing."""
    plan = full_plan()
    for volts, live in ((50.0, True), (None, False)):
        bench = replace(plan.benches[0], silence=(), live=("b/button",), strap_off_above_v=volts)
        made = scene(replace(plan, benches=(bench,)), presence=1.0, strap=1.0)
        made.feed(BUTTON, 1)
        assert made.given().live is live
        made.wait(3)
        made.feed(BUTTON, 0)
        made.wait(3)
        made.feed(BUTTON, 1)
        assert made.given().live is live, "a contact that bounces is no second press"
        made.wait(200)
        made.feed(BUTTON, 0)
        made.wait(200)
        made.feed(BUTTON, 1)
        assert not made.given().live


def test_live_work_needs_the_sites_own_rule() -> None:
    """No default: a site that has set no voltage has no live work to declare."""
    plan = full_plan()
    made = scene(replace(plan, benches=(replace(plan.benches[0], strap_off_above_v=None),)))
    with pytest.raises(ValueError, match="strap_off_above_v"):
        command(made, "live", bench="b", for_s=60.0)


def test_a_latched_alarm_stays_until_it_is_reset() -> None:
    """Also when the value is well again, and after an acknowledgement."""
    plan = full_plan()
    mat = replace(plan.channels[MAT], limits=(replace(closed(), latching=True),))
    made = scene(replace(plan, channels=(plan.channels[0], mat, *plan.channels[2:])), board=1.0)
    made.feed(MAT, 0)
    made.feed(MAT, 1)
    assert made.given().state is BenchState.HELD
    assert made.given().rhythm is Rhythm.HIGH
    command(made, "acknowledge", alarm="b/mat:closed")
    assert made.given().rhythm is Rhythm.SILENT
    assert made.given().leading == "b/mat:closed"

    command(made, "reset", alarm="b/mat:closed")

    assert made.given().leading is None


def test_quiet_hours_are_never_for_paths() -> None:
    """A warning of the air waits for the morning; a strap does not."""
    made = scene(presence=1.0, board=1.0)
    made.outputs += made.core.quiet(made.now, on=True)

    assert made.given().rhythm is Rhythm.HIGH


def test_out_of_service_alarms_come_back_as_their_condition_stands() -> None:
    """Maintenance hides the alarm, never the state."""
    made = scene(presence=1.0, board=1.0)
    command(made, "remove", alarm="b/strap:closed")
    assert (made.given().rhythm, made.given().state) == (Rhythm.SILENT, BenchState.OPEN)
    command(made, "put-back", alarm="b/strap:closed")
    assert made.given().rhythm is Rhythm.HIGH


def test_every_required_stretch_has_a_state() -> None:
    """Views ask for all of a bench's stretches, required now or not."""
    core = Core(full_plan(), 0)
    bench = core.benches["b"]

    assert {bench.stretch_state(s) for s in bench.stretches} == {StretchState.UNKNOWN}
