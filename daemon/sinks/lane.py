"""One stream of one sink, as pure bookkeeping: what is confirmed, what is on its way, what comes next.

The rule is go-back-n. Flights leave in order and the cursor follows the confirmed ones at the front. When the
front flight fails, all behind it are taken back and sent again after it, even those the far end had already
taken: whoever receives can then rebuild the exact order (see ``config/asyncapi.json``), and ids make the repeats
harmless. After a failure one flight goes at a time until one is confirmed.

A refused flight is halved until the refused record stands alone; that one is set aside with the reason. A far
end that refuses one record after the other is more likely ill itself, so after ``_GUARD`` of them in a row only
one more is given up per retry delay, with a complaint that a person sees.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from random import Random

from quietbench.daemon.sinks.backoff import Backoff
from quietbench.daemon.sinks.base import Accepted, Flight, Outcome, Refused, StoredRecord, Stream, Trouble
from quietbench.daemon.sinks.options import RetryOptions

_GUARD = 8
"""Records refused one after the other before the far end itself is suspected."""
_READ_AT_LEAST = 50
"""Records read at a time even where each flies alone."""


class Lane:
    """The state of one stream.

    ``cursor``: everything up to it is done. ``position``: everything up to it has been read from the store.
    ``more``: the store may hold records behind ``position``.
    """

    def __init__(
        self, stream: Stream, cursor: int, batch: int, *, retry: RetryOptions, random: Random
    ) -> None:
        self.stream: Stream = stream
        self.cursor = cursor
        self.position = cursor
        self.more = True
        self.waiting_since_ns: int | None = None
        self.set_aside: list[tuple[int, str]] = []
        self.trouble: Trouble | None = None
        self.backoff = Backoff(retry, random)
        self._batch = batch
        self._limit = batch
        self._flights: deque[Flight] = deque()
        self._pieces: deque[tuple[StoredRecord, ...]] = deque()
        self._cautious = True
        self._refused_in_a_row = 0

    @property
    def limit(self) -> int:
        """The most records of the next flight."""
        return self._limit

    @property
    def flying(self) -> bool:
        """Whether anything is on its way."""
        return bool(self._flights)

    @property
    def idle(self) -> bool:
        """Whether nothing is on its way and nothing known waits."""
        return not self._flights and not self._pieces and not self.more

    def may_launch(self, now_ns: int) -> bool:
        """Say whether another flight may leave: no failure unresolved, no delay running."""
        if not self.backoff.ready(now_ns) or (self._cautious and self._flights):
            return False
        return all(flight.outcome is None or isinstance(flight.outcome, Accepted) for flight in self._flights)

    @property
    def read_limit(self) -> int:
        """How many records to read from the store at a time."""
        return max(self._limit, _READ_AT_LEAST)

    def take(self, records: Sequence[StoredRecord]) -> None:
        """Take over records read behind `position`."""
        self._pieces.append(tuple(records))
        self.position = records[-1].n
        self.waiting_since_ns = None

    def next_piece(self) -> tuple[StoredRecord, ...] | None:
        """Return the records that go next, at most `limit`, or None."""
        if not self._pieces:
            return None
        piece = self._pieces.popleft()
        if len(piece) > self._limit:
            self._pieces.appendleft(piece[self._limit :])
        return piece[: self._limit]

    def launch(self, records: tuple[StoredRecord, ...]) -> Flight:
        """Count records as on their way."""
        after = self._flights[-1].last if self._flights else self.cursor
        flight = Flight(self.stream, after, records)
        self._flights.append(flight)
        return flight

    def skip(self, n: int, why: str) -> None:
        """Set the first unread record aside without sending it; only while nothing is on its way."""
        self.set_aside.append((n, why))
        self.cursor = self.position = n

    def settle(self, flight: Flight, outcome: Outcome, now_ns: int) -> None:
        """Note how a flight came out, and act on all that is settled at the front; strangers are ignored."""
        if flight not in self._flights:
            return
        flight.outcome = outcome
        while self._flights and (settled := self._flights[0].outcome) is not None:
            self._settle_front(settled, now_ns)

    def recall(self) -> None:
        """Take everything back that is not confirmed, to be sent again in order, one flight at a time."""
        self._pieces.extendleft(flight.records for flight in reversed(self._flights))
        self._flights.clear()
        self._cautious = True

    def _settle_front(self, outcome: Outcome, now_ns: int) -> None:
        if isinstance(outcome, Accepted):
            self._confirm(self._flights.popleft())
        elif isinstance(outcome, Refused):
            self._refuse(outcome, now_ns)
        else:
            self._fail(outcome, now_ns)

    def _confirm(self, flight: Flight) -> None:
        self.cursor = flight.last
        self.trouble = None
        self.backoff.reset()
        self._cautious = False
        self._refused_in_a_row = 0
        if len(flight.records) >= self._limit:
            self._limit = min(self._batch, self._limit + 1 + self._batch // 16)

    def _fail(self, trouble: Trouble, now_ns: int) -> None:
        self.trouble = trouble
        self.backoff.fail(now_ns, asked_s=trouble.wait_s)
        self.recall()

    def _refuse(self, refused: Refused, now_ns: int) -> None:
        records = self._flights[0].records
        if len(records) == 1:
            self._refuse_one(records[0].n, refused, now_ns)
            return
        half = len(records) // 2
        if refused.size:
            self._limit = half
        self.recall()
        self._pieces.popleft()
        self._pieces.extendleft((records[half:], records[:half]))

    def _refuse_one(self, n: int, refused: Refused, now_ns: int) -> None:
        if not refused.certain and self._refused_in_a_row >= _GUARD:
            self._refused_in_a_row = _GUARD - 1
            self._fail(Trouble(f"one record after the other is refused: {refused.why}", visible=True), now_ns)
            return
        self._refused_in_a_row += 1
        self._flights.popleft()
        self.recall()
        self.set_aside.append((n, refused.why))
        self.cursor = n
