"""What the buzzer's rhythms and the lamp's flashing are, as times on and off.

Own choice within published bounds: the pulses of an alarm that is urgent follow each other at 0.5 to 4 Hz (ISO 7731
prefers that), one of low priority is a single pulse now and then, and none is like the evacuation signal of ISO 8201
(0.5 s on, 0.5 s off, three times, then 1.5 s off). Flashing at 2 Hz lies in the "normal" band of IEC 60073 (1.4 to
2.8 Hz).
"""

from __future__ import annotations

from quietbench.daemon.core.records import Rhythm

Pattern = tuple[tuple[float, float], ...]
"""Pairs of seconds on and seconds off, repeated; empty is silence."""

PATTERNS: dict[Rhythm, Pattern] = {
    Rhythm.SILENT: (),
    Rhythm.HIGH: ((0.15, 0.15),),
    Rhythm.MEDIUM: ((0.2, 0.2), (0.2, 1.4)),
    Rhythm.LOW: ((0.1, 7.9),),
}

FLASH: Pattern = ((0.25, 0.25),)


class Beat:
    """Where in a pattern a line is; steps when asked, and says when to ask again."""

    __slots__ = ("_edges_ns", "_index", "_next_ns", "on")

    def __init__(self, pattern: Pattern, now_ns: int) -> None:
        self._edges_ns = tuple(int(part * 1e9) for pair in pattern for part in pair)
        self._index = 0
        self.on = bool(pattern)
        self._next_ns = now_ns + self._edges_ns[0] if pattern else None

    @property
    def next_ns(self) -> int | None:
        """Return when the line changes next, or None for silence."""
        return self._next_ns

    def advance(self, now_ns: int) -> bool:
        """Step over every edge up to now; return whether the line is on."""
        while self._next_ns is not None and self._next_ns <= now_ns:
            self._index = (self._index + 1) % len(self._edges_ns)
            self.on = self._index % 2 == 0
            self._next_ns += self._edges_ns[self._index]
        return self.on
