"""An MQTT 5 broker as a far end.

Everything goes at QoS 1 and counts as delivered when the broker's acknowledgement carries a success code, no
sooner. (QoS 2 would not help: its refusals are lost on the way through the library, and ids make repeats
harmless anyway.) At most a small window is in flight, never more than the broker can take; the rest is in the
store. Live events and states have a few places of the window for themselves, so that no backlog is before them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from random import Random
from typing import cast

from quietbench.daemon.core.records import Event
from quietbench.daemon.sinks.announcer import Announcer, Message
from quietbench.daemon.sinks.backoff import Backoff
from quietbench.daemon.sinks.base import (
    SECOND_NS,
    Accepted,
    Desk,
    Flight,
    Outcome,
    Refused,
    SinkContext,
    StoredEvent,
    StoredReading,
    Stream,
    Trouble,
)
from quietbench.daemon.sinks.commands import CommandPost, Done
from quietbench.daemon.sinks.link import (
    Acknowledged,
    Arrived,
    Connected,
    Granted,
    Limits,
    Link,
    Lost,
    Unreached,
)
from quietbench.daemon.sinks.options import MqttOptions
from quietbench.daemon.sinks.payloads import readings_payload, to_json
from quietbench.daemon.sinks.reasons import (
    is_failure,
    outcome_of_puback,
    trouble_of_connack,
    trouble_of_disconnect,
    trouble_of_suback,
)
from quietbench.daemon.sinks.suspicion import Suspicion
from quietbench.daemon.sinks.topics import Topics
from quietbench.daemon.sinks.unreached import why_unreached

WINDOW_MOST = 20
_SPARE_MOST = 4
_GOODBYE_TICK_S = 0.02
_UNSENDABLE = (ValueError, TypeError, KeyError, AttributeError, OverflowError)
"""What a record raises that can't be written as JSON."""

BROKER, STATUS, STATES, COMMANDS, ANSWERS = "broker", "status", "states", "commands", "answers"
"""Topics of complaints; the streams' own names are the others."""


@dataclass(frozen=True, slots=True)
class Sent:
    """A message the broker has not answered yet."""

    at_ns: int
    topic: str
    settle: Callable[[Outcome], None]
    flight: Flight | None = None


