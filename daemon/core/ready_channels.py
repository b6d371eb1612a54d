"""The steps of the check before work that look at readings: channels, straps, reference resistors."""

from __future__ import annotations

import math
from collections.abc import Sequence

from quietbench.daemon.core.bench import BenchWatch
from quietbench.daemon.core.channel import ChannelWatch
from quietbench.daemon.core.convert import Sense
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Limit
from quietbench.daemon.core.ready_parts import (
    READINGS_NS,
    REFERENCE_NS,
    SETTLE_NS,
    STRAP_NS,
    Acknowledge,
    Act,
    News,
    Outcome,
    Reference,
    Result,
    Say,
    Signal,
    Switch,
)
from quietbench.daemon.core.ready_steps import Step
from quietbench.daemon.core.records import AlarmState, BenchState, Quality, Reading, Rhythm
from quietbench.daemon.core.seats import SeatWatch
from quietbench.drivers.samples import Reason

COVERAGE = 2.0
"""A reading agrees with a known value within so many standard uncertainties (about 95 %; JCGM 100, 6.3.3)."""

PIP_NS = 500_000_000
"""In a check begun by the button one short pip says: lift the strap now."""


class ReadingsStep(Step):
    """Every channel: a reading newer than the step, of good quality, within every limit.

    ``worst`` is what a channel that is not as it should be comes to. The limits of ``unjudged`` (straps of a
    visitor's seat) do not count. With a ``bench`` its state must be held; then the step has patience, so
    that somebody can put on the strap.
    """

    def __init__(
        self,
        name: str,
        watches: Sequence[ChannelWatch],
        worst: Result,
        *,
        bench: tuple[Core, str] | None = None,
        unjudged: frozenset[str] = frozenset(),
    ) -> None:
        super().__init__(name)
        self._watches, self._worst, self._bench, self._unjudged = watches, worst, bench, unjudged
        self._began_ns = self._until_ns = 0

    def begin(self, now_ns: int) -> list[Act]:
        """Say what is looked at."""
        self._began_ns = now_ns
        slowest_ns = max((watch.channel.silent_after_ns for watch in self._watches), default=0)
        self._until_ns = now_ns + max(READINGS_NS, 2 * slowest_ns)
        return [Say(self.name, f"say.{self.name}")]

    def turn(self, now_ns: int, news: News) -> list[Act]:  # noqa: ARG002  nothing is asked here
        """Look until all is well, or for as long as there is patience."""
        troubles = {watch.channel.name: self._trouble(watch) for watch in self._watches}
        fresh = all(watch.last_ns > self._began_ns for watch in self._watches)
        well = fresh and (self._bench is None or (not any(troubles.values()) and self._holds()))
        if well or now_ns >= self._until_ns:
            self.outcomes += [self._outcome(watch, troubles[watch.channel.name]) for watch in self._watches]
            self._judge_bench()
        return []

    def _trouble(self, watch: ChannelWatch) -> str:
        if watch.last_ns <= self._began_ns or watch.last is None:
            return "no new reading"
        if watch.fault.holds or watch.last.quality is Quality.BAD:
            return f"not measured: {_word(watch.reason)}"
        if watch.channel.name in self._unjudged:
            return ""
        wrong = [c.limit.name for c in watch.limits if c.limit and c.holds]
        return "beyond its limit: " + ", ".join(wrong) if wrong else ""

    def _outcome(self, watch: ChannelWatch, trouble: str) -> Outcome:
        result, why = (self._worst, trouble) if trouble else (Result.PASSED, "")
        if not trouble and watch.last is not None and watch.last.quality is Quality.UNCERTAIN:
            result, why = Result.WARNED, _word(watch.reason)
        elif not trouble and watch.channel.name in self._unjudged:
            result, why = Result.NOTED, "a visitor's seat"
        return Outcome(watch.channel.name, result, why, {**reading_of(watch), "limits": _limits_of(watch)})

    def _holds(self) -> bool:
        return self._state() in (BenchState.HELD, BenchState.EMPTY)

    def _state(self) -> BenchState | None:
        return None if self._bench is None else self._bench[0].verdict(self._bench[1]).state

    def _judge_bench(self) -> None:
        state = self._state()
        if state is None:
            if not self._watches:
                self.came_to(Result.NOTED, "no such channel")
            return
        result = Result.PASSED if state is BenchState.HELD else Result.FAILED
        why = "" if state is BenchState.HELD else f"the bench is {state.value}"
        if state is BenchState.EMPTY:
            result, why = Result.WARNED, "nobody seen at the bench"
        assert self._bench is not None
        verdict = self._bench[0].verdict(self._bench[1])
        suspects = {"open": verdict.open, "unknown": verdict.unknown, "unwatched": verdict.unwatched}
        numbers: dict[str, object] = {key: list(found) for key, found in suspects.items() if found}
        self.outcomes.append(Outcome("bench state", result, why, {"state": state.value, **numbers}))


