"""Buzzer, lamp and fail-safe relay of every bench, on GPIO lines.

A new annunciation takes effect in the thread that brings it (the core's), at once; one thread of this module
keeps rhythms and flashing going. The relay's line carries pulses (10 Hz): each edge is given only after the core,
every bus thread of a protecting channel and this thread have moved within twice their period, so that a hung
watcher lets the retriggered stage drop. No thread pulses by itself.

The relay is a signal contact at safety extra-low voltage; it never stands in a mains, tool or earth path.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from quietbench.daemon.core.records import Annunciation, Lamp, Rhythm
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.daemon.watcher.rhythms import FLASH, PATTERNS, Beat
from quietbench.drivers.api import DriverError

log = logging.getLogger(__name__)

PULSE_NS = 50_000_000
"""Half a period of the relay's 10 Hz."""


class Line(Protocol):
    """One output line."""

    def set(self, *, on: bool) -> None:
        """Drive the line; must not block."""

    def close(self) -> None:
        """Let the line go; it falls back to off."""


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of one bench; any may be missing."""

    buzzer: Line | None
    lamp: Mapping[Lamp, Line]
    relay: Line | None

    def all(self) -> list[Line]:
        """Return every line there is."""
        return [line for line in (self.buzzer, *self.lamp.values(), self.relay) if line is not None]


class BenchOutputs:
    """The outputs of one bench, and where in their rhythm they are."""

    def __init__(self, bench: str, lines: Lines, now_ns: int) -> None:
        self.bench = bench
        self._lines = lines
        self._rhythm = Rhythm.SILENT
        self._lamp: Lamp | None = None
        self._flashing = False
        self._buzz = Beat((), now_ns)
        self._flash = Beat((), now_ns)
        self._levels: dict[int, bool] = {}
        self._relay_wanted = False
        self._relay_level = False
        self._given: Annunciation | None = None
        self._test_until_ns: int | None = None
        self._failing: dict[int, str] = {}
        for line in lines.all():
            self._drive(line, on=False)

    @property
    def fitted(self) -> tuple[bool, tuple[Lamp, ...]]:
        """Return whether there is a buzzer, and the colours of the lamp."""
        return self._lines.buzzer is not None, tuple(self._lines.lamp)

    @property
    def failing(self) -> str:
        """Return what is wrong with the lines that can't be driven now, in words, or nothing."""
        return "; ".join(list(self._failing.values()))

    def give(self, annunciation: Annunciation, now_ns: int) -> None:
        """Change to what the core says; the buzzer first. What is real ends a test in the same call."""
        before, self._given = self._given, annunciation
        if self._test_until_ns is not None and not _is_news(annunciation, before):
            self._let_relay(annunciation)
            return
        self._test_until_ns = None
        self._sound(annunciation.rhythm, now_ns)
        self._let_relay(annunciation)
        self._light(annunciation.lamp, now_ns, flashing=annunciation.flashing)

    def test(self, rhythm: Rhythm | None, lamp: Lamp | None, *, until_ns: int, now_ns: int) -> None:
        """Sound and show something on trial, by itself for no longer than until then; None leaves what is so."""
        given = self._given
        self._test_until_ns = until_ns
        if rhythm is not None:
            self._sound(rhythm, now_ns)
        elif given is not None:
            self._sound(given.rhythm, now_ns)
        if lamp is not None:
            self._light(lamp, now_ns, flashing=False)
        elif given is not None:
            self._light(given.lamp, now_ns, flashing=given.flashing)

    def end_test(self, now_ns: int) -> None:
        """Sound and show what is so."""
        self._test_until_ns = None
        given = self._given
        self._sound(Rhythm.SILENT if given is None else given.rhythm, now_ns)
        if given is not None:
            self._light(given.lamp, now_ns, flashing=given.flashing)

    def advance(self, now_ns: int) -> None:
        """Keep rhythm and flashing going; a test that nobody has ended ends."""
        if self._test_until_ns is not None and now_ns >= self._test_until_ns:
            self.end_test(now_ns)
        self._drive(self._lines.buzzer, on=self._buzz.advance(now_ns))
        if self._flashing:
            self._flash.advance(now_ns)
        if self._flashing or self._failing:
            self._show_lamp()
        if self._failing and not self._relay_wanted:
            self._drive(self._lines.relay, on=False)

    def pulse(self) -> None:
        """Give the relay's next edge, if the bench lets it; the caller has seen everybody move."""
        if self._relay_wanted:
            self._pulse_to(level=not self._relay_level)

    def next_ns(self) -> int | None:
        """Return when `advance` has something to do, or None."""
        beats = (self._buzz.next_ns, self._flash.next_ns, self._test_until_ns)
        times = [at for at in beats if at is not None]
        return min(times, default=None)

    def close(self) -> None:
        """Put every output off and let the lines go."""
        for line in self._lines.all():
            self._drive(line, on=False)
            line.close()

    def _sound(self, rhythm: Rhythm, now_ns: int) -> None:
        if rhythm is not self._rhythm:
            self._rhythm = rhythm
            self._buzz = Beat(PATTERNS[rhythm], now_ns)
            self._drive(self._lines.buzzer, on=self._buzz.on)

    def _let_relay(self, annunciation: Annunciation) -> None:
        self._relay_wanted = annunciation.relay
        if not annunciation.relay:
            self._pulse_to(level=False)

    def _light(self, lamp: Lamp, now_ns: int, *, flashing: bool) -> None:
        if (lamp, flashing) != (self._lamp, self._flashing):
            self._lamp, self._flashing = lamp, flashing
            self._flash = Beat(FLASH if flashing else (), now_ns)
            self._show_lamp()

    def _show_lamp(self) -> None:
        lit = not self._flashing or self._flash.on
        for lamp, line in self._lines.lamp.items():
            self._drive(line, on=lamp is self._lamp and lit)

    def _pulse_to(self, *, level: bool) -> None:
        self._relay_level = level
        self._drive(self._lines.relay, on=level)

    def _drive(self, line: Line | None, *, on: bool) -> None:
        """Set a line only where its level changes: a write costs a system call.

        A line that fails is tried again in every round, and must not keep the others waiting.
        """
        if line is None or self._levels.get(id(line)) is on:
            return
        try:
            line.set(on=on)
        except DriverError as error:
            self._levels.pop(id(line), None)
            if id(line) not in self._failing:
                log.error("an output of %s fails: %s", self.bench, error)
            self._failing[id(line)] = str(error)
        else:
            self._levels[id(line)] = on
            self._failing.pop(id(line), None)


