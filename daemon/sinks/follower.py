"""The loop that every sink shares: one thread that follows the store and feeds a far end.

Each round looks after the connection, then launches at most one flight, events before readings, and listens for
notes meanwhile. Whoever else has something to say (the store's writer, the core, a library's callback) only puts
a note into the inbox.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random

from quietbench.daemon.core.records import Event
from quietbench.daemon.sinks.base import (
    SECOND_NS,
    Accepted,
    FarEnd,
    Flight,
    Outcome,
    Reader,
    SinkContext,
    StoredRecord,
    Stream,
    Trouble,
)
from quietbench.daemon.sinks.complaints import Complaints
from quietbench.daemon.sinks.lane import Lane
from quietbench.daemon.sinks.options import RetryOptions
from quietbench.daemon.sinks.waiting import MARKED_AFTER_NS, NEVER_CORRECTED, Patience, Verdict

_log = logging.getLogger(__name__)

_TICK_S = 1.0
"""The longest silence of the loop: progress shows at least this often, and the store is looked at unasked."""
_DRAIN_TICK_S = 0.05
_GOODBYE_SHARE = 0.5
"""The part of a stop's deadline that is kept for leaving the far end in an orderly way."""
_STREAMS: tuple[Stream, ...] = ("events", "readings")

OpenReader = Callable[[Path], Reader]


def open_store(folder: Path) -> Reader:
    """Open the store for reading."""
    from quietbench.daemon.store.read import StoreReader

    return StoreReader(folder)