class StrapStep(Step):
    """One seat's strap is lifted, the bench sounds as it would at work, and the strap is connected again.

    Where the strap is not required at the moment (no board is out, or footwear and floor stand in) its alarm is
    not due, and the readings alone are judged; the record says so.
    """

    def __init__(self, core: Core, bench: BenchWatch, seat: SeatWatch, *, by_button: bool) -> None:
        super().__init__(f"strap {seat.seat.name}")
        self._core, self._bench, self._seat, self._by_button = core, bench, seat, by_button
        self.expected = frozenset(c.alarm for strap in seat.straps for c in strap.limits)
        self._waited = frozenset(a for a in self.expected if _waits(core, a))
        self._until_ns = 0
        self._closed: set[str] = set()
        self._lifted: set[str] = set()
        self._lifted_ns: int | None = None
        self._due = self._sounded = False

    def begin(self, now_ns: int) -> list[Act]:
        """Say what to do; at a bench without a terminal by one short pip."""
        self._until_ns = now_ns + STRAP_NS
        self._closed = {strap.channel.name for strap in self._seat.straps if _closed(strap)}
        pip: list[Act] = [Signal(Rhythm.LOW, None, now_ns + PIP_NS)] if self._by_button else []
        return [*pip, Say(self.name, "say.lift", (("seat", self._seat.seat.name),))]

    def turn(self, now_ns: int, news: News) -> list[Act]:
        """Follow the strap: closed, lifted, closed again."""
        if self._lifted_ns is None:
            return self._await_lift(now_ns)
        self._sounded = self._sounded or (not news.failing and self._sounds())
        if all(_closed(strap) for strap in self._seat.straps) and not self._alarmed():
            return self._back(now_ns)
        if now_ns >= self._until_ns:
            self.came_to(Result.FAILED, "not connected again", self._numbers(None))
        return []

    def _await_lift(self, now_ns: int) -> list[Act]:
        for strap in self._seat.straps:
            name = strap.channel.name
            if _closed(strap):
                self._closed.add(name)
            elif name in self._closed and _lifted(strap):
                self._lifted.add(name)
        if len(self._lifted) == len(self._seat.straps):
            self._lifted_ns, self._until_ns = now_ns, now_ns + STRAP_NS
            self._due = any(self._bench.gate_open(strap) for strap in self._seat.straps)
            return [Say(self.name, "say.connect" if self._due else "say.connect.quiet")]
        if now_ns >= self._until_ns:
            self.came_to(Result.FAILED, "no lift seen", self._numbers(None))
        return []

    def _back(self, now_ns: int) -> list[Act]:
        if self._due and not self._sounded:
            self.came_to(Result.FAILED, "the bench did not sound", self._numbers(now_ns))
        else:
            why = "" if self._due else "its alarm was not due: the strap is not required now"
            self.came_to(Result.PASSED, why, self._numbers(now_ns))
        return [
            Acknowledge(name)
            for name in sorted(self.expected - self._waited)
            if self._core.book.by_name[name].state is AlarmState.RETURNED
        ]

    def _sounds(self) -> bool:
        given = next(g for g in self._core.annunciations() if g.bench == self._bench.bench.name)
        states = (self._core.book.by_name[name].state for name in self.expected)
        return given.rhythm is not Rhythm.SILENT and AlarmState.UNACKNOWLEDGED in states

    def _alarmed(self) -> bool:
        return any(self._core.book.by_name[name].standing for name in self.expected)

    def _numbers(self, closed_ns: int | None) -> dict[str, object]:
        return {
            "lifted_ns": self._lifted_ns,
            "closed_ns": closed_ns,
            "alarm_due": self._due,
            "sounded": self._sounded,
        }


