"""Buzzer, lamp and relay against a hand-moved clock and lines that remember."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from quietbench.daemon.core.records import Annunciation, BenchState, Lamp, Rhythm, Sentence
from quietbench.daemon.watcher.annunciators import Annunciators, BenchOutputs, Lines
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.daemon.watcher.rhythms import PATTERNS, Beat
from quietbench.drivers.api import WireError

S = 1_000_000_000


class FakeLine:
    """A line that remembers its levels, and fails when told to."""

    def __init__(self) -> None:
        self.levels: list[bool] = []
        self.broken = False
        self.closed = False

    def set(self, *, on: bool) -> None:
        if self.broken:
            raise WireError("the chip is gone")
        self.levels.append(on)

    def close(self) -> None:
        self.closed = True

    @property
    def on(self) -> bool:
        return bool(self.levels) and self.levels[-1]


def annunciation(
    state: BenchState, *, rhythm: Rhythm = Rhythm.SILENT, lamp: Lamp = Lamp.GREEN, flashing: bool = False
) -> Annunciation:
    relay = state in (BenchState.HELD, BenchState.EMPTY)
    return Annunciation("b", 0, state, rhythm, lamp, flashing, relay, None, Sentence("held"))


HELD = annunciation(BenchState.HELD)
OPEN = annunciation(BenchState.OPEN, rhythm=Rhythm.HIGH, lamp=Lamp.RED, flashing=True)


@pytest.fixture
def lines() -> Lines:
    lamp = {Lamp.RED: FakeLine(), Lamp.YELLOW: FakeLine(), Lamp.GREEN: FakeLine()}
    return Lines(FakeLine(), lamp, FakeLine())


def levels(lines: Lines) -> dict[str, bool]:
    named = {"buzzer": lines.buzzer, **{lamp.value: line for lamp, line in lines.lamp.items()}}
    return {name: line.on for name, line in named.items() if isinstance(line, FakeLine)}


def test_everything_is_off_before_anything_is_known(lines: Lines) -> None:
    """Power-on is dark and quiet, and the relay down."""
    BenchOutputs("b", lines, 0)

    assert levels(lines) == {"buzzer": False, "red": False, "yellow": False, "green": False}


def test_the_buzzer_sounds_in_the_call_that_brings_the_alarm(lines: Lines) -> None:
    """No thread has to wake up first."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    outputs.give(OPEN, S)

    assert levels(lines) == {"buzzer": True, "red": True, "yellow": False, "green": False}


def test_a_return_silences_the_buzzer_and_changes_the_lamp(lines: Lines) -> None:
    """Green means that the watched paths are held again."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(OPEN, 0)
    outputs.advance(2 * S)
    outputs.give(HELD, 2 * S)

    assert levels(lines) == {"buzzer": False, "red": False, "yellow": False, "green": True}


def test_the_relay_gets_edges_only_while_the_bench_lets_it(lines: Lines) -> None:
    """A level would prove nothing: each edge is given on purpose."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    relay = lines.relay
    assert isinstance(relay, FakeLine)
    for _ in range(4):
        outputs.pulse()
    assert relay.levels == [False, True, False, True, False]

    outputs.pulse()
    outputs.give(OPEN, S)
    outputs.pulse()

    assert relay.levels[-1] is False, "an open bench drops the line at once"
    assert relay.levels.count(True) == 3


def test_a_line_that_fails_is_tried_again_and_does_not_hold_up_the_others(lines: Lines) -> None:
    """A lost lamp must not silence the buzzer, nor stay dark when the chip is back."""
    red = lines.lamp[Lamp.RED]
    assert isinstance(red, FakeLine)
    red.broken = True
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(OPEN, 0)
    assert levels(lines)["buzzer"]
    assert outputs.failing

    red.broken = False
    outputs.advance(S)

    assert red.levels
    assert not outputs.failing