class Follower:
    """A `Sink` for any `FarEnd`. ``progress`` grows with every round of the loop."""

    def __init__(
        self,
        name: str,
        context: SinkContext,
        far_end: FarEnd,
        *,
        retry: RetryOptions,
        random: Random,
        open_reader: OpenReader = open_store,
    ) -> None:
        self.name = name
        self.progress = 0
        self._context = context
        self._far_end = far_end
        self._retry = retry
        self._random = random
        self._open_reader = open_reader
        self._reader: Reader | None = None
        self._lanes: dict[Stream, Lane] = {}
        self._patience: dict[Stream, Patience] = {}
        self._boots = {context.run: context.clock.boot}
        self._complaints = Complaints(retry.patience_s)
        self._said: str | None = None
        self._inbox: queue.SimpleQueue[object] = queue.SimpleQueue()
        self._nudged = False
        self._looked_ns = 0
        self._stop_ns: int | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"sink-{name}", daemon=True)
        far_end.attach(self)

    # What other threads call.

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def committed(self) -> None:
        """Look into the store soon."""
        self._nudge()

    def offer(self, event: Event) -> None:
        """Hand a live event to the far end."""
        self._far_end.offer(event)
        self._nudge()

    def stop(self, deadline_s: float) -> None:
        """Send what is left within half of ``deadline_s``, leave within the rest."""
        self._stop_ns = self._now_ns() + int(deadline_s * SECOND_NS)
        self._stopping.set()
        self._inbox.put(None)
        if self._thread.is_alive():
            self._thread.join(deadline_s)

    def post(self, note: object) -> None:
        """Put a note into the inbox."""
        self._inbox.put(note)

    # What the far end calls, in the sink's thread.

    def listen(self, wait_s: float) -> None:
        """Wait for a note at most ``wait_s``, then take all there are."""
        try:
            note = self._inbox.get(timeout=wait_s) if wait_s > 0.0 else self._inbox.get_nowait()
            while True:
                self._take(note)
                note = self._inbox.get_nowait()
        except queue.Empty:
            return

    def settle(self, flight: Flight, outcome: Outcome) -> None:
        """Note how a flight came out, and move the durable cursor if that confirms the records at the front."""
        lane = self._lanes[flight.stream]
        before = lane.cursor
        lane.settle(flight, outcome, self._now_ns())
        self._write_down(lane, before)
        if lane.trouble is not None:
            self.trouble(lane.stream, lane.trouble)
        elif isinstance(outcome, Accepted):
            self.well(lane.stream)

    def recall(self) -> None:
        """Take back all that is on its way."""
        for lane in self._lanes.values():
            lane.recall()

    def trouble(self, topic: str, trouble: Trouble) -> None:
        """Note trouble, to be said at the end of the round."""
        if self._complaints.trouble(topic, trouble, self._now_ns()):
            _log.warning("sink %s: %s; records wait in the store", self.name, trouble.why)

    def well(self, topic: str) -> None:
        """Take trouble back."""
        if self._complaints.well(topic):
            _log.info("sink %s: %s well again", self.name, topic)

    def alarm_states(self) -> Mapping[str, str]:
        """The last state of every alarm in the store; empty until it can be read."""
        return self._reader.alarm_states() if self._reader is not None else {}

    def boot_of(self, run: int) -> str | None:
        """The boot of a run, as the store knows it."""
        if run not in self._boots and self._reader is not None:
            self._boots.update({known.run: known.boot for known in self._reader.runs()})
        return self._boots.get(run)

    # The thread.

    def _run(self) -> None:
        while self._stop_ns is None:
            self._guarded_round(_TICK_S)
        drained_ns = self._stop_ns - int((self._stop_ns - self._now_ns()) * _GOODBYE_SHARE)
        self._look_again()
        while self._now_ns() < drained_ns and not self._drained():
            self._guarded_round(_DRAIN_TICK_S)
        self._leave(self._stop_ns)

    def _guarded_round(self, most_s: float) -> None:
        """Run one round, then listen for at most ``most_s``."""
        self.progress += 1
        try:
            wait_s = self._round()
            self._say()
            self.listen(min(wait_s, most_s))
        except Exception as error:  # noqa: BLE001  the sink's supervisor: whatever broke, the store still holds all
            self._recover(error)
        else:
            self.well("sink")

    def _recover(self, error: Exception) -> None:
        _log.warning("sink %s: a round failed", self.name, exc_info=error)
        self.recall()
        self.trouble("sink", Trouble(f"can't go on: {type(error).__name__}: {error}", visible=True))
        self._say()
        self._stopping.wait(min(self._retry.first_s, _TICK_S))

    def _round(self) -> float:
        now_ns = self._now_ns()
        self._open()
        if now_ns - self._looked_ns >= _TICK_S * SECOND_NS:
            self._look_again()
        wait_s = self._far_end.tend(now_ns)
        if self._launch_one(now_ns):
            return 0.0
        return min([_TICK_S, wait_s, *self._due_in_s(now_ns)])

    def _open(self) -> None:
        if self._reader is not None:
            return
        reader = self._open_reader(self._context.folder)
        try:
            cursors = {stream: reader.cursor(self.name, stream) for stream in _STREAMS}
        except BaseException:
            reader.close()
            raise
        for stream, cursor in cursors.items():
            batch = self._far_end.batches[stream]
            self._lanes[stream] = Lane(stream, cursor, batch, retry=self._retry, random=self._random)
            self._patience[stream] = Patience(
                self._context.clock,
                self._context.run,
                needs_clock=stream in self._far_end.needs_clock,
                marked_after_ns=MARKED_AFTER_NS if stream == "readings" else 0,
            )
        self._reader = reader

    def _launch_one(self, now_ns: int) -> bool:
        """Send the next flight, if there is one and room for it; events go before readings."""
        for lane in self._lanes.values():
            if not self._far_end.room():
                return False
            if lane.may_launch(now_ns) and (records := self._next(lane, now_ns)):
                self._far_end.send(lane.launch(records))
                return True
        return False

    def _next(self, lane: Lane, now_ns: int) -> tuple[StoredRecord, ...] | None:
        piece = lane.next_piece()
        if piece is None and lane.more and (records := self._fresh(lane, now_ns)):
            lane.take(records)
            piece = lane.next_piece()
        return piece

    def _fresh(self, lane: Lane, now_ns: int) -> Sequence[StoredRecord] | None:
        """Return records from the store that may go now."""
        found = self._read(lane)
        alike, verdict = self._patience[lane.stream].cut(found)
        lane.more = verdict is not Verdict.WAIT and (len(found) >= lane.read_limit or len(alike) < len(found))
        if verdict is Verdict.NEVER:
            self._give_up(lane, alike)
        may_go = verdict is Verdict.GO and alike and self._full_or_old(lane, len(alike), now_ns)
        return alike if may_go else None

    def _read(self, lane: Lane) -> Sequence[StoredRecord]:
        assert self._reader is not None
        if lane.stream == "events":
            return self._reader.events_after(lane.position, lane.read_limit)
        return self._reader.readings_after(lane.position, lane.read_limit)

    def _give_up(self, lane: Lane, records: Sequence[StoredRecord]) -> None:
        """Set records aside that will never have a time, once all before them is settled."""
        lane.more = True
        if not lane.flying:
            before = lane.cursor
            for record in records:
                lane.skip(record.n, NEVER_CORRECTED)
            self._write_down(lane, before)

    def _full_or_old(self, lane: Lane, count: int, now_ns: int) -> bool:
        """Say whether a batch should go: it is full, or its first record has waited long enough for company."""
        age_s = self._far_end.age_s
        if count >= lane.limit or lane.stream == "events" or age_s <= 0.0 or self._stop_ns is not None:
            return True
        if lane.waiting_since_ns is None:
            lane.waiting_since_ns = now_ns
        lane.more = True
        return now_ns - lane.waiting_since_ns >= age_s * SECOND_NS

    def _due_in_s(self, now_ns: int) -> list[float]:
        """Return when lanes want to be looked at again, in seconds from now."""
        due_ns = [self._due_ns(lane, now_ns) for lane in self._lanes.values()]
        return [max(0.0, (due - now_ns) / SECOND_NS) for due in due_ns if due is not None]

    def _due_ns(self, lane: Lane, now_ns: int) -> int | None:
        if not lane.backoff.ready(now_ns):
            return lane.backoff.until_ns
        if not self._far_end.room() or not lane.may_launch(now_ns):
            return None  # a note will come
        if lane.waiting_since_ns is not None:
            return lane.waiting_since_ns + int(self._far_end.age_s * SECOND_NS)
        return now_ns if lane.more and not lane.flying else None

    def _write_down(self, lane: Lane, before: int) -> None:
        for n, why in lane.set_aside:
            _log.warning("sink %s: record %d of %s set aside: %s", self.name, n, lane.stream, why)
            self._context.set_aside(self.name, lane.stream, n, why)
        lane.set_aside.clear()
        if lane.cursor != before:
            self._context.advance(self.name, lane.stream, lane.cursor)

    def _say(self) -> None:
        text = self._complaints.text(self._now_ns())
        if text != self._said:
            self._said = text
            _log.warning("sink %s: %s", self.name, text or "well again")
            self._context.failing(text)

    def _nudge(self) -> None:
        """Wake the thread once, however many have news before it wakes."""
        if not self._nudged:
            self._nudged = True
            self._inbox.put(None)

    def _take(self, note: object) -> None:
        if note is None:
            self._nudged = False
            self._look_again()
        else:
            self._far_end.hear(note)

    def _look_again(self) -> None:
        self._looked_ns = self._now_ns()
        for lane in self._lanes.values():
            lane.more = True

    def _drained(self) -> bool:
        now_ns = self._now_ns()
        if self._far_end.room():
            return all(lane.idle or not lane.backoff.ready(now_ns) for lane in self._lanes.values())
        return not any(lane.flying for lane in self._lanes.values())

    def _leave(self, deadline_ns: int) -> None:
        try:
            self._far_end.close(deadline_ns)
        except Exception:  # noqa: BLE001  the end of the thread: nothing may keep the reader from being closed
            _log.warning("sink %s: leaving failed", self.name, exc_info=True)
        if self._reader is not None:
            self._reader.close()

    def _now_ns(self) -> int:
        return self._context.clock.monotonic_ns()
