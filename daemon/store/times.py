"""When a numbered record was made: from the clocks of its commit, put right where the clock was set later."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["Span", "Spans", "Times"]


@dataclass(frozen=True, slots=True)
class Span:
    """One commit; ``offset_ns`` added to a monotonic time gives the wall time."""

    first: int
    last: int
    run: int
    offset_ns: int
    clock_known: bool


class _Boot(NamedTuple):
    boot: str
    offset_ns: int | None


class Spans:
    """The commits over a range of numbers, walked through in rising order."""

    def __init__(self, spans: Sequence[Span]) -> None:
        self._spans = spans
        self._at = 0

    def of(self, n: int) -> Span:
        """Return the commit of ``n``, which is not smaller than the one asked before.

        Raises:
            IndexError: no commit holds it.
        """
        while self._spans[self._at].last < n:
            self._at += 1
        return self._spans[self._at]


class Times:
    """Looks commits up; what can't change any more is kept: the boot of a run, and when its clock was set."""

    def __init__(self) -> None:
        self._boots: dict[int, _Boot] = {}

    def spans(self, connection: sqlite3.Connection, first: int, last: int) -> Spans:
        """Return the commits that hold the numbers ``first`` to ``last``."""
        rows = connection.execute(
            "SELECT first, last, run, monotonic_ns, wall_ns, clock_known FROM commit_span"
            " WHERE first >= coalesce((SELECT max(first) FROM commit_span WHERE first <= ?), 0) AND first <= ?"
            " ORDER BY first",
            (first, last),
        ).fetchall()
        return Spans([self._span(connection, *row) for row in rows])

    def _span(
        self,
        connection: sqlite3.Connection,
        first: int,
        last: int,
        run: int,
        monotonic: int,
        wall: int,
        known: int,
    ) -> Span:
        offset: int | None = None if known else self._set_later(connection, run)
        if offset is None:
            return Span(first, last, run, wall - monotonic, bool(known))
        return Span(first, last, run, offset, True)

    def _set_later(self, connection: sqlite3.Connection, run: int) -> int | None:
        found = self._boots.get(run)
        if found is None or found.offset_ns is None:
            row = connection.execute(
                "SELECT run.boot, clock_set.wall_ns - clock_set.monotonic_ns"
                " FROM run LEFT JOIN clock_set USING (boot) WHERE run = ?",
                (run,),
            ).fetchone()
            found = self._boots[run] = _Boot(*row)
        return found.offset_ns
