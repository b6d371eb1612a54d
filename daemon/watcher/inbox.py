"""Everything that reaches the core comes through here, in one order.

Polled samples arrive as batches, one per bus and cycle; edges, timers and commands overtake a batch between two of
its samples, so that the buzzer never waits for a long poll.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue

from quietbench.drivers.samples import Reason

Fed = tuple[int, int, int | float | None, Reason | None]
"""One sample for the core: channel index, monotonic_ns, raw, reason."""


@dataclass(frozen=True, slots=True)
class Request:
    """Something to be done in the core's thread; ``run`` gets the time of its turn."""

    run: Callable[[int], None]


Item = list[Fed] | Request | None


class Inbox:
    """The one queue of the core's thread; putting never blocks and is safe from any thread and callback."""

    def __init__(self) -> None:
        self._queue: SimpleQueue[Item] = SimpleQueue()
        self.urgent: deque[Fed] = deque()

    def put_batch(self, batch: list[Fed]) -> None:
        """Hand over one poll cycle of one bus."""
        self._queue.put(batch)

    def put_edge(self, sample: Fed) -> None:
        """Hand over an edge; it is fed before whatever polled samples wait."""
        self.urgent.append(sample)
        self._queue.put(None)

    def put_request(self, request: Request) -> None:
        """Hand over something to be run in the core's thread."""
        self._queue.put(request)

    def get(self, timeout_s: float) -> Item:
        """Return the next item, or None after the timeout and where only edges wait."""
        try:
            return self._queue.get(timeout=timeout_s) if timeout_s > 0 else self._queue.get_nowait()
        except Empty:
            return None
