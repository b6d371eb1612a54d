"""The check before work, as a machine without clock or wires.

It is given what the core gave out (`ReadyCheck.see`) and a turn at least every 50 ms (`ReadyCheck.turn`), and returns
what is to be said, asked, sounded, shown and switched. Steps, in order: every colour of the lamp, the buzzer, the
bench's channels, each strap lifted and connected again, reference resistors, the rooms' air. A step that fails does
not end the walk; nobody answering does, and so does an alarm of a path that no step has called up: what
is real goes first. Whatever ends it, what was put to the test is put back.

The check says what was tried and seen. It makes nothing free of risk, and its result never says so.
"""

from __future__ import annotations

from collections.abc import Iterable

from quietbench.daemon.core.alarm import AlarmInput
from quietbench.daemon.core.alarms import Alarm
from quietbench.daemon.core.bench import BenchWatch
from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.codec import canonical
from quietbench.daemon.core.commands import CommandError
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.ready_channels import ReadingsStep, ReferenceStep, StrapStep
from quietbench.daemon.core.ready_parts import (
    NOTHING,
    Act,
    News,
    Outcome,
    Outfit,
    Result,
    Say,
)
from quietbench.daemon.core.ready_steps import (
    ButtonSignalsStep,
    CalibrationStep,
    NoteStep,
    SignalStep,
    Step,
    signal_names,
)
from quietbench.daemon.core.records import Event, EventKind, Output, Rhythm

MOST_DETAIL_BYTES = 16_000
"""What of a check goes into its record; channels that passed are left out first."""

_AIR = ("relative_humidity", "air_temperature")


def refusal(core: Core, bench: str) -> CommandError | None:
    """Return why a check can't begin at a bench now, or None.

    An alarm of a path that stands is real and goes first: buzzer and lamp are its own. So does live work, in
    which straps are off by declaration.
    """
    watch = core.benches.get(bench)
    if watch is None:
        return CommandError("no such bench", got=bench, wanted="one of: " + ", ".join(core.benches))
    if watch.live_until_ns is not None:
        return CommandError("no check during live work", got=bench, wanted="live work ended (end-live)")
    standing = _standing(core, watch)
    if standing:
        return CommandError(
            "no check while a path alarm stands", got=", ".join(standing), wanted="every path alarm gone"
        )
    return None


class ReadyCheck:
    """One check of one bench, from its beginning to its ``result``."""

    def __init__(self, core: Core, bench: str, outfit: Outfit, *, by_button: bool, now_ns: int) -> None:
        self.bench = bench
        self.by_button = by_button
        self._core = core
        self._watch = core.benches[bench]
        self._began_ns = now_ns
        self._ended_ns = now_ns
        self._left = steps(core, bench, outfit, by_button=by_button)
        self._step: Step | None = None
        self._came = ""
        self._greeted = False
        self.outcomes: list[Outcome] = []
        self.result: Result | None = None

    @property
    def asking(self) -> bool:
        """Say whether a question waits for its answer."""
        return self._step is not None and self._step.waits and not self._step.done

    def see(self, outputs: Iterable[Output]) -> None:
        """Look for an alarm of a path that no step has called up, however short it stands."""
        expected = self._step.expected if self._step is not None else frozenset()
        for output in outputs:
            if (
                isinstance(output, Event)
                and output.kind is EventKind.ALARM
                and output.subject not in expected
            ):
                alarm = self._core.book.by_name[output.subject]
                occurred = output.body["cause"] == AlarmInput.OCCUR.value
                if occurred and _concerns(alarm, self._watch):
                    self._came = self._came or output.subject

    def turn(self, now_ns: int, news: News = NOTHING) -> list[Act]:
        """Go on; return what is to be done now, in order. Nothing once there is a result."""
        if self.result is not None:
            return []
        real = self._came or self._unexpected()
        if real:
            return self.abort(now_ns, f"a real alarm came: {real}")
        if self._watch.live_until_ns is not None:
            return self.abort(now_ns, "live work was declared")
        acts: list[Act] = []
        if not self._greeted:
            self._greeted = True
            acts += [Say("begin", key) for key in ("say.aid", "say.resistor", "say.bagged")]
        if self._step is not None:
            acts += self._step.turn(now_ns, news)
        while self._step is None or self._step.done:
            acts += self._next(now_ns)
            if self.result is not None:
                break
        return acts

    def abort(self, now_ns: int, why: str) -> list[Act]:
        """End the check before its end; it has failed."""
        if self.result is not None:
            return []
        step = self._step.name if self._step is not None else "begin"
        outcome = Outcome(step, Result.FAILED, why)
        self.outcomes.append(outcome)
        return [*self._put_back(), outcome, *self._finish(now_ns)]

    def detail(self) -> dict[str, object]:
        """Return the steps with all their numbers, for the record: JSON values, at most 16 kB."""
        body: dict[str, object] = {
            "by": "button" if self.by_button else "person",
            "began_ns": self._began_ns,
            "ended_ns": self._ended_ns,
        }
        shown = [_shown(outcome) for outcome in self.outcomes]
        sizes = [len(canonical(step).encode()) + 1 for step in shown]
        while shown and sum(sizes) > MOST_DETAIL_BYTES - 200:
            least = _least(shown)
            del shown[least], sizes[least]
        left_out = {"left_out": len(self.outcomes) - len(shown)} if len(shown) < len(self.outcomes) else {}
        return {**body, "steps": shown, **left_out}

    def _next(self, now_ns: int) -> list[Act]:
        """End the step that is done, and begin the one after it."""
        acts: list[Act] = []
        step = self._step
        if step is not None:
            self.outcomes += step.outcomes
            acts += [*self._put_back(), *step.outcomes]
        if not self._left or (step is not None and step.over):
            return [*acts, *self._finish(now_ns)]
        self._step = self._left.pop(0)
        return [*acts, *self._step.begin(now_ns)]

    def _put_back(self) -> list[Act]:
        step, self._step = self._step, None
        return [] if step is None else step.end()

    def _finish(self, now_ns: int) -> list[Act]:
        self._ended_ns = now_ns
        self._left.clear()
        failed = any(outcome.result is Result.FAILED for outcome in self.outcomes)
        self.result = Result.FAILED if failed else Result.PASSED
        return []

    def _unexpected(self) -> str:
        expected = self._step.expected if self._step is not None else frozenset()
        return next((name for name in _standing(self._core, self._watch) if name not in expected), "")


