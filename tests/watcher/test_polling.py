"""The bus thread: failures become samples, a dead device is asked less, and edges overtake."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any, ClassVar

import pytest

from quietbench.daemon.watcher.inbox import Fed, Inbox
from quietbench.daemon.watcher.polling import MOST_S, PATIENCE, BusThread, Device
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.drivers.api import AnswerError, Description, Reason, Sample, SetupError, WireError

S = 1_000_000_000


class HandClock:
    """A clock moved by the test."""

    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        return self.now


class ScriptedDriver:
    """Does what the script says at each read: samples, or an error."""

    options: ClassVar[type[Any]] = dict
    bus_kind: ClassVar[str | None] = None

    def __init__(self, clock: HandClock, script: Callable[[], Sequence[Sample]]) -> None:
        self._clock = clock
        self._script = script
        self.calls: list[tuple[str, int]] = []

    def open(self) -> None:
        self.calls.append(("open", self._clock.now))

    def read(self) -> Sequence[Sample]:
        self.calls.append(("read", self._clock.now))
        return self._script()

    def close(self) -> None:
        self.calls.append(("close", self._clock.now))

    def describe(self) -> Description:
        return Description("scripted", "nowhere", ("a", "b"))

    def times(self, what: str) -> list[int]:
        return [at for call, at in self.calls if call == what]


class Rig:
    """A bus thread that is not started: its cycles are called by hand."""

    def __init__(self, script: Callable[[HandClock], Callable[[], Sequence[Sample]]]) -> None:
        self.clock = HandClock()
        self.driver = ScriptedDriver(self.clock, script(self.clock))
        self.inbox = Inbox()
        self.device = Device("d", self.driver, 1.0, 0.5, {"a": 0, "b": 1})
        self.bus = BusThread(
            "bus",
            [self.device],
            self.inbox,
            monotonic_ns=self.clock,
            board=ProgressBoard(self.clock),
            protecting=True,
            close_bus=lambda: None,
        )

    def run(self, seconds: float, step_s: float = 0.1) -> list[Fed]:
        """Let the thread's cycle happen every step; return all that reached the inbox."""
        fed: list[Fed] = []
        end = self.clock.now + int(seconds * S)
        while self.clock.now < end:
            self.bus._cycle(self.clock.now)
            while isinstance(item := self.inbox.get(0), list):
                fed += item
            self.clock.now += int(step_s * S)
        return fed


def failing(error: Exception) -> Callable[[HandClock], Callable[[], Sequence[Sample]]]:
    def script(_clock: HandClock) -> Callable[[], Sequence[Sample]]:
        def read() -> Sequence[Sample]:
            raise error

        return read

    return script


def answering(clock: HandClock) -> Callable[[], Sequence[Sample]]:
    return lambda: [Sample("a", clock.now, 7), Sample("unasked", clock.now, 1), Sample("b", clock.now, 8)]


def test_points_become_channels_and_unasked_ones_are_left_out() -> None:
    """Only what the plan names reaches the core."""
    rig = Rig(answering)

    fed = rig.run(1.0)

    assert fed == [(0, 0, 7, None), (1, 0, 8, None)]


def test_a_poll_keeps_to_its_grid() -> None:
    """Ten seconds are ten polls, a second apart."""
    rig = Rig(answering)
    rig.run(10.0)

    assert rig.driver.times("read") == [k * S for k in range(10)]


@pytest.mark.parametrize(
    ("error", "reason", "reopens"),
    [
        (WireError("gone"), Reason.UNPLUGGED, True),
        (WireError("no answer", reason=Reason.SILENT), Reason.SILENT, True),
        (AnswerError("noise"), Reason.BAD_CHECKSUM, False),
        (AnswerError("will not", reason=Reason.REFUSED), Reason.REFUSED, False),
        (SetupError("no such line"), Reason.UNPLUGGED, False),
        (RuntimeError("a driver that breaks its promise"), Reason.SILENT, True),
    ],
)
def test_every_failure_is_a_sample_with_its_reason_for_every_point(
    error: Exception, reason: Reason, reopens: bool
) -> None:
    """Nothing a driver raises leaves a channel without news or ends the thread."""
    rig = Rig(failing(error))

    fed = rig.run(1.5)

    assert [(channel, raw, why) for channel, _, raw, why in fed] == [
        (0, None, reason),
        (1, None, reason),
    ] * 2
    assert (len(rig.driver.times("open")) == 2) is reopens