def _is_news(given: Annunciation, before: Annunciation | None) -> bool:
    """Say whether something real came: another thing sounds, or the relay is let go."""
    if before is None:
        return True
    sounds = (given.rhythm, given.leading) != (before.rhythm, before.leading)
    return (given.rhythm is not Rhythm.SILENT and sounds) or (before.relay and not given.relay)


class Annunciators:
    """All benches' outputs and the one thread that keeps them going."""

    def __init__(
        self, benches: Mapping[str, Lines], monotonic_ns: Callable[[], int], board: ProgressBoard
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._board = board
        self._mark = board.mark("annunciators", period_s=0.1, protecting=True)
        self._outputs = {name: BenchOutputs(name, lines, monotonic_ns()) for name, lines in benches.items()}
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="annunciators", daemon=True)

    def start(self) -> None:
        """Start the rhythm thread."""
        self._thread.start()

    def give(self, annunciation: Annunciation) -> None:
        """Take effect now, in the caller's thread."""
        outputs = self._outputs.get(annunciation.bench)
        if outputs is None:
            return
        with self._lock:
            outputs.give(annunciation, self._monotonic_ns())
        self._wake.set()

    def fitted(self, bench: str) -> tuple[bool, tuple[Lamp, ...]]:
        """Return whether a bench has a buzzer, and the colours of its lamp."""
        outputs = self._outputs.get(bench)
        return (False, ()) if outputs is None else outputs.fitted

    def failing(self, bench: str) -> str:
        """Return what is wrong with a bench's lines, in words, or nothing."""
        outputs = self._outputs.get(bench)
        return "" if outputs is None else outputs.failing

    def failing_anywhere(self) -> str:
        """Return what is wrong with any bench's lines, in words, or nothing."""
        return "; ".join(f"{name}: {text}" for name, o in self._outputs.items() if (text := o.failing))

    def test(self, bench: str, rhythm: Rhythm | None, lamp: Lamp | None, *, until_ns: int) -> None:
        """Try buzzer and lamp of a bench now; an annunciation that has news ends it at once."""
        outputs = self._outputs.get(bench)
        if outputs is not None:
            with self._lock:
                outputs.test(rhythm, lamp, until_ns=until_ns, now_ns=self._monotonic_ns())
            self._wake.set()

    def end_test(self, bench: str) -> None:
        """Let a bench sound and show again what is so; nothing where nothing is tried."""
        outputs = self._outputs.get(bench)
        if outputs is not None:
            with self._lock:
                outputs.end_test(self._monotonic_ns())
            self._wake.set()

    def stop(self) -> None:
        """Put everything off; the relay's stage drops by itself."""
        self._stopping = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(1.0)
        with self._lock:
            for outputs in self._outputs.values():
                outputs.close()

    def _run(self) -> None:
        pulse_at_ns = self._monotonic_ns()
        while not self._stopping:
            now_ns = self._monotonic_ns()
            try:
                pulse_at_ns = self._round(now_ns, pulse_at_ns)
            except Exception:  # a line that fails must not silence the other benches' rhythms
                log.exception("an output line failed")
            self._wake.wait(self._pause_s(now_ns, pulse_at_ns))
            self._wake.clear()

    def _round(self, now_ns: int, pulse_at_ns: int) -> int:
        """Advance all outputs, and give one relay edge where it is time and everybody has moved."""
        self._mark.moved_ns = now_ns
        pulse = now_ns >= pulse_at_ns
        moving = pulse and self._board.protecting_fresh(now_ns)
        with self._lock:
            for outputs in self._outputs.values():
                outputs.advance(now_ns)
                if moving:
                    outputs.pulse()
        return now_ns + PULSE_NS if pulse else pulse_at_ns

    def _pause_s(self, now_ns: int, pulse_at_ns: int) -> float:
        with self._lock:
            times = [at for o in self._outputs.values() if (at := o.next_ns()) is not None]
        return max(0.0, (min([pulse_at_ns, *times]) - now_ns) / 1e9)
