"""Checks before work in the watcher: sound, light, switched resistors, the socket; lines and clients that fail."""

from __future__ import annotations

import getpass
import importlib.resources
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.convert import Contact
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Channel, Plan
from quietbench.daemon.core.ready_parts import CLEAN_NS, COLOUR_NS, PRESS_NS, Reference
from quietbench.daemon.core.records import Event, EventKind, Lamp, Output
from quietbench.daemon.socket.client import SocketClient
from quietbench.daemon.socket.errors import RefusedError
from quietbench.daemon.watcher.annunciators import Annunciators, Lines
from quietbench.daemon.watcher.desk import Desk
from quietbench.daemon.watcher.inbox import Inbox, Request
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.daemon.watcher.readiness import NOBODY, Readiness
from quietbench.daemon.watcher.server import SocketServer
from quietbench.daemon.watcher.views import Views
from quietbench.drivers.samples import Reason
from tests.core.plans import BOND, HUMIDITY, MAT, MAT_GOOD, MAT_OPEN, MS, PRESENCE, STRAP, one_bench
from tests.core.test_ready import counts
from tests.watcher.test_annunciators import FakeLine, levels

ME = getpass.getuser()
WHO = {"person": ME, "role": "operator", "why": "start of shift"}
BUTTON = 5
TEN = Reference(6, "b/mat", 1e7)
GOOD = {PRESENCE: 1.0, STRAP: 1.0, MAT: float(MAT_GOOD), BOND: 1.0, HUMIDITY: 450.0, BUTTON: 0.0}


def plan_with_button() -> Plan:
    plan = one_bench()
    button = Channel("b/button", "button", "1", Contact())
    bench = replace(plan.benches[0], ready=("b/button",), ready_every_ns=3600_000 * MS)
    return replace(plan, benches=(bench,), channels=(*plan.channels, button))