@pytest.mark.parametrize("rhythm", [r for r in Rhythm if r is not Rhythm.SILENT])
def test_no_rhythm_is_the_evacuation_signal(rhythm: Rhythm) -> None:
    """ISO 8201 (from memory): 0.5 s on, 0.5 s off, three times, then 1.5 s off."""
    pattern = PATTERNS[rhythm]

    assert all(on < 0.4 for on, _ in pattern)
    assert len(pattern) != 3


def test_rhythms_by_urgency_differ_in_what_an_ear_can_tell() -> None:
    """The more urgent, the more of the time it sounds."""
    share = {
        rhythm: sum(on for on, _ in pattern) / sum(on + off for on, off in pattern)
        for rhythm, pattern in PATTERNS.items()
        if pattern
    }

    assert share[Rhythm.HIGH] > 1.5 * share[Rhythm.MEDIUM] > 3 * share[Rhythm.LOW]


def test_a_beat_that_was_not_looked_at_for_long_is_where_it_belongs() -> None:
    """A late thread resumes the rhythm; it does not play what it missed."""
    beat = Beat(((0.2, 0.2), (0.2, 1.4)), 0)

    assert [beat.advance(int(t * S)) for t in (0.1, 0.3, 0.5, 0.7, 10.1)] == [True, False, True, False, True]


class HandClock:
    """A clock moved by the test."""

    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        return self.now


def test_no_edge_is_given_while_a_protecting_thread_stands_still() -> None:
    """Twice its period late, and the relay gets nothing; others late do not matter."""
    clock = HandClock()
    board = ProgressBoard(clock)
    core = board.mark("core", period_s=0.1, protecting=True)
    board.mark("a broker's thread", period_s=0.1, protecting=False)

    clock.now = int(0.2 * S)
    assert board.protecting_fresh(clock.now)
    clock.now += 1
    assert not board.protecting_fresh(clock.now)
    assert set(board.stale(clock.now)) == {"core", "a broker's thread"}

    core.moved_ns = clock.now
    assert board.protecting_fresh(clock.now)


@pytest.mark.slow
def test_the_running_thread_pulses_while_all_move_and_stops_when_one_does_not(
    lines: Lines, monotonic_ns: Callable[[], int]
) -> None:
    """The real thread, the real clock: edges come while the core's mark moves, and end when it stops."""
    relay = lines.relay
    assert isinstance(relay, FakeLine)
    board = ProgressBoard(monotonic_ns)
    core = board.mark("core", period_s=0.05, protecting=True)
    annunciators = Annunciators({"b": lines}, monotonic_ns, board)
    annunciators.start()
    annunciators.give(HELD)
    moving = threading.Event()
    _until(lambda: _move(core, monotonic_ns) and len(relay.levels) > 6, moving)
    moving.wait(0.3)
    edges = len(relay.levels)
    moving.wait(0.2)

    annunciators.stop()

    assert len(relay.levels) - edges <= 1, "no edges after the core stood still (closing sets it low)"
    assert relay.closed


def _move(mark: object, monotonic_ns: Callable[[], int]) -> bool:
    mark.moved_ns = monotonic_ns()  # type: ignore[attr-defined]
    return True


def _until(done: Callable[[], bool], pause: threading.Event, tries: int = 500) -> None:
    for _ in range(tries):
        if done():
            return
        pause.wait(0.01)
    raise AssertionError("never came")


