"""What to do with a record whose wall time is not known.

A small board without a battery clock boots in the past. Its first readings wait for the clock to be set, which
corrects them in the store; a broker gets them marked after a quarter of an hour, a database never gets a time
that is not one.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from itertools import takewhile

from quietbench.daemon.clock import Clock
from quietbench.daemon.sinks.base import SECOND_NS, StoredRecord

MARKED_AFTER_NS = 900 * SECOND_NS
"""How long a reading waits for the clock before it goes marked."""
CORRECTED_WITHIN_NS = 60 * SECOND_NS
"""The clock known for so long, a record of an earlier run that is not corrected never will be: another boot."""

NEVER_CORRECTED = "its time was never known: the machine was switched off before the clock was set"


class Verdict(enum.Enum):
    """What becomes of a record."""

    GO = 1
    WAIT = 2
    NEVER = 3


class Patience:
    """Judge records of one stream.

    ``needs_clock``: without a known time they are of no use at the far end. ``marked_after_ns``: how long the
    others wait for it.
    """

    def __init__(
        self, clock: Clock, run: int, *, needs_clock: bool, marked_after_ns: int = MARKED_AFTER_NS
    ) -> None:
        self._clock = clock
        self._run = run
        self._needs_clock = needs_clock
        self._marked_after_ns = marked_after_ns
        self._known_since_ns: int | None = None
        self._blocked: tuple[int, int] | None = None

    def cut(self, records: Sequence[StoredRecord]) -> tuple[Sequence[StoredRecord], Verdict]:
        """Return the leading records that share a verdict, and that verdict."""
        if all(record.clock_known for record in records):
            return records, Verdict.GO
        now_ns = self._clock.monotonic_ns()
        verdicts = [self._judge(record, now_ns) for record in records]
        alike = len(list(takewhile(lambda verdict: verdict is verdicts[0], verdicts)))
        return records[:alike], verdicts[0]

    def _judge(self, record: StoredRecord, now_ns: int) -> Verdict:
        if record.clock_known:
            return Verdict.GO
        if record.run != self._run and self._long_known(now_ns):
            return Verdict.NEVER if self._needs_clock else Verdict.GO
        if self._needs_clock:
            return Verdict.WAIT
        waited_ns = now_ns - self._since_ns(record, now_ns)
        return Verdict.GO if waited_ns >= self._marked_after_ns else Verdict.WAIT

    def _long_known(self, now_ns: int) -> bool:
        if not self._clock.known():
            return False
        if self._known_since_ns is None:
            self._known_since_ns = now_ns
        return now_ns - self._known_since_ns >= CORRECTED_WITHIN_NS

    def _since_ns(self, record: StoredRecord, now_ns: int) -> int:
        """Return when a record began to wait; another boot's monotonic time can't be compared with ours."""
        if record.run == self._run:
            return record.monotonic_ns
        if self._blocked is None or record.n < self._blocked[0]:
            self._blocked = (record.n, now_ns)
        return self._blocked[1]
