"""The core's thread: takes from the inbox, feeds the core, and hands on what follows.

Annunciations go out first, in this thread, before anything is queued for disk, socket or network.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.records import Annunciation, Output
from quietbench.daemon.watcher.inbox import Fed, Inbox, Request
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.drivers.samples import Reason

log = logging.getLogger(__name__)

FREEZE_NS = 1_000_000_000
"""A round that took longer was a standstill of the process (or of the machine), not of one device."""

MOST_EDGES = 500
"""How many edges are fed before anything else has its turn."""

ROUND_S = 0.05
"""The core's thread goes round at least this often, also when nothing happens."""


class Attendant(Protocol):
    """What goes on beside the core, in its thread: it must not block.

    ``marks`` says that samples are to be shown to `mark` before the core gets them.
    """

    marks: bool

    def mark(self, sample: Fed) -> Fed:
        """Return a sample as the core is to get it."""

    def go_round(self, now_ns: int) -> None:
        """Have a turn; called in every round."""


class CoreLoop:
    """Owns the core; everything else reaches it through the inbox.

    ``annunciate`` is called at once; ``hand_on`` gets everything else, in order, and must not block.
    """

    def __init__(
        self,
        core: Core,
        inbox: Inbox,
        *,
        monotonic_ns: Callable[[], int],
        board: ProgressBoard,
        annunciate: Callable[[Annunciation], None],
        hand_on: Callable[[Sequence[Output]], None],
    ) -> None:
        self.core = core
        self._inbox = inbox
        self._monotonic_ns = monotonic_ns
        self._annunciate = annunciate
        self._hand_on = hand_on
        self._mark = board.mark("core", period_s=2 * ROUND_S, protecting=True)
        self._stopping = False
        self._trust_silence_ns = 0
        self.attendant: Attendant | None = None
        self._thread = threading.Thread(target=self._run, name="core", daemon=True)

    def start(self, first: Sequence[Output]) -> None:
        """Give out what the core's start gave, then start the thread."""
        self._give(first)
        self._thread.start()

    def stop(self) -> None:
        """Finish what waits, then end; at most a second."""
        self._stopping = True
        self._inbox.put_request(Request(lambda _now: None))
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        while not self._stopping:
            try:
                self._round()
            except Exception:  # one bad sample or command must not end the watch over all the others
                log.exception("the core could not take an item")

    def _round(self) -> None:
        """Take one item. Only a round that came to its end is progress: one that always breaks drops the relay."""
        core = self.core
        now_ns = self._monotonic_ns()
        wait_s = 0.0 if self._inbox.urgent else min((core.next_due_ns() - now_ns) / 1e9, ROUND_S)
        item = self._inbox.get(wait_s)
        self._edges()
        now_ns = self._monotonic_ns()
        self._notice_freeze(now_ns)
        for due in core.due(now_ns):
            if due.kind != "silent" or now_ns >= self._trust_silence_ns:
                self._give(core.let(due, now_ns))
        if self.attendant is not None:
            self.attendant.go_round(now_ns)
        if isinstance(item, Request):
            item.run(now_ns)
        elif item is not None:
            self._batch(item)
        self._mark.moved_ns = self._monotonic_ns()

    def _batch(self, batch: list[Fed]) -> None:
        """Feed a poll cycle; what it gives is handed on together, what it annunciates at once."""
        if self.attendant is not None and self.attendant.marks:
            batch = [self.attendant.mark(sample) for sample in batch]
        feed = self._feed
        urgent = self._inbox.urgent
        gathered: list[Output] = []
        for sample in batch:
            outputs = feed(sample)
            if len(outputs) > 1:
                self._announce(outputs)
            gathered += outputs
            if urgent:
                self._hand_on(gathered)
                gathered = []
                self._edges()
        if gathered:
            self._hand_on(gathered)

    def _notice_freeze(self, now_ns: int) -> None:
        """After a standstill of this whole process let the buses speak first: it was not they who were silent."""
        if now_ns - self._mark.moved_ns > FREEZE_NS:
            self._trust_silence_ns = now_ns + FREEZE_NS

    def _edges(self) -> None:
        """Feed the edges that wait; in a storm a number at a time, so that timers and polls have their turn."""
        urgent = self._inbox.urgent
        for _ in range(MOST_EDGES):
            if not urgent:
                return
            sample = urgent.popleft()
            if self.attendant is not None and self.attendant.marks:
                sample = self.attendant.mark(sample)
            self._give(self._feed(sample))

    def _feed(self, sample: Fed) -> Sequence[Output]:
        """Feed one sample; one that can't be taken counts as bad, or its channel would stay as it was for ever."""
        channel, monotonic_ns, raw, reason = sample
        try:
            return self.core.feed(channel, monotonic_ns, raw, reason)
        except (
            Exception
        ):  # a raw value that a driver ought not to have given must not cost the others of its batch
            log.exception("channel %d could not take %r", channel, raw)
            return self.core.feed(channel, monotonic_ns, None, Reason.OUT_OF_SPAN)

    def _give(self, outputs: Sequence[Output]) -> None:
        self._announce(outputs)
        if outputs:
            self._hand_on(outputs)

    def give(self, outputs: Sequence[Output]) -> None:
        """Give out what a request made of the core; only from within `Request.run`."""
        self._give(outputs)

    def _announce(self, outputs: Sequence[Output]) -> None:
        for output in outputs:
            if isinstance(output, Annunciation):
                self._annunciate(output)