def test_a_test_sounds_and_shows_what_it_wants_and_leaves_the_relay_alone(lines: Lines) -> None:
    """The relay tells others whether the paths are held; a test of the lamp changes nothing of that."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    outputs.pulse()
    outputs.test(Rhythm.HIGH, Lamp.RED, until_ns=30 * S, now_ns=S)

    assert levels(lines) == {"buzzer": True, "red": True, "yellow": False, "green": False}
    relay = lines.relay
    assert isinstance(relay, FakeLine)
    outputs.pulse()
    outputs.pulse()
    assert relay.levels == [False, True, False, True]

    outputs.test(None, Lamp.YELLOW, until_ns=30 * S, now_ns=2 * S)
    assert levels(lines) == {"buzzer": False, "red": False, "yellow": True, "green": False}
    outputs.end_test(3 * S)
    assert levels(lines) == {"buzzer": False, "red": False, "yellow": False, "green": True}


def test_what_is_real_ends_a_test_in_the_call_that_brings_it(lines: Lines) -> None:
    """The green of a lamp test must not hide an open path, nor a relay that ought to drop."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    outputs.pulse()
    outputs.test(None, Lamp.GREEN, until_ns=30 * S, now_ns=S)
    outputs.give(OPEN, S)
    outputs.advance(S + 1)

    assert levels(lines) == {"buzzer": True, "red": True, "yellow": False, "green": False}
    relay = lines.relay
    assert isinstance(relay, FakeLine)
    assert not relay.on


def test_a_bench_that_can_no_longer_be_told_ends_a_test_too(lines: Lines) -> None:
    """Without any sound, the relay is let go."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    outputs.test(None, Lamp.GREEN, until_ns=30 * S, now_ns=S)
    outputs.give(annunciation(BenchState.UNKNOWN, lamp=Lamp.YELLOW), S)

    assert levels(lines)["yellow"]
    assert not levels(lines)["green"]


def test_what_is_no_news_waits_for_the_end_of_a_test(lines: Lines) -> None:
    """Somebody who goes for a coffee changes the lamp, not the test."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    outputs.test(Rhythm.HIGH, Lamp.RED, until_ns=30 * S, now_ns=S)
    outputs.give(annunciation(BenchState.EMPTY, lamp=Lamp.WHITE), S)
    assert levels(lines)["red"]

    outputs.end_test(2 * S)
    assert levels(lines) == {"buzzer": False, "red": False, "yellow": False, "green": False}


def test_a_test_that_nobody_ends_ends_by_itself(lines: Lines) -> None:
    """Whoever began it may be gone."""
    outputs = BenchOutputs("b", lines, 0)
    outputs.give(HELD, 0)
    outputs.test(None, Lamp.RED, until_ns=5 * S, now_ns=S)
    assert outputs.next_ns() == 5 * S
    outputs.advance(5 * S - 1)
    assert levels(lines)["red"]
    outputs.advance(5 * S)

    assert levels(lines) == {"buzzer": False, "red": False, "yellow": False, "green": True}
    assert outputs.next_ns() is None


def test_benches_without_outputs_are_tested_in_silence(monotonic_ns: Callable[[], int]) -> None:
    """There is nothing to sound, and nothing breaks."""
    annunciators = Annunciators({}, monotonic_ns, ProgressBoard(monotonic_ns))
    annunciators.test("b", Rhythm.HIGH, Lamp.RED, until_ns=0)
    annunciators.end_test("b")
    assert annunciators.fitted("b") == (False, ())
    assert annunciators.failing("b") == ""


def test_a_steady_lamp_that_failed_is_lit_once_it_can_be(lines: Lines) -> None:
    """Nothing flashes on a bench that is held, so no beat comes to try it again."""
    green = lines.lamp[Lamp.GREEN]
    assert isinstance(green, FakeLine)
    outputs = BenchOutputs("b", lines, 0)
    green.broken = True
    outputs.give(HELD, 0)
    green.broken = False
    outputs.advance(S)

    assert levels(lines)["green"]


def test_a_failing_line_is_said_once_and_stays_failing_while_others_work(
    lines: Lines, caplog: pytest.LogCaptureFixture
) -> None:
    """The log must not fill with it, nor a working lamp hide a dead buzzer."""
    buzzer = lines.buzzer
    assert isinstance(buzzer, FakeLine)
    outputs = BenchOutputs("b", lines, 0)
    buzzer.broken = True
    outputs.give(OPEN, 0)
    for tenth in range(50):
        outputs.advance(tenth * S // 10)

    assert outputs.failing
    assert len(caplog.records) == 1
