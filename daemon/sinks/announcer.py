"""What the MQTT sink says besides the ordered streams: status, live events, the retained state of benches and alarms.

None of it is queued on disk. Live events are only of use while they are fresh, and the ordered stream brings
them again with the same id; states are said anew in full after every connection.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietbench.daemon.core.records import Event, EventKind
from quietbench.daemon.sinks.base import SECOND_NS, SinkContext, StoredEvent
from quietbench.daemon.sinks.payloads import (
    alarm_state,
    bench_state,
    clock_part,
    restored_alarm_state,
    to_json,
)
from quietbench.daemon.sinks.topics import Topics

LIVE_KINDS = frozenset({EventKind.ALARM, EventKind.BENCH})
"""What goes out before its commit; everything else can wait for it."""
LIVE_FRESH_NS = 5 * SECOND_NS
"""An event older than this is left to the ordered stream."""
_LIVE_MOST = 256


@dataclass(frozen=True, slots=True)
class Message:
    """Something to publish; ``retained`` marks a state, which is said again if the broker doesn't take it."""

    topic: str
    payload: bytes
    retained: bool


class Announcer:
    """Collects what is to be said. `offer` is for any thread, the rest for the sink's."""

    def __init__(self, context: SinkContext, topics: Topics) -> None:
        self._context = context
        self._topics = topics
        self._live: deque[Event] = deque(maxlen=_LIVE_MOST)
        self._offered: dict[str, Event] = {}
        self._states: dict[str, bytes] = {}
        self._unsaid: dict[str, None] = {}
        self._refused: dict[str, str] = {}

    def offer(self, event: Event) -> None:
        """Take a live event; when there are too many the oldest falls out, but no state is missed."""
        if event.kind in LIVE_KINDS:
            self._live.append(event)
            self._offered[event.subject] = event

    def connected(self, alarms: Mapping[str, str]) -> None:
        """Say every state anew; ``alarms`` are the last states in the store, for those not heard of since."""
        for alarm, state in alarms.items():
            self._states.setdefault(self._topics.alarm(alarm), self._restored(alarm, state))
        self._take_offered()
        self._refused.clear()
        self._unsaid = dict.fromkeys(self._states)

    def disconnected(self) -> None:
        """Drop live events: by the next connection they come in order."""
        self._live.clear()

    def status(self, status: str, reason: str | None, *, now: bool = True) -> bytes:
        """Return the status; a will has no time, for nobody knows beforehand when it speaks."""
        stamp = self._context.clock.stamp()
        body = {
            "status": status,
            "reason": reason,
            "watcher": self._context.watcher,
            "site": self._context.site,
            "run": self._context.run,
            "boot": self._context.clock.boot,
            **clock_part(stamp.wall_ns, stamp.known and now),
        }
        return to_json(body).encode()

    def next(self, now_ns: int) -> Message | None:
        """Return what to publish next, live events first."""
        while self._live:
            event = self._live.popleft()
            if now_ns - event.monotonic_ns <= LIVE_FRESH_NS:
                return Message(self._topics.live, to_json(self.live_view(event)).encode(), retained=False)
        self._take_offered()
        if not self._unsaid:
            return None
        topic = next(iter(self._unsaid))
        del self._unsaid[topic]
        return Message(topic, self._states[topic], retained=True)

    def refused(self, message: Message, why: str) -> None:
        """Note that the broker doesn't take a message; a state is said again by `say_again`."""
        self._refused[message.topic] = why

    def taken(self, message: Message) -> None:
        """Note that the broker took a message."""
        self._refused.pop(message.topic, None)

    def say_again(self) -> None:
        """Say refused states once more."""
        self._unsaid.update(dict.fromkeys(topic for topic in self._refused if topic in self._states))

    @property
    def complaint(self) -> str | None:
        """Why something can't be said, if so."""
        return next(iter(self._refused.values()), None)

    def live_view(self, event: Event) -> dict[str, Any]:
        """Return an event that has no number yet, its time by the clocks as they stand now."""
        when = self._when(event.monotonic_ns)
        identity = {"sequence": None, "after": None, "id": [self._context.run, event.count]}
        return self._view(identity, when, event, self._context.clock.boot)

    def _when(self, monotonic_ns: int) -> dict[str, str | None]:
        """Return the wall time that belongs to a monotonic one, by the clocks as they stand now."""
        now = self._context.clock.stamp()
        return clock_part(now.wall_ns - (now.monotonic_ns - monotonic_ns), now.known)

    def _until(self, event: Event) -> str | None:
        until_ns = event.body.get("until_ns")
        return self._when(until_ns)["time"] if isinstance(until_ns, int) else None

    def stored_view(self, event: StoredEvent, after: int, boot: str | None) -> dict[str, Any]:
        """Return an event of the ordered stream."""
        identity = {"sequence": event.n, "after": after, "id": [event.run, event.count]}
        return self._view(identity, clock_part(event.wall_ns, event.clock_known), event, boot)

    def _view(
        self,
        identity: dict[str, Any],
        when: dict[str, str | None],
        event: Event | StoredEvent,
        boot: str | None,
    ) -> dict[str, Any]:
        return {
            **identity,
            "kind": event.kind.value,
            "subject": event.subject,
            **when,
            "boot": boot,
            "monotonic_ns": event.monotonic_ns,
            "sentence": self._context.render(event.body) or None,
            "body": event.body,
        }

    def _take_offered(self) -> None:
        while self._offered:
            subject, event = self._offered.popitem()
            view = self.live_view(event)
            if event.kind is EventKind.BENCH:
                topic, state = self._topics.bench(subject), bench_state(view)
            else:
                topic, state = self._topics.alarm(subject), alarm_state(view, self._until(event))
            self._states[topic] = to_json(state).encode()
            self._unsaid[topic] = None

    def _restored(self, alarm: str, state: str) -> bytes:
        """Return what to retain of an alarm of an earlier run; nothing, which clears it, once its channel is gone."""
        if alarm.rpartition(":")[0] not in self._context.channels:
            return b""
        return to_json(restored_alarm_state(alarm, state)).encode()