def steps(core: Core, bench: str, outfit: Outfit, *, by_button: bool) -> list[Step]:
    """Return the steps of a bench's check, in order."""
    watch = core.benches[bench]
    return [
        *_signals(outfit, by_button=by_button),
        _channels(core, watch),
        CalibrationStep({w.channel.name: w.channel.calibration_due for w in watch.channels}, outfit.today),
        *_straps(core, watch, by_button=by_button),
        *_references(core, outfit),
        ReadingsStep("air", [w for w in core.channels() if _is_air(core, w)], Result.WARNED),
    ]


def _signals(outfit: Outfit, *, by_button: bool) -> list[Step]:
    missing: list[Step] = [] if outfit.colours else [NoteStep("lamp", "not fitted")]
    missing += [] if outfit.buzzer else [NoteStep("buzzer", "not fitted")]
    if not signal_names(outfit.buzzer, outfit.colours):
        return missing
    if by_button:
        return [*missing, ButtonSignalsStep(outfit)]
    lamps: list[Step] = [SignalStep(f"lamp {colour.value}", None, colour) for colour in outfit.colours]
    buzzer: list[Step] = [SignalStep("buzzer", Rhythm.HIGH, None)] if outfit.buzzer else []
    return [*lamps, *buzzer, *missing]


def _channels(core: Core, bench: BenchWatch) -> Step:
    buttons = frozenset((*bench.bench.silence, *bench.bench.ready, *bench.bench.live))
    visitors = frozenset(
        strap.channel.name for seat in bench.seats if seat.seat.visitor for strap in seat.straps
    )
    return ReadingsStep(
        "channels",
        [watch for watch in bench.channels if watch.channel.name not in buttons],
        Result.FAILED,
        bench=(core, bench.bench.name),
        unjudged=visitors,
    )


def _straps(core: Core, bench: BenchWatch, *, by_button: bool) -> list[Step]:
    seats = [seat for seat in bench.seats if not seat.seat.visitor and seat.straps]
    if not seats:
        return [NoteStep("strap", "no seat with a strap channel")]
    return [StrapStep(core, bench, seat, by_button=by_button) for seat in seats]


def _references(core: Core, outfit: Outfit) -> list[Step]:
    if not outfit.references:
        return [NoteStep("reference", "no reference resistors fitted")]
    return [ReferenceStep(core, reference) for reference in outfit.references]


def _is_air(core: Core, watch: ChannelWatch) -> bool:
    """Say whether a channel is of a room's air; one of a bench is looked at with that bench."""
    own = any(watch in bench.channels for bench in core.benches.values())
    return watch.channel.quantity in _AIR and not own


def _standing(core: Core, bench: BenchWatch) -> list[str]:
    return [a.name for a in core.book.open() if a.shown and a.standing and _concerns(a, bench)]


def _concerns(alarm: Alarm, bench: BenchWatch) -> bool:
    """Say whether an alarm is about this bench's paths, or of danger to people."""
    return alarm.danger or (alarm.protects and alarm.watch in bench.channels)


def _shown(outcome: Outcome) -> dict[str, object]:
    why = {"why": outcome.why} if outcome.why else {}
    return {"step": outcome.step, "result": outcome.result.value, **why, **outcome.numbers}


def _least(shown: list[dict[str, object]]) -> int:
    """Return the last step that passed, or without any the last."""
    passed = [at for at, step in enumerate(shown) if step["result"] == Result.PASSED.value]
    return passed[-1] if passed else len(shown) - 1