class Rig:
    """Core, annunciators and readiness with a hand-moved clock; a round is had when the test says so."""

    def __init__(self, clock: Callable[[], int] | None = None) -> None:
        self.now_ns = 1000
        clock = clock or (lambda: self.now_ns)
        self.plan = plan_with_button()
        board = ProgressBoard(clock)
        lamp = {Lamp.RED: FakeLine(), Lamp.YELLOW: FakeLine(), Lamp.GREEN: FakeLine()}
        self.lines = Lines(FakeLine(), lamp, FakeLine())
        self.annunciators = Annunciators({"b": self.lines}, clock, board)
        self.resistor = FakeLine()
        self.inbox = Inbox()
        self.views = Views(self.plan, lambda: 3, Clock(known_by="always"))
        self.readiness = Readiness(
            self.plan,
            self.annunciators,
            {"b": {TEN: self.resistor}},
            views=self.views,
            person=lambda name: f"id of {name}",
        )
        self.outputs: list[Output] = []
        core = Core(self.plan, clock())
        self.loop = CoreLoop(
            core,
            self.inbox,
            monotonic_ns=clock,
            board=board,
            annunciate=self.annunciators.give,
            hand_on=self.hand_on,
        )
        self.loop.attendant = self.readiness
        self.readiness.loop = self.loop
        self.readiness.open()
        self.levels: dict[int, float | None] = dict(GOOD)

    def hand_on(self, outputs: Any) -> None:
        self.outputs += outputs
        self.readiness.see(outputs)

    def start(self) -> None:
        self.loop.give(self.loop.core.start(self.now_ns, {}, {}))
        self.round(0)

    def round(self, ms: int = 50, **levels: float) -> None:
        """Let time pass, poll everything, and have the loop's rounds that follow."""
        self.now_ns += ms * MS
        self.levels.update({globals()[name]: raw for name, raw in levels.items()})
        batch = [
            (channel, self.now_ns, self.wire(channel, raw), None if raw is not None else Reason.SILENT)
            for channel, raw in self.levels.items()
        ]
        self.inbox.put_batch(batch)
        self.loop._round()
        self.inbox.put_request(Request(lambda _now: None))  # so that the second round waits for nothing
        self.loop._round()

    def wire(self, channel: int, raw: float | None) -> float | None:
        return counts(TEN.ohm) if channel == MAT and self.resistor.on else raw

    def wait(self, ms: int) -> None:
        for _ in range(ms // 50):
            self.round()

    def press(self) -> None:
        self.round(BUTTON=1)
        self.round(BUTTON=0)

    @property
    def records(self) -> list[dict[str, Any]]:
        return [
            o.body
            for o in self.outputs
            if isinstance(o, Event) and o.kind is EventKind.COMMAND and o.body["do"] == "ready"
        ]

    @property
    def buzzing(self) -> bool:
        return levels(self.lines)["buzzer"]


@pytest.fixture
def rig() -> Rig:
    rig = Rig()
    rig.start()
    return rig


def to_strap(rig: Rig) -> None:
    """By button through lamp, buzzer and channels."""
    rig.press()
    rig.wait(3 * COLOUR_NS // MS + 1100)
    assert rig.buzzing
    rig.press()
    rig.wait(600)


def lift(rig: Rig) -> None:
    rig.round(STRAP=0)
    assert rig.buzzing, "the bench sounds as it would at work"
    rig.wait(500)
    rig.round(STRAP=1)


def test_a_button_walks_the_whole_check_and_the_bench_is_ready(rig: Rig) -> None:
    """Lamp, buzzer, press, strap, resistor; the record has no person, and says so."""
    assert rig.loop.core.annunciations()[0].ready == "missing"
    to_strap(rig)
    lift(rig)
    rig.wait(4000)

    [record] = rig.records
    assert record["result"] == "passed", record["detail"]
    assert record["detail"]["by"] == "button"
    assert (record["person"], record["role"], record["uid"]) == (f"id of {NOBODY}", "button", None)
    steps = {step["step"]: step["result"] for step in record["detail"]["steps"]}
    assert steps["buzzer"] == steps["strap b"] == steps["reference b/mat 1e+07 ohm"] == "passed"
    assert rig.loop.core.annunciations()[0].ready == "passed"
    assert levels(rig.lines) == {"buzzer": False, "red": False, "yellow": False, "green": True}


def test_the_button_leaves_the_alarm_of_the_lift_to_a_person(rig: Rig) -> None:
    """Nobody has signed in, so nobody has acknowledged."""
    to_strap(rig)
    lift(rig)
    rig.wait(4000)
    assert [a.state.value for a in rig.loop.core.alarms()] == ["returned unacknowledged"]


def test_nobody_at_the_button_and_the_check_fails(rig: Rig) -> None:
    """The buzzer rests, and the bench shows the failed check."""
    rig.press()
    rig.wait((3 * COLOUR_NS + PRESS_NS) // MS + 100)

    [record] = rig.records
    assert record["result"] == "failed"
    assert record["detail"]["steps"][-1]["why"] == "nobody answered"
    assert not rig.buzzing
    assert rig.loop.core.annunciations()[0].ready == "failed"


def test_a_button_that_is_down_from_the_start_was_not_pressed() -> None:
    """Jammed or wired the wrong way round."""
    rig = Rig()
    rig.levels[BUTTON] = 1
    rig.start()
    rig.wait(500)
    assert levels(rig.lines)["red"] is False
    assert rig.records == []


def test_a_button_is_no_use_while_a_path_alarm_stands(rig: Rig) -> None:
    """Nothing begins, nothing is recorded; the alarm goes on."""
    rig.round(STRAP=0)
    rig.press()
    rig.wait(200)
    assert rig.readiness._running == {}
    assert rig.records == []


@pytest.mark.parametrize("channel", ["STRAP", "BOND"])
def test_a_real_alarm_takes_lamp_and_buzzer_in_the_round_that_brings_it(rig: Rig, channel: str) -> None:
    """The test of the green lamp must not hide a path that opens."""
    rig.press()
    rig.wait(2 * COLOUR_NS // MS)
    assert levels(rig.lines) == {"buzzer": False, "red": False, "yellow": False, "green": True}

    rig.round(**{channel: 0})

    assert levels(rig.lines) == {"buzzer": True, "red": True, "yellow": False, "green": False}
    rig.round()
    [record] = rig.records
    assert record["result"] == "failed"
    assert "a real alarm came" in record["detail"]["steps"][-1]["why"]


def to_reference(rig: Rig) -> None:
    to_strap(rig)
    lift(rig)
    rig.wait(200)
    assert rig.resistor.on


def test_while_a_resistor_is_in_samples_are_marked_and_a_while_after(rig: Rig) -> None:
    """What was read of the resistor, and arrives late, must not count as the mat's."""
    to_reference(rig)
    sample = (MAT, rig.now_ns, 2000, None)
    assert rig.readiness.mark(sample) == (*sample[:3], Reason.SELF_TEST)
    assert rig.readiness.mark((MAT, rig.now_ns, None, Reason.LATE))[3] is Reason.LATE
    assert rig.readiness.mark((STRAP, rig.now_ns, 1, None))[3] is None
    while rig.resistor.on:
        rig.round()
    released_ns = rig.now_ns
    late = (MAT, released_ns + CLEAN_NS, 2000, None)
    assert rig.readiness.mark(late)[3] is Reason.SELF_TEST
    assert rig.readiness.mark((MAT, released_ns + CLEAN_NS + 1, 2816, None))[3] is None
    assert rig.readiness.marks is False


def test_stopping_the_watcher_releases_the_resistor_and_records_it(rig: Rig) -> None:
    """Not finished is failed."""
    to_reference(rig)
    rig.readiness.close(rig.now_ns)

    assert not rig.resistor.on
    assert rig.resistor.closed
    [record] = rig.records
    assert (record["result"], record["detail"]["steps"][-1]["why"]) == ("failed", "not finished")


def test_a_release_that_fails_is_tried_until_it_works(rig: Rig) -> None:
    """And so long the channel watches nothing, and the bench is not held."""
    to_reference(rig)
    rig.resistor.broken = True
    rig.wait(4000)
    assert rig.resistor.on
    assert rig.loop.core.annunciations()[0].state.value == "unknown"

    rig.resistor.broken = False
    rig.wait(2000)

    assert not rig.resistor.on
    assert rig.loop.core.annunciations()[0].state.value == "held"


def test_a_line_that_can_t_be_driven_fails_its_step_alone(rig: Rig) -> None:
    """The bench is held again right after."""
    to_strap(rig)
    rig.resistor.broken = True
    lift(rig)
    rig.wait(1000)
    rig.resistor.broken = False
    rig.wait(3000)

    [record] = rig.records
    steps = {step["step"]: step for step in record["detail"]["steps"]}
    assert "can't be driven" in steps["reference b/mat 1e+07 ohm"]["why"]
    assert rig.loop.core.annunciations()[0].state.value == "held"


def test_a_check_that_breaks_leaves_nothing_under_test(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A mistake in the program must not leave a resistor in the wire."""
    to_reference(rig)
    check = rig.readiness._running["b"].check

    def broken(*_: object) -> None:
        raise RuntimeError("a mistake")

    monkeypatch.setattr(check, "turn", broken)
    rig.round()

    assert not rig.resistor.on
    assert rig.records[0]["result"] == "failed"
    assert rig.readiness._running == {}
    assert "a mistake" in caplog.text


def test_an_alarm_of_the_mat_behind_the_resistor_comes_after_its_release(rig: Rig) -> None:
    """Late by the length of the test, and never lost."""
    to_reference(rig)
    rig.round(MAT=MAT_OPEN)
    assert not rig.buzzing
    rig.wait(4000)

    assert rig.buzzing
    assert rig.records[0]["result"] == "failed"


def test_lines_are_claimed_and_off_from_the_start() -> None:
    """A relay must not float until the first check."""
    assert Rig().resistor.levels == [False]


# -- over the socket -------------------------------------------------------------------------------------


class Served(Rig):
    """The same with threads, a socket, and the machine's own clock; resistor tests aside."""

    def __init__(self, folder: Path) -> None:
        super().__init__(time.monotonic_ns)
        self.now_ns = time.monotonic_ns()
        self.path = folder / "w.sock"
        self.desk = Desk(
            inbox=self.inbox,
            views=self.views,
            person=lambda name: f"id of {name}",
            status=dict,
            page_uid=None,
        )
        greeting = {"quietbench": 1, "watcher": "w", "site": "s", "run": 3, "software": "0"}
        self.server = SocketServer(
            self.path,
            group=None,
            greeting=lambda: greeting,
            handle=self.desk.handle,
            board=ProgressBoard(time.monotonic_ns),
            monotonic_ns=time.monotonic_ns,
        )
        self.desk.loop, self.desk.server, self.desk.readiness = self.loop, self.server, self.readiness
        self.readiness.server = self.server
        self.loop.start(self.loop.core.start(time.monotonic_ns(), {}, {}))
        self.server.start()
        self.feed()

    def feed(self, **levels: float) -> None:
        self.levels.update({globals()[name]: raw for name, raw in levels.items()})
        now_ns = time.monotonic_ns()
        self.inbox.put_batch(
            [(channel, now_ns, self.wire(channel, raw), None) for channel, raw in self.levels.items()]
        )

    def stop(self) -> None:
        self.loop.stop()
        self.readiness.close(time.monotonic_ns())
        self.server.stop()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    served = Served(tmp_path)
    yield served
    served.stop()


SCHEMA = json.loads(
    (importlib.resources.files("quietbench.config") / "schemas" / "socket.json").read_text("utf-8")
)


def validate(line: dict[str, Any], kind: str) -> None:
    schema = {"$defs": SCHEMA["$defs"], "$ref": f"#/$defs/{kind}"}
    jsonschema.Draft202012Validator(schema).validate(line)


def walk(served: Served, client: SocketClient, *, answer: str = "yes") -> list[dict[str, Any]]:
    """Do what is asked; return every line of the check."""
    seen = []
    for line in client.converse("ready-check", quiet_s=0.1, bench="b", **WHO):
        if line is None:
            served.feed()
            continue
        if "ready" not in line:
            validate(line, "answer")
            continue
        validate(line, "ready_line")
        ready = line["ready"]
        seen.append(ready)
        if "ask" in ready:
            request = {"id": 1, "do": "ready-answer", "bench": "b", "answer": answer}
            validate(request, "request")
            client.say("ready-answer", bench="b", answer=answer)
        elif "lift" in ready.get("say", ""):
            served.feed()
            served.feed(STRAP=0)
        elif "Lifted" in ready.get("say", ""):
            time.sleep(0.06)  # the core's thread needs a round to see that it sounds
            served.feed(STRAP=1)
        if ready["step"] == "end":
            return seen
    raise AssertionError("the check never ended")


@pytest.mark.slow
def test_a_check_over_the_socket_asks_says_and_ends_with_its_record(served: Served) -> None:
    """Every line fits the schema; the person of the record is who asked, and the lift is acknowledged."""
    validate({"id": 1, "do": "ready-check", "bench": "b", **WHO}, "request")
    with SocketClient(served.path) as client:
        lines = walk(served, client)

    assert lines[-1]["result"] == "passed", lines
    assert lines[-1]["event"]["body"]["person"] == f"id of {ME}"
    assert lines[-1]["detail"] == served.records[0]["detail"]
    assert [line["step"] for line in lines if "ask" in line] == [
        "lamp red",
        "lamp yellow",
        "lamp green",
        "buzzer",
    ]
    assert served.loop.core.alarms() == ()


@pytest.mark.slow
def test_a_client_that_vanishes_fails_the_check(served: Served) -> None:
    """Not finished; lamp and buzzer say again what is so."""
    with SocketClient(served.path) as client:
        client.request("ready-check", bench="b", **WHO)
        _until(lambda: levels(served.lines)["red"])
    _until(lambda: served.records)

    assert served.records[0]["result"] == "failed"
    assert served.records[0]["detail"]["steps"][-1]["why"] == "not finished"
    _until(lambda: not levels(served.lines)["red"])


@pytest.mark.slow
def test_what_can_t_be_is_refused_in_words(served: Served) -> None:
    """A second check, a wrong bench, an answer to nothing, an answer by somebody else, an answer that is none."""
    with SocketClient(served.path) as client, SocketClient(served.path) as other:
        with pytest.raises(RefusedError, match="nothing is asked"):
            client.request("ready-answer", bench="b", answer="yes")
        with pytest.raises(RefusedError, match="no such bench"):
            client.request("ready-check", bench="x", **WHO)
        with pytest.raises(RefusedError, match="lacks 'role'"):
            client.request("ready-check", bench="b", person=ME, why="w")
        with pytest.raises(RefusedError, match="only the page"):
            client.request("ready-check", bench="b", **{**WHO, "person": "somebody else"})
        client.request("ready-check", bench="b", **WHO)
        _until(lambda: levels(served.lines)["red"])
        with pytest.raises(RefusedError, match="a check runs"):
            other.request("ready-check", bench="b", **WHO)
        with pytest.raises(RefusedError, match="somebody else was asked"):
            other.request("ready-answer", bench="b", answer="yes")
        with pytest.raises(RefusedError, match="no such answer"):
            client.request("ready-answer", bench="b", answer="perhaps")


@pytest.mark.slow
def test_a_check_is_refused_while_an_alarm_stands(served: Served) -> None:
    """With the alarm's name."""
    served.feed(STRAP=0)
    with SocketClient(served.path) as client, pytest.raises(RefusedError, match="b/strap:closed"):
        client.request("ready-check", bench="b", **WHO)


def _until(what: Callable[[], Any]) -> None:
    end = time.monotonic() + 5.0
    while not what():
        assert time.monotonic() < end
        time.sleep(0.01)