def test_the_first_three_failures_come_in_the_devices_own_rhythm() -> None:
    """So the fault alarm stands within three polls."""
    rig = Rig(failing(WireError("gone")))
    rig.run(2.5)

    assert len(rig.driver.times("read")) == PATIENCE


def test_a_dead_device_is_asked_ever_less_but_never_left() -> None:
    """Pauses double up to a few seconds."""
    rig = Rig(failing(WireError("gone")))
    rig.run(60.0)
    asked = rig.driver.times("read")
    pauses = [(b - a) / S for a, b in itertools.pairwise(asked)]

    assert pauses == sorted(pauses)
    assert max(pauses) == pytest.approx(MOST_S)
    assert 10 < len(asked) < 20


def test_one_good_answer_brings_a_device_back_into_its_rhythm() -> None:
    """Recovery needs nobody, and takes no longer than one pause."""

    def script(clock: HandClock) -> Callable[[], Sequence[Sample]]:
        good = answering(clock)

        def read() -> Sequence[Sample]:
            if clock.now < 30 * S:
                raise WireError("gone")
            return good()

        return read

    rig = Rig(script)
    rig.run(40.0)
    after = [at for at in rig.driver.times("read") if at >= 30 * S]

    assert after[0] <= (30 + MOST_S) * S
    assert all(b - a == S for a, b in itertools.pairwise(after))


def test_an_answer_after_its_deadline_is_marked_late() -> None:
    """A plausible number that came too late is not taken at face value."""

    def script(clock: HandClock) -> Callable[[], Sequence[Sample]]:
        def read() -> Sequence[Sample]:
            clock.now += int(0.6 * S)
            return [Sample("a", clock.now, 1), Sample("b", clock.now, 2, Reason.RAILED)]

        return read

    fed = Rig(script).run(0.5)

    assert [reason for _, _, _, reason in fed] == [Reason.LATE, Reason.RAILED]


def test_edges_wait_apart_from_batches() -> None:
    """The core's thread can take them between two samples of a poll."""
    inbox = Inbox()
    inbox.put_batch([(0, 0, 1, None)])
    inbox.put_edge((1, 5, 0, None))

    assert list(inbox.urgent) == [(1, 5, 0, None)]
    assert inbox.get(0) == [(0, 0, 1, None)]
    assert inbox.get(0) is None


def test_a_driver_that_hands_over_nonsense_or_can_not_close_does_not_end_the_bus() -> None:
    """What it promised is checked by nobody else; its channels are told to be without news."""
    rig = Rig(lambda _clock: lambda: None)  # type: ignore[arg-type, return-value]

    def broken() -> None:
        raise RuntimeError("close")

    rig.driver.close = broken  # type: ignore[method-assign]

    assert [(channel, raw, why) for channel, _, raw, why in rig.run(0.5)] == [
        (0, None, Reason.SILENT),
        (1, None, Reason.SILENT),
    ]


def test_what_the_bus_waited_for_another_device_makes_no_answer_late() -> None:
    """A driver that keeps its deadline itself may have had to let the line come to rest first."""

    def script(clock: HandClock) -> Callable[[], Sequence[Sample]]:
        def read() -> Sequence[Sample]:
            clock.now += int(0.6 * S)
            return [Sample("a", clock.now, 1)]

        return read

    rig = Rig(script)
    rig.device.keeps_deadline = True

    assert [reason for _, _, _, reason in rig.run(0.5)] == [None]


def test_answers_do_not_wait_for_a_device_that_failed_last_time() -> None:
    """It may take its whole deadline; and each device asked is progress of the bus."""
    clock = HandClock()
    seen: list[object] = []
    inbox, board = Inbox(), ProgressBoard(clock)

    def dead() -> Sequence[Sample]:
        seen.append(inbox.get(0))
        clock.now += 3 * S
        raise WireError("gone")

    devices = [
        Device("well", ScriptedDriver(clock, answering(clock)), 1.0, 0.5, {"a": 0}),
        Device("dead", ScriptedDriver(clock, dead), 1.0, 3.0, {"a": 1}, failures=1),
    ]
    bus = BusThread(
        "bus",
        devices,
        inbox,
        monotonic_ns=clock,
        board=board,
        protecting=True,
        close_bus=lambda: None,
    )

    bus._cycle(clock.now)

    assert seen == [[(0, 0, 7, None)]]
    assert board.protecting_fresh(clock.now)