class ReferenceStep(Step):
    """A known resistor stands in for the path: the channel must say so, and then be itself again.

    While it stands there the watcher marks the channel's samples as self-test: the core judges no limit by them and
    does not trust the channel, so the bench is ``unknown`` (its relay drops), neither held nor falsely alarmed.
    One beyond a limit must violate that limit; any other must be read within `COVERAGE` standard uncertainties.
    Two readings in a row decide, so that one on its way past the right value does not.
    """

    def __init__(self, core: Core, reference: Reference) -> None:
        super().__init__(f"reference {reference.channel} {reference.ohm:g} ohm")
        watch = core.channel(reference.channel)
        if watch is None:
            raise ValueError(f"a reference resistor for {reference.channel}, a channel that is not there")
        self._watch, self._reference = watch, reference
        self._limits = tuple(c.limit for c in watch.limits if c.limit and not c.limit.entered)
        self._from_ns = self._until_ns = self._seen_ns = 0
        self._agreed = 0
        self._found: Outcome | None = None

    def begin(self, now_ns: int) -> list[Act]:
        """Switch the resistor in."""
        self._from_ns, self._until_ns = now_ns + SETTLE_NS, now_ns + REFERENCE_NS
        args = (("channel", self._reference.channel), ("ohm", repr(self._reference.ohm)))
        return [Say(self.name, "say.reference", args), Switch(self._reference, on=True)]

    def turn(self, now_ns: int, news: News) -> list[Act]:
        """Wait for two readings that agree, release, and wait until the channel watches its path again."""
        if self._found is not None:
            return self._await_own(now_ns)
        if news.failing:
            return self._release(now_ns, Result.FAILED, f"its line can't be driven: {news.failing}")
        last = self._watch.last
        if self._watch.last_ns > max(self._from_ns, self._seen_ns) and _under_test(last):
            self._seen_ns = self._watch.last_ns
            self._agreed = self._agreed + 1 if last is not None and self._agrees(last) else 0
        if self._agreed >= 2:
            return self._release(now_ns, Result.PASSED, "")
        if now_ns >= self._until_ns:
            why = "no reading with it" if not self._seen_ns else self._disagreement()
            return self._release(now_ns, Result.FAILED, why)
        return []

    def end(self) -> list[Act]:
        """Release the resistor, whatever has happened."""
        return [Switch(self._reference, on=False)]

    def _release(self, now_ns: int, result: Result, why: str) -> list[Act]:
        numbers = {
            **reading_of(self._watch),
            "ohm": self._reference.ohm,
            "u_ohm": self._reference.u_ohm,
            "over_limit": self._reference.over_limit,
            "line": self._reference.line,
        }
        self._found = Outcome(self.name, result, why, numbers)
        self._until_ns = now_ns + REFERENCE_NS
        return [Switch(self._reference, on=False)]

    def _await_own(self, now_ns: int) -> list[Act]:
        assert self._found is not None
        if self._watch.trusted:
            self.outcomes.append(self._found)
        elif now_ns >= self._until_ns:
            self.came_to(Result.FAILED, "not itself again after its release", self._found.numbers)
        return []

    def _agrees(self, reading: Reading) -> bool:
        if reading.value is None:
            return False
        violates = _violates(self._limits, reading.value, reading.sense)
        if self._reference.over_limit:
            return violates
        off_ohm = abs(reading.value - self._reference.ohm)
        u_ohm = math.hypot(reading.u or 0.0, self._reference.u_ohm)
        near = reading.sense is Sense.EQUAL and off_ohm <= COVERAGE * u_ohm
        return near and not violates

    def _disagreement(self) -> str:
        return (
            "within the limit, wanted beyond it"
            if self._reference.over_limit
            else "reading and resistor disagree"
        )


def reading_of(watch: ChannelWatch) -> dict[str, object]:
    """Return a channel's last reading as JSON values."""
    last = watch.last
    channel = watch.channel
    body: dict[str, object] = {"quantity": channel.quantity, "unit": channel.unit}
    if watch.reason is not None:
        body["reason"] = watch.reason.name.lower()
    if last is None:
        return body
    number = {"value": _finite(last.value), "u": _finite(last.u), "sense": last.sense.value}
    return {**body, **number, "quality": last.quality.value}


def _limits_of(watch: ChannelWatch) -> dict[str, object]:
    """Return what each limit asks for; one that is checked by hand with what was entered, if anything."""
    limits: dict[str, object] = {}
    for condition in watch.limits:
        limit = condition.limit
        assert limit is not None
        asked = f"{limit.requirement.value} {limit.bound:.12g}"
        if limit.entered:
            given = "not entered" if watch.entered_value is None else f"{watch.entered_value:.12g} entered"
            asked = f"{asked}, by hand: {given}"
        limits[limit.name] = asked
    return limits


def _violates(limits: Sequence[Limit], value: float, sense: Sense) -> bool:
    return any(zone(limit, value, sense) is Zone.VIOLATING for limit in limits)


def _under_test(reading: Reading | None) -> bool:
    return reading is not None and reading.given is Reason.SELF_TEST and reading.quality is not Quality.BAD


def _lifted(strap: ChannelWatch) -> bool:
    return strap.trusted and not _closed(strap)


def _closed(strap: ChannelWatch) -> bool:
    """Say whether a strap loop is known to be closed, by its limits, or without any by what it measures."""
    if not strap.trusted or strap.valid is None or any(c.holds for c in strap.protecting):
        return False
    if strap.channel.quantity == "strap_contact":
        return strap.valid.value == 1
    return strap.valid.sense is not Sense.MORE_THAN


def _waits(core: Core, alarm: str) -> bool:
    return core.book.by_name[alarm].state is not AlarmState.NORMAL


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None


def _word(reason: Reason | None) -> str:
    return "" if reason is None else reason.name.lower().replace("_", " ")
