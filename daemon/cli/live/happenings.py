"""The last events of a watcher as lines to read, with short openings told as what they are: dropouts.

A cord that starts to let go opens and closes a bench many times within a second; as single events those would push
everything else out of sight. A short opening becomes one line with its duration, and more of the same one line with
their number and range.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from quietbench.daemon.cli.live.words import Happening, happening, stretch_names
from quietbench.daemon.figures import Translate
from quietbench.daemon.socket.lines import EventLine

KEPT = 200
DROPOUT_NS = 1_000_000_000
"""A bench that holds again before this had a dropout; later, it stood open."""

TOGETHER_NS = 5_000_000_000
"""Dropouts of the same stretches no further apart than this are told in one line."""


@dataclass(slots=True)
class _Dropouts:
    """Some openings of the same stretches of one bench."""

    where: str
    shortest_ns: int
    longest_ns: int
    number: int
    last_ns: int

    def add(self, lasted_ns: int, now_ns: int) -> None:
        self.shortest_ns = min(self.shortest_ns, lasted_ns)
        self.longest_ns = max(self.longest_ns, lasted_ns)
        self.number += 1
        self.last_ns = now_ns

    def text(self) -> str:
        if self.number == 1:
            return f"let go for {_ms(self.longest_ns)} ms{self.where}"
        return f"let go {self.number} times, {_ms(self.shortest_ns)} to {_ms(self.longest_ns)} ms{self.where}"


@dataclass(slots=True)
class _Opened:
    """A bench that has just opened: its line, and since when."""

    line: Happening
    where: str
    since_ns: int


class Happenings:
    """The newest `KEPT` lines, oldest first; ``translate`` is the language of the sentences in them."""

    def __init__(self) -> None:
        self.translate: Translate = str
        self._lines: list[Happening] = []
        self._opened: dict[str, _Opened] = {}
        self._dropouts: dict[str, tuple[Happening, _Dropouts]] = {}

    def __iter__(self) -> Iterator[Happening]:
        return iter(self._lines)

    def __reversed__(self) -> Iterator[Happening]:
        return reversed(self._lines)

    def note(self, line: Happening) -> None:
        """Add a line that is no event of the watcher."""
        self._lines.append(line)
        del self._lines[:-KEPT]

    def add(self, event: EventLine) -> None:
        """Add an event, if it is worth a line."""
        told = happening(event, self.translate)
        if told is None:
            return
        if event.kind == "bench" and self._is_end_of_dropout(event):
            self._tell_dropout(event)
            return
        if event.kind == "bench":
            self._opened.pop(event.subject, None)
            if event.body.get("to") == "open":
                where = stretch_names(event.body)
                self._opened[event.subject] = _Opened(told, where, event.monotonic_ns)
        self.note(told)

    def _is_end_of_dropout(self, event: EventLine) -> bool:
        opened = self._opened.get(event.subject)
        if opened is None or event.body.get("to") == "open":
            return False
        return event.monotonic_ns - opened.since_ns < DROPOUT_NS

    def _tell_dropout(self, event: EventLine) -> None:
        opened = self._opened.pop(event.subject)
        lasted_ns = event.monotonic_ns - opened.since_ns
        before = self._dropouts.get(event.subject)
        self._remove(opened.line)
        if before is not None and _belongs(before[1], opened):
            self._remove(before[0])
            together = before[1]
            together.add(lasted_ns, event.monotonic_ns)
        else:
            together = _Dropouts(opened.where, lasted_ns, lasted_ns, 1, event.monotonic_ns)
        line = Happening(event.time, event.subject, together.text(), warns=True)
        self._dropouts[event.subject] = (line, together)
        self.note(line)

    def _remove(self, line: Happening) -> None:
        self._lines = [kept for kept in self._lines if kept is not line]


def _belongs(dropouts: _Dropouts, opened: _Opened) -> bool:
    return dropouts.where == opened.where and opened.since_ns - dropouts.last_ns <= TOGETHER_NS


def _ms(duration_ns: int) -> str:
    return f"{duration_ns / 1e6:.1f}"