class MqttFarEnd:
    """The broker, by one `Link` after the other."""

    age_s = 0.0
    needs_clock: frozenset[Stream] = frozenset()

    def __init__(self, options: MqttOptions, context: SinkContext, random: Random) -> None:
        self.batches: Mapping[Stream, int] = {"events": 1, "readings": options.batch}
        self._options = options
        self._context = context
        self._topics = Topics(options.prefix, context.watcher)
        self._announcer = Announcer(context, self._topics)
        self._commands = CommandPost(
            options.commands, self._topics, give=context.command, post=lambda note: self._desk.post(note)
        )
        self._backoff = Backoff(options.retry, random)
        self._suspicion = Suspicion()
        self._where = f"broker {options.host}:{options.port}"
        self._link: Link | None = None
        self._opened_ns = 0
        self._limits: Limits | None = None
        self._born_ns: int | None = None
        self._steady = False
        self._status_due_ns = 0
        self._sent: dict[int, Sent] = {}

    def attach(self, desk: Desk) -> None:
        """Remember the follower."""
        self._desk = desk

    def offer(self, event: Event) -> None:
        """Take a live event; from any thread."""
        self._announcer.offer(event)

    def tend(self, now_ns: int) -> float:
        """Connect, or see to what the connection needs; return seconds until there is more to do."""
        if self._link is None:
            if not self._backoff.ready(now_ns):
                return (self._backoff.until_ns - now_ns) / SECOND_NS
            self._open(now_ns)
        elif self._limits is None:
            self._see_to_opening(now_ns)
        elif not self._too_long_unanswered(now_ns):
            self._see_to_status(now_ns)
            self._answer()
            self._announce(now_ns)
        timers_s = (self._options.ack_s, self._options.status_every_s, self._options.retry.steady_s)
        return min(1.0, *(timer_s / 4 for timer_s in timers_s))

    def room(self) -> bool:
        """Say whether the window has a place for a flight."""
        return self._born_ns is not None and len(self._sent) < self._window() - self._spare()

    def send(self, flight: Flight) -> None:
        """Publish a flight as one message."""
        try:
            topic, payload = self._message(flight)
        except _UNSENDABLE as error:
            why = f"can't be written as JSON: {type(error).__name__}: {error}"
            self._desk.settle(flight, Refused(why, certain=True))
            return
        if (too_large := self._too_large(topic, payload)) is not None:
            self._desk.settle(flight, Refused(too_large, certain=True, size=True))
            return
        self._publish(topic, payload, lambda outcome: self._desk.settle(flight, outcome), flight=flight)

    def hear(self, note: object) -> None:
        """Act on what a link's callbacks noted; notes of links that are gone mean nothing any more."""
        if isinstance(note, Done):
            self._commands.done(note)
            return
        if self._link is None or getattr(note, "ears", None) is not self._link.ears:
            return
        match note:
            case Acknowledged():
                self._answered(note)
            case Arrived():
                note.ears.heard(note.topic)
                self._commands.take(note.topic, note.payload, self._now_ns(), retained=note.retained)
            case Granted():
                self._granted(note)
            case Connected():
                self._let_in(note)
            case Unreached():
                known = self._context.clock.known()
                self._drop(why_unreached(note.error, self._where, clock_known=known))
            case Lost():
                self._lost(note)

    def close(self, deadline_ns: int) -> None:
        """Publish that we go, and go; half of the time is for the broker's answer, half for the library's end.

        Where the broker doesn't answer, the will speaks instead: a status of "online" must not stay behind.
        """
        if self._link is None:
            return
        said = self._limits is not None and self._say_goodbye(deadline_ns)
        if (link := self._link) is not None:
            self._link = None
            link.close(max(0.05, (deadline_ns - self._now_ns()) / SECOND_NS), with_will=not said)

    # The connection.

    def _open(self, now_ns: int) -> None:
        client_id = self._options.client_id or f"quietbench-{self._context.watcher}"
        will = (self._topics.status, self._announcer.status("offline", "connection lost", now=False))
        try:
            link = Link(self._options, client_id, will, self._desk.post)
        except (OSError, ValueError) as error:
            self._fail(Trouble(f"{self._where}: the TLS files can't be used: {error}", visible=True))
            return
        self._link, self._opened_ns = link, now_ns
        link.open()

    def _see_to_opening(self, now_ns: int) -> None:
        if now_ns - self._opened_ns > 2 * self._options.connect_s * SECOND_NS:
            self._drop(Trouble(f"{self._where} doesn't answer within {2 * self._options.connect_s:g} s"))

    def _let_in(self, note: Connected) -> None:
        if is_failure(note.code) or note.code != 0:
            self._drop(trouble_of_connack(note.code, note.name, self._where))
        elif note.limits.maximum_qos < 1 or not note.limits.retain:
            wanted = "wanted QoS 1 and retained messages"
            got = f"got QoS {note.limits.maximum_qos}, retained {'yes' if note.limits.retain else 'no'}"
            self._drop(Trouble(f"{self._where} can't be used: {wanted}, {got}", visible=True))
        else:
            self._limits = note.limits
            self._subscribe()
            self._announcer.connected(self._desk.alarm_states())
            self._status_due_ns = self._now_ns()

    def _subscribe(self) -> None:
        """Ask for the topics of those who may give commands; as a rule nobody may, and nothing is asked for."""
        assert self._link is not None
        if (topics := self._commands.topics) and (mid := self._link.subscribe(topics)) is not None:
            self._sent[mid] = Sent(self._now_ns(), ", ".join(topics), lambda _outcome: None)

    def _granted(self, note: Granted) -> None:
        self._sent.pop(note.mid, None)
        answered = zip(self._commands.topics, note.codes, strict=False)
        refused = [(topic, *code) for topic, code in answered if is_failure(code[0])]
        if refused:
            self._desk.trouble(COMMANDS, trouble_of_suback(refused))
        else:
            self._desk.well(COMMANDS)

    def _lost(self, note: Lost) -> None:
        flight = next((sent.flight for sent in self._sent.values() if sent.flight is not None), None)
        if self._born_ns is not None and flight is not None and self._suspicion.lost(flight):
            why = "the connection ended each of three times while it was being sent"
            self._desk.settle(flight, Refused(f"{why}, last with {note.name} (0x{note.code:02X})"))
        if note.by_broker:
            self._drop(trouble_of_disconnect(note.code, note.name, self._where))
        else:
            self._drop(Trouble(f"connection to {self._where} lost"))

    def _drop(self, trouble: Trouble) -> None:
        """Throw the link away with all that was in flight, and say why."""
        assert self._link is not None
        self._link.cut()
        self._link = self._limits = self._born_ns = None
        self._steady = False
        self._sent.clear()
        self._announcer.disconnected()
        self._desk.recall()
        self._fail(trouble)

    def _fail(self, trouble: Trouble) -> None:
        self._backoff.fail(self._now_ns(), asked_s=trouble.wait_s)
        self._desk.trouble(BROKER, trouble)

    # What a connection needs.

    def _too_long_unanswered(self, now_ns: int) -> bool:
        oldest = next(iter(self._sent.values()), None)
        if oldest is None or now_ns - oldest.at_ns <= self._options.ack_s * SECOND_NS:
            return False
        self._drop(Trouble(f"{self._where} doesn't acknowledge within {self._options.ack_s:g} s"))
        return True

    def _see_to_status(self, now_ns: int) -> None:
        if now_ns >= self._status_due_ns and len(self._sent) < self._window():
            self._status_due_ns = now_ns + int(self._options.status_every_s * SECOND_NS)
            self._announcer.say_again()
            self._publish(
                self._topics.status, self._announcer.status("online", None), self._born, retain=True
            )
        if not self._steady and self._born_ns is not None:
            self._steady = now_ns - self._born_ns >= self._options.retry.steady_s * SECOND_NS
            if self._steady:
                self._backoff.reset()
                self._desk.well(BROKER)

    def _born(self, outcome: Outcome) -> None:
        """Note that the broker answered the status; only now do the streams follow."""
        if self._born_ns is None:
            self._born_ns = self._now_ns()
        if isinstance(outcome, Accepted):
            self._desk.well(STATUS)
        else:
            self._desk.trouble(STATUS, Trouble(outcome.why, visible=True))

    def _announce(self, now_ns: int) -> None:
        while len(self._sent) < self._window():
            message = self._announcer.next(now_ns)
            if message is None:
                return
            too_large = self._too_large(message.topic, message.payload)
            if too_large is not None:
                self._announced(message, Refused(too_large))
            else:
                self._publish_message(message)

    def _answer(self) -> None:
        while self._limits is not None and len(self._sent) < self._window():
            answer = self._commands.next()
            if answer is None:
                return
            topic, payload = answer
            too_large = self._too_large(topic, payload)
            if too_large is not None:
                self._answered_client(Refused(too_large))
            else:
                self._publish(topic, payload, self._answered_client)

    def _answered_client(self, outcome: Outcome) -> None:
        if isinstance(outcome, Accepted):
            self._desk.well(ANSWERS)
        else:
            self._desk.trouble(ANSWERS, Trouble(outcome.why, visible=True))

    def _publish_message(self, message: Message) -> None:
        self._publish(
            message.topic,
            message.payload,
            lambda outcome: self._announced(message, outcome),
            retain=message.retained,
        )

    def _announced(self, message: Message, outcome: Outcome) -> None:
        if isinstance(outcome, Accepted):
            self._announcer.taken(message)
        else:
            self._announcer.refused(message, outcome.why)
        complaint = self._announcer.complaint
        if complaint is None:
            self._desk.well(STATES)
        else:
            self._desk.trouble(STATES, Trouble(complaint, visible=True))

    # Messages.

    def _answered(self, note: Acknowledged) -> None:
        sent = self._sent.pop(note.mid, None)
        if sent is None:
            return
        if sent.flight is not None:
            self._suspicion.answered(sent.flight)
        sent.settle(outcome_of_puback(note.code, note.name, sent.topic))

    def _message(self, flight: Flight) -> tuple[str, bytes]:
        if flight.stream == "readings":
            readings = cast("tuple[StoredReading, ...]", flight.records)
            return self._topics.readings, readings_payload(flight.after, readings)
        (event,) = cast("tuple[StoredEvent, ...]", flight.records)
        view = self._announcer.stored_view(event, flight.after, self._desk.boot_of(event.run))
        return self._topics.events, to_json(view).encode()

    def _too_large(self, topic: str, payload: bytes) -> str | None:
        assert self._link is not None
        assert self._limits is not None
        most = self._limits.packet_bytes
        needed = self._link.packet_bytes(topic, payload)
        if most is None or needed <= most:
            return None
        return f'a message on "{topic}" needs {needed} bytes, the broker takes {most}'

    def _publish(
        self,
        topic: str,
        payload: bytes,
        settle: Callable[[Outcome], None],
        *,
        retain: bool = False,
        flight: Flight | None = None,
    ) -> None:
        assert self._link is not None
        # The answer may be in the inbox before `publish` returns; it is read after this, in this same thread.
        mid = self._link.publish(topic, payload, retain=retain)
        self._sent[mid] = Sent(self._now_ns(), topic, settle, flight)

    def _say_goodbye(self, deadline_ns: int) -> bool:
        """Publish the last status; return whether the broker took it within half of the time that is left."""
        half_ns = (self._now_ns() + deadline_ns) // 2
        if not self._listen_until(lambda: len(self._sent) < self._window(), half_ns):
            return False
        outcomes: list[Outcome] = []
        self._publish(
            self._topics.status, self._announcer.status("offline", "stopped"), outcomes.append, retain=True
        )
        return self._listen_until(lambda: outcomes, half_ns) and outcomes == [Accepted()]

    def _listen_until(self, true: Callable[[], object], until_ns: int) -> bool:
        while not true():
            if self._link is None or self._now_ns() >= until_ns:
                return False
            self._desk.listen(_GOODBYE_TICK_S)
            self._answer()
        return self._link is not None

    def _window(self) -> int:
        receive = WINDOW_MOST if self._limits is None else self._limits.receive_maximum
        return max(1, min(self._options.window, WINDOW_MOST, receive))

    def _spare(self) -> int:
        return min(_SPARE_MOST, self._window() // 4)

    def _now_ns(self) -> int:
        return self._context.clock.monotonic_ns()
