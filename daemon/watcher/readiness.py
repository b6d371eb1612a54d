"""Runs checks before work: begun over the socket or by a bench's button, one per bench, in the core's thread.

The machine (`quietbench.daemon.core.ready`) decides; here its wishes become sound, light, lines of the socket and
switched resistors. A resistor is released in any case: at the end of its step, when the client goes, when a check
breaks, when the watcher stops; a release that fails is tried again until it works. If the process dies the chip takes
its lines back and the resistor's relay falls off. From before a resistor is switched in until after
it is out again, its channel's samples reach the core marked as self-test.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from quietbench.daemon.core.button import Button
from quietbench.daemon.core.engine import CommandError
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.ready import ReadyCheck, refusal
from quietbench.daemon.core.ready_parts import (
    CLEAN_NS,
    Acknowledge,
    Act,
    Calm,
    News,
    Outcome,
    Outfit,
    Reference,
    Say,
    Signal,
    Switch,
)
from quietbench.daemon.core.records import Event, Output, Reading
from quietbench.daemon.ready_words import say
from quietbench.daemon.watcher.annunciators import Annunciators, Line
from quietbench.daemon.watcher.inbox import Fed
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.server import Client, SocketServer
from quietbench.daemon.watcher.views import Views
from quietbench.drivers.api import DriverError
from quietbench.drivers.samples import Reason

log = logging.getLogger(__name__)

NOT_FINISHED = "not finished"
NOBODY = "nobody signed in"
RETRY_NS = 1_000_000_000

Who = Mapping[str, object]


@dataclass(slots=True)
class Running:
    """A check that runs: for whom, and what has come for it since its last turn."""

    check: ReadyCheck
    client: Client | None
    who: Who
    answer: bool | None = None
    pressed: bool = False
    failing: str = ""
    references: list[Reference] = field(default_factory=list)


class Readiness:
    """All checks of one watcher; everything but `close` runs in the core's thread.

    ``references`` are the known resistors by bench, each with its line; ``person`` turns a name into a person's id.
    """

    def __init__(
        self,
        plan: Plan,
        annunciators: Annunciators,
        references: Mapping[str, Mapping[Reference, Line]],
        *,
        views: Views,
        person: Callable[[str], str],
    ) -> None:
        self._annunciators = annunciators
        self._references = references
        self._lines = {
            reference: line for fitted in references.values() for reference, line in fitted.items()
        }
        self._views = views
        self._person = person
        self._index = {channel.name: index for index, channel in enumerate(plan.channels)}
        self._buttons = {
            self._index[name]: (Button(), bench.name) for bench in plan.benches for name in bench.ready
        }
        self._presses: list[str] = []
        self._running: dict[str, Running] = {}
        self._marked: dict[int, int | None] = {}
        self._stuck: set[Reference] = set()
        self._retry_ns = 0
        self.marks = False
        self.loop: CoreLoop
        self.server: SocketServer

    # -- from the desk -----------------------------------------------------------------------------------

    def begin(self, bench: str, who: Who, *, client: Client | None, now_ns: int) -> None:
        """Begin a check; its first lines come with the next round.

        Raises:
            CommandError: there is no such bench, one runs there, or it can't be now.
        """
        if bench in self._running:
            raise CommandError("a check runs at this bench", got=bench, wanted="its end")
        core = self.loop.core
        refused = refusal(core, bench)
        if refused is not None:
            raise refused
        buzzer, colours = self._annunciators.fitted(bench)
        references = tuple(self._references.get(bench, ()))
        outfit = Outfit(buzzer, colours, references, self._views.today())
        check = ReadyCheck(core, bench, outfit, by_button=client is None, now_ns=now_ns)
        self._running[bench] = Running(check, client, who)

    def answer(self, bench: str, *, yes: bool, client: Client) -> None:
        """Take the answer to what was asked.

        Raises:
            CommandError: nothing is asked there, or somebody else was asked.
        """
        running = self._running.get(bench)
        if running is None or not running.check.asking:
            raise CommandError("nothing is asked there", got=bench, wanted="a bench whose check asks")
        if running.client is not client:
            raise CommandError("somebody else was asked", got=bench, wanted="the connection that began it")
        running.answer = yes

    # -- from the core's thread --------------------------------------------------------------------------

    def see(self, outputs: Sequence[Output]) -> None:
        """Take note of what the core gave out: presses of buttons, and alarms during a check."""
        if self._buttons:
            self._look_for_presses(outputs)
        for running in self._running.values():
            running.check.see(outputs)

    def go_round(self, now_ns: int) -> None:
        """Give every check its turn, and begin those that a button asks for."""
        if self._presses:
            presses, self._presses = self._presses, []
            for bench in presses:
                self._press(bench, now_ns)
        if self._stuck and now_ns >= self._retry_ns:
            self._retry_ns = now_ns + RETRY_NS
            for reference in list(self._stuck):
                self._switch(reference, on=False, now_ns=now_ns)
        for running in list(self._running.values()):
            try:
                self._turn(running, now_ns)
            except Exception:  # a check that breaks must leave nothing under test, nor stop the others
                log.exception("the check of %s broke", running.check.bench)
                self._drop(running, now_ns)

    def mark(self, sample: Fed) -> Fed:
        """Mark a sample of a channel whose path a resistor stands in for, or did a moment ago."""
        channel, monotonic_ns, raw, reason = sample
        if channel not in self._marked:
            return sample
        until_ns = self._marked[channel]
        if until_ns is not None and monotonic_ns > until_ns:
            del self._marked[channel]
            self.marks = bool(self._marked)
            return sample
        return (channel, monotonic_ns, raw, reason or Reason.SELF_TEST)

    # -- from the main thread, while the core's is not running -------------------------------------------

    def open(self) -> None:
        """Claim every resistor's line, off."""
        for reference in self._lines:
            self._switch(reference, on=False, now_ns=0)

    def close(self, now_ns: int) -> None:
        """End every check as not finished, and let the lines go."""
        for running in list(self._running.values()):
            self._do(running, running.check.abort(now_ns, NOT_FINISHED), now_ns)
            self._end(running, now_ns)
        for line in self._lines.values():
            line.close()

    # -- inside ------------------------------------------------------------------------------------------

    def _look_for_presses(self, outputs: Iterable[Output]) -> None:
        for output in outputs:
            if isinstance(output, Reading) and output.channel in self._buttons:
                button, bench = self._buttons[output.channel]
                if button.pressed(output):
                    self._presses.append(bench)

    def _press(self, bench: str, now_ns: int) -> None:
        running = self._running.get(bench)
        if running is not None:
            running.pressed = running.check.by_button
            return
        who = {"person": self._person(NOBODY), "role": "button", "why": "pressed at the bench", "uid": None}
        try:
            self.begin(bench, who, client=None, now_ns=now_ns)
        except CommandError as refused:
            log.info("the button of %s began no check: %s", bench, refused)

    def _turn(self, running: Running, now_ns: int) -> None:
        check = running.check
        failing = running.failing or self._annunciators.failing(check.bench)
        news = News(running.answer, running.pressed, failing)
        running.answer, running.pressed, running.failing = None, False, ""
        if running.client is not None and running.client.gone:
            acts = check.abort(now_ns, NOT_FINISHED)
        else:
            acts = check.turn(now_ns, news)
        self._do(running, acts, now_ns)
        if check.result is not None:
            self._end(running, now_ns)

    def _do(self, running: Running, acts: Iterable[Act], now_ns: int) -> None:
        bench = running.check.bench
        for act in acts:
            if isinstance(act, Signal):
                self._annunciators.test(bench, act.rhythm, act.lamp, until_ns=act.until_ns)
            elif isinstance(act, Calm):
                self._annunciators.end_test(bench)
            elif isinstance(act, Switch):
                self._take_switch(running, act, now_ns)
            elif isinstance(act, Acknowledge):
                self._acknowledge(running, act.alarm, now_ns)
            else:
                self._tell(running, self._words(act))

    def _words(self, act: Say | Outcome) -> dict[str, object]:
        if isinstance(act, Say):
            text = say(act.key, dict(act.args), translate=self._views.translate)
            return {"step": act.step, "ask" if act.ask else "say": text}
        why = {"why": act.why} if act.why else {}
        return {"step": act.step, "result": act.result.value, **why, "numbers": act.numbers}

    def _tell(self, running: Running, line: Mapping[str, object]) -> None:
        if running.client is not None:
            self.server.answer(running.client, {"ready": {"bench": running.check.bench, **line}})

    def _acknowledge(self, running: Running, alarm: str, now_ns: int) -> None:
        """Acknowledge what the check itself has called up; by a button nobody has signed in for it."""
        if running.client is None:
            return
        body = {"do": "acknowledge", "alarm": alarm, **running.who, "why": "called up by the ready check"}
        try:
            self.loop.give(self.loop.core.command(body, now_ns))
        except CommandError as refused:
            log.info("not acknowledged: %s", refused)

    def _take_switch(self, running: Running, act: Switch, now_ns: int) -> None:
        if act.on:
            running.references.append(act.reference)
        elif act.reference not in running.references:
            return
        else:
            running.references.remove(act.reference)
        running.failing = self._switch(act.reference, on=act.on, now_ns=now_ns)

    def _switch(self, reference: Reference, *, on: bool, now_ns: int) -> str:
        """Switch one resistor; return what went wrong, in words. A failed release is kept for another try."""
        channel = self._index[reference.channel]
        if on or channel in self._marked:
            self._marked[channel] = None
            self.marks = True
        try:
            self._lines[reference].set(on=on)
        except DriverError as error:
            log.error("the reference resistor on line %d: %s", reference.line, error)
            if not on:
                self._stuck.add(reference)
            return str(error)
        self._stuck.discard(reference)
        if not on and channel in self._marked:
            self._marked[channel] = now_ns + CLEAN_NS
        return ""

    def _end(self, running: Running, now_ns: int) -> None:
        """Record the result, tell it, and forget the check."""
        check = running.check
        del self._running[check.bench]
        assert check.result is not None
        detail = check.detail()
        body = {"do": "ready", "bench": check.bench, "result": check.result.value, "detail": detail}
        outputs = self.loop.core.command({**body, **running.who}, now_ns)
        self.loop.give(outputs)
        record = outputs[0]
        assert isinstance(record, Event)
        line = {"result": check.result.value, "detail": detail, "event": self._views.event(record)}
        self._tell(running, {"step": "end", **line})

    def _drop(self, running: Running, now_ns: int) -> None:
        """Put back what a broken check has under test, and record that it was not finished."""
        bench = running.check.bench
        self._annunciators.end_test(bench)
        for reference in running.references:
            self._switch(reference, on=False, now_ns=now_ns)
        running.check.abort(now_ns, NOT_FINISHED)
        if bench in self._running:
            self._end(running, now_ns)
